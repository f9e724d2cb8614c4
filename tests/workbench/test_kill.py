"""The server's end: Ctrl-C while photos are worked on, and kills at random while they arrive."""

from __future__ import annotations

import io
import json
import random
import re
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from tests.support.patience import patient
from tests.support.served import Served
from tests.support.small_photos import photo_of_mirror

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytestmark = pytest.mark.slow

#: An interrupt ends the server within this on an idle machine [s].
STOP_S = 3.0
KILLS = 4


def plain_photo(shade: int) -> bytes:
    """A small photo of nothing, each of another shade: quickly refused for want of a sheet, and told apart."""
    from PIL import Image

    rng = np.random.default_rng(shade)
    pixels = np.clip(rng.normal(100 + shade % 100, 8, (240, 320)), 0, 255).astype(np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=90)
    return file.getvalue()


def pixels_of(data: bytes) -> bytes:
    """A photo's pixels: cleaning keeps them, whatever it does to the file."""
    from PIL import Image

    with Image.open(io.BytesIO(data)) as image:
        return image.tobytes()


def unfinished(folder: Path) -> list[str]:
    """Files and folders that were begun and not finished."""
    return [str(path) for path in folder.rglob("*") if "unfinished" in path.name]


def test_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    """Killed at random while three senders send: every photo that got its 201 lies whole on the shelf, and is
    answered or refused after a new start."""
    folder, chance = tmp_path / "record", random.Random(13)
    acknowledged: dict[int, bytes] = {}
    shades = iter(range(10_000))
    for turn in range(KILLS):
        with Served(folder) as served:
            if turn == 0:
                served.start_mirror()
                mirror = served.mirror
            served.mirror = mirror
            senders = [threading.Thread(target=_send_on, args=(served, shades, acknowledged)) for _ in range(3)]
            for sender in senders:
                sender.start()
            before, end = len(acknowledged), time.monotonic() + patient(60)
            while len(acknowledged) == before and time.monotonic() < end:
                time.sleep(0.01)
            time.sleep(chance.uniform(0.0, 1.0))
            served.kill()
            for sender in senders:
                sender.join(patient(30))
    assert len(acknowledged) >= KILLS
    (shelf,) = (folder / "bench").glob("*/")
    for number, photo in acknowledged.items():
        assert pixels_of((shelf / f"photo-{number:04d}.jpg").read_bytes()) == pixels_of(photo), number
    with Served(folder) as served:
        for number in acknowledged:
            served.answered(number)
        assert served.interrupt() < patient(STOP_S)
    for path in shelf.glob("*.json"):
        json.loads(path.read_text(encoding="utf-8"))


def _send_on(served: Served, shades: object, acknowledged: dict[int, bytes]) -> None:
    """Send photos until the server is gone; note which were acknowledged under which number."""
    while True:
        photo = plain_photo(next(shades))  # type: ignore[call-overload]
        try:
            status, words, _ = served.send(photo)
        except Exception:  # it was killed, with whatever that breaks
            return
        if status == 201:
            acknowledged[int(re.findall(r"\d+", words)[0])] = photo
        elif status == 503:
            time.sleep(0.02)


def test_ctrl_c_ends_within_three_seconds_with_nothing_half_written(tmp_path: Path) -> None:
    """While one photo is worked on, others wait, one is being sent and a page listens."""
    folder = tmp_path / "record"
    with Served(folder) as served:
        served.start_mirror()
        listening = threading.Thread(target=_listen, args=(served,), daemon=True)
        listening.start()
        for seed in range(3):
            assert served.send(photo_of_mirror(0.3, 0.1, seed=seed))[0] == 201
        sending = threading.Thread(target=_never_ends, args=(served,), daemon=True)
        sending.start()
        time.sleep(0.3)
        assert served.interrupt() < patient(STOP_S)
    assert unfinished(folder) == []
    for path in folder.rglob("*.json"):
        json.loads(path.read_text(encoding="utf-8"))
    (shelf,) = (folder / "bench").glob("*/")
    assert len(list(shelf.glob("photo-*"))) == 3


def _listen(served: Served) -> None:
    try:
        served.request("GET", "/events")
    except Exception:  # the server ends while it is read
        return


def _never_ends(served: Served) -> None:
    head = (
        f"PUT {served.mirror}/photos HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nSec-Fetch-Site: same-origin\r\n"
    )
    try:
        served.raw((head + "Content-Length: 500000\r\n\r\n").encode() + b"\xff" * 1000)
    except OSError:
        return
