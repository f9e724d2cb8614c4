"""A hundred hostile requests to a running server: each refused in plain words, and the next good one answered."""

from __future__ import annotations

import io
import json
import re
import socket
import struct
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.support.patience import patient
from tests.support.served import OURS, Served, read_all
from tests.support.small_photos import photo_of_mirror

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

Outcome = tuple[int, str]
PHONE_HOST = "127.0.0.2"  # this computer, by an address that is treated as the network's
MEMORY_MB = 700.0
#: The server gives up on who says nothing sooner than it does for people [s].
SILENCE_S = 3.0


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """One server for all attacks, with a mirror."""
    with Served(tmp_path_factory.mktemp("hostile") / "record", PHONE_HOST, silence_s=SILENCE_S) as server:
        server.start_mirror()
        yield server


def plain(served: Served, method: str, path: str, body: object = None, **headers: str) -> Outcome:
    """Status and words of a request."""
    status, words, _ = served.request(method, path, body, {k.replace("_", "-"): v for k, v in headers.items()})
    return status, words


def told(answer: bytes) -> Outcome:
    """Status and words of a raw answer."""
    head, _, body = answer.partition(b"\r\n\r\n")
    status = int(head.split()[1]) if head.startswith(b"HTTP/") else 0
    return status, body.decode("utf-8", "replace")


def wrong_hosts(served: Served) -> Iterator[Callable[[], Outcome]]:
    """Names that lead here but are not ours."""
    for name in ("evil.example", "localhost.evil.example", f"127.0.0.1:{served.port + 1}", "169.254.1.1", "[::2]"):
        for path in ("/", served.mirror):
            yield lambda name=name, path=path: plain(served, "GET", path, Host=name)


def no_tokens(served: Served) -> Iterator[Callable[[], Outcome]]:
    """The network's address without its token, with a wrong one, with half of it."""
    cookies = ("", f"align-bench-{served.port}=guess", f"align-bench-{served.port}={served.token[:-1]}")
    for path in ("/", served.mirror, "/phone/code.svg", "/events", f"/enter/{served.token}x"):
        for cookie in cookies[: 3 if path == "/" else 2]:
            yield lambda path=path, cookie=cookie: _at_phone_host(served, path, cookie)


def _at_phone_host(served: Served, path: str, cookie: str) -> Outcome:
    status, words, _ = served.request("GET", path, headers={"Cookie": cookie}, host=PHONE_HOST)
    return status, words


def cross_sites(served: Served) -> Iterator[Callable[[], Outcome]]:
    """Another page's form, script or image."""
    photos = f"{served.mirror}/photos"
    kinds = (
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Origin": "https://evil.example"},
        {},
    )
    for kind in kinds:
        for method, path in (("POST", "/new"), ("PUT", photos), ("POST", photos)):
            yield lambda method=method, path=path, kind=kind: plain(served, method, path, b"name=x", **kind)


def traversals(served: Served) -> Iterator[Callable[[], Outcome]]:
    """Names that climb out of the folder."""
    for path in (
        "/static/../app.py",
        "/static/%2e%2e%2fapp.py",
        "/static/..%5capp.py",
        "/static//etc/passwd",
        "/mirror/..",
        "/mirror/../../etc/passwd",
        "/mirror/%2e%2e",
        "/mirror/%00",
        f"{served.mirror}/picture/../photo-0001.jpg",
        f"{served.mirror}/picture/-1.jpg",
        f"{served.mirror}/picture/999999999999999999999.jpg",
        f"{served.mirror}/lamps/..%2fphoto-0001.jpg",
        "/plan/installation.toml/x.png",
        "/plan/..%2f..%2fscene.toml/plan.png",
        "/sheet/..%2fa5.pdf",
        "/camera/%2e%2e%2f%2e%2e%2fcamera-1.json",
    ):
        yield lambda path=path: plain(served, "GET", path)


def not_photos(served: Served) -> Iterator[Callable[[], Outcome]]:
    """What is no photo, or not one that is read."""
    rng = np.random.default_rng(1)
    good = photo_of_mirror(0.0, 0.0, seed=77)
    bodies = [
        b"",
        b"\0",
        b"GIF89a" + bytes(500),
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"<!DOCTYPE html><script>alert(1)</script>",
        b"%PDF-1.7\n" + bytes(2000),
        b"PK\3\4" + bytes(2000),
        b"\xff\xd8\xff\xe0" + bytes(5000),
        b"\0\0\0\x18ftypheic" + bytes(4000),
        rng.bytes(300_000),
        good[: len(good) // 2],
        b"II*\0" + bytes(4000),
        bomb(100_000, 100_000),
        bomb(30_000, 4_000),
        bomb(9_000, 9_000),
        tiny(),
        b"\x89PNG\r\n\x1a\n" + bytes(3000),
        b"RIFF\x10\0\0\0WEBPVP8 " + bytes(100),
        b"BM" + bytes(5000),
        b"#!/bin/sh\nrm -rf /\n",
    ]
    for body in bodies:
        yield lambda body=body: plain(served, "PUT", f"{served.mirror}/photos", body, Sec_Fetch_Site="same-origin")


def bomb(width: int, height: int) -> bytes:
    """A PNG whose header promises far more pixels than it holds bytes."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    pixels = zlib.compress(bytes(100_000))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def tiny() -> bytes:
    """A picture of a few pixels."""
    from PIL import Image

    file = io.BytesIO()
    Image.new("RGB", (60, 40)).save(file, "JPEG")
    return file.getvalue()


def odd_forms(served: Served) -> Iterator[Callable[[], Outcome]]:
    """Forms that no page of ours sends."""
    photos = f"{served.mirror}/photos"
    ours = {"Sec_Fetch_Site": "same-origin"}
    mixed = "multipart/form-data; boundary=x"
    for body, kind in (
        (b"photo=1", "application/x-www-form-urlencoded"),
        (b"--x\r\n\r\n", "multipart/form-data"),
        (b"nonsense", mixed),
        (b'--x\r\nContent-Disposition: form-data; name="photo"\r\n\r\nno file\r\n--x--\r\n', mixed),
        (b'--x\r\nContent-Disposition: form-data; name="photo"; filename="../../x"\r\n\r\n\r\n--x--\r\n', mixed),
        (b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a"\r\n\r\nno photo\r\n--x--\r\n', mixed),
    ):
        yield lambda body=body, kind=kind: plain(served, "POST", photos, body, **ours, Content_Type=kind)
    yield lambda: plain(served, "POST", "/new", b"name=" + b"x" * 70_000, **ours)
    yield lambda: plain(served, "POST", "/new", b"&".join(b"a%d=1" % n for n in range(500)), **ours)
    yield lambda: plain(served, "POST", "/new", b"name=\xff\xfe", **ours)
    yield lambda: plain(served, "POST", "/new", b"name=a%0A%5Bmirror%5D&width_mm=1e999", **ours)
    for method in ("DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"):
        yield lambda method=method: plain(served, method, photos, **ours)


def too_much(served: Served) -> Iterator[Callable[[], Outcome]]:
    """500 MB by its header, 500 MB really sent, and a body without an end."""
    photos = f"{served.mirror}/photos"
    for length in (500_000_000, 10**30):
        yield lambda length=length: told(served.raw(_put(served, photos, f"Content-Length: {length}")))
    yield lambda: plain(served, "PUT", photos, b"", Sec_Fetch_Site="same-origin", Content_Length="-5")
    yield lambda: _poured(served, _put(served, photos, "Content-Length: 500000000"), b"\0" * 1_000_000, 500)
    block = b"F4240\r\n" + b"\0" * 1_000_000 + b"\r\n"
    yield lambda: _poured(served, _put(served, photos, "Transfer-Encoding: chunked"), block, 500)


def _put(served: Served, path: str, length: str) -> bytes:
    lines = (f"PUT {path} HTTP/1.1", f"Host: 127.0.0.1:{served.port}", "Sec-Fetch-Site: same-origin", length)
    return ("\r\n".join(lines) + "\r\n\r\n").encode()


def _poured(served: Served, head: bytes, block: bytes, times: int) -> Outcome:
    """Send a body that does not end, for as long as the other side lets one."""
    with socket.create_connection(("127.0.0.1", served.port), timeout=15) as line:
        line.sendall(head)
        try:
            for _ in range(times):
                line.sendall(block)
        except (ConnectionError, TimeoutError):
            pass
        return told(read_all(line))


def slow_ones(served: Served) -> Iterator[Callable[[], Outcome]]:
    """Senders that say nothing after a while, or a byte now and then."""
    photos = f"{served.mirror}/photos"
    yield lambda: told(served.raw(_put(served, photos, "Content-Length: 1000000") + b"\xff\xd8" * 10))
    yield lambda: _dripped(served, _put(served, photos, "Content-Length: 1000000"))


def _dripped(served: Served, head: bytes) -> Outcome:
    with socket.create_connection(("127.0.0.1", served.port), timeout=1.0) as line:
        line.sendall(head)
        answer = b""
        for _ in range(25):
            try:
                line.sendall(b"\xff")
                answer += line.recv(65536)
            except TimeoutError:
                continue
            except ConnectionError:
                break
            if answer.endswith(b"again.") or not answer:
                break
        return told(answer)


GROUPS = (wrong_hosts, no_tokens, cross_sites, traversals, not_photos, odd_forms, too_much)


@pytest.mark.slow
def test_a_hundred_hostile_requests(served: Served) -> None:
    """Each is refused in plain words; between the groups a page comes; in the end a good photo is answered."""
    slow = list(slow_ones(served))
    outcomes: list[tuple[str, Outcome]] = []
    slow_ends = [threading.Thread(target=lambda ask=ask: outcomes.append(("slow_ones", ask()))) for ask in slow]
    for thread in slow_ends:
        thread.start()
    for group in GROUPS:
        for ask in group(served):
            outcomes.append((group.__name__, ask()))
        assert served.get("/")[0] == 200, group.__name__
    crowd = _ten_at_once(served)
    for thread in slow_ends:
        thread.join(patient(30))
    assert len(outcomes) + len(crowd) >= 100
    for name, (status, words) in outcomes:
        assert status == 503 or 400 <= status < 500, (name, status, words[:200])
        text = re.sub(r"<[^>]+>", " ", words)
        assert len(text.split()) >= 3, (name, status, words)
        assert not re.search(r"Traceback|File \"|/etc/|/tmp/", text), (name, words[:300])
    assert {status for name, (status, _) in outcomes if name == "slow_ones"} == {408}
    assert {status for name, (status, _) in outcomes if name == "too_much"} <= {400, 413}
    assert sorted({status for status, _ in crowd}) == [201, 503]
    _the_next_good_one_is_answered(served)
    assert served.peak_memory_mb() < MEMORY_MB


def _ten_at_once(served: Served) -> list[Outcome]:
    """Ten photos in the same moment: as many as have a place are taken, the others told to come again."""
    found: list[Outcome] = []
    photos = [photo_of_mirror(0.3, -0.2, seed=seed) for seed in range(10)]

    def send(photo: bytes) -> None:
        status, words, _ = served.send(photo)
        found.append((status, words))

    threads = [threading.Thread(target=send, args=(photo,)) for photo in photos]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(patient(60))
    assert len(found) == 10
    assert all(status == 201 or "waiting" in words for status, words in found)
    return found


def _the_next_good_one_is_answered(served: Served) -> None:
    end = time.monotonic() + patient(60)
    while True:
        status, words, _ = served.send(photo_of_mirror(0.5, 0.1, seed=50))
        if status == 201 or time.monotonic() > end:
            break
        time.sleep(0.3)
    assert status == 201, words
    number = int(re.findall(r"\d+", words)[0])
    answer = served.answered(number)
    assert answer["format"] == "align-bench-answer-1"
    lean = answer["result"]["mirrors"][0]["lean_deg"]
    assert lean["low"] < 0.5 < lean["high"]


@pytest.mark.slow
def test_photos_lose_place_and_serial_number(served: Served) -> None:
    """What is kept of a photo has neither, nor its name; nor does anything else that the server wrote."""
    from PIL import Image

    image = Image.open(io.BytesIO(photo_of_mirror(0.2, 0.2, seed=90)))
    exif = image.getexif()
    exif[0x010F] = "Some Maker"
    exif[0x8769] = {0xA405: 26, 0xA431: "SERIAL-12345", 0x9286: b"ASCII\0\0\0a private remark"}
    exif[0x8825] = {1: "N", 2: (53.0, 32.0, 41.0), 3: "E", 4: (9.0, 59.0, 7.0)}
    file = io.BytesIO()
    image.save(file, "JPEG", quality=95, exif=exif)
    status, words, _ = served.send(file.getvalue())
    assert status == 201, words
    number = int(re.findall(r"\d+", words)[0])
    served.answered(number)
    for path in served.folder.rglob("*"):
        if path.is_file():
            data = path.read_bytes()
            assert b"SERIAL-12345" not in data, path
            assert b"private remark" not in data, path
    kept = next(Path(served.folder / "bench").glob(f"*/photo-{number:04d}.jpg"))
    with Image.open(kept) as again:
        assert 0x8825 not in again.getexif()
        assert again.getexif().get_ifd(0x8769)[0xA405] == 26


@pytest.mark.slow
def test_a_form_without_a_script_is_enough(served: Served) -> None:
    """A photo by the page's plain form, with what was said of its sheet: the answer comes with the page that
    follows; its file name is not used."""
    photo = photo_of_mirror(0.4, 0.0, seed=91)
    body = (
        b'--x\r\nContent-Disposition: form-data; name="sheet"\r\n\r\nanew\r\n'
        b'--x\r\nContent-Disposition: form-data; name="photo"; filename=""\r\n\r\n\r\n'
        b'--x\r\nContent-Disposition: form-data; name="photo"; filename="../../../evil.jpg"\r\n'
        b"Content-Type: image/jpeg\r\n\r\n" + photo + b"\r\n--x--\r\n"
    )
    headers = {**OURS, "Content-Type": "multipart/form-data; boundary=x", "Accept": "text/html"}
    status, _, found = served.request("POST", f"{served.mirror}/photos", body, headers)
    assert (status, found["location"]) == (303, served.mirror)
    status, page, _ = served.get(served.mirror)
    assert status == 200
    assert "Out of true" in page
    assert "evil" not in page
    said = max((served.folder / "bench").glob("*/said-*.json"))
    assert json.loads(said.read_text(encoding="utf-8")) == {"sheet": "anew"}
    assert not list(served.folder.parent.rglob("evil*"))


def test_the_same_photo_is_not_counted_twice(served: Served) -> None:
    """Sending a photo again says which one it was."""
    photo = photo_of_mirror(0.1, 0.3, seed=92)
    while served.send(photo)[0] == 503:
        time.sleep(0.2)
    status, words, _ = served.send(photo)
    assert status == 422
    assert "again" in words
