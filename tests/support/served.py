"""The bench's server in a process of its own, as a person's command starts it, and requests to it.

python -m tests.support.served FOLDER PORT [SHOWN [PICTURE]]     serves; prints port and token as JSON
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import Any
from urllib.parse import quote

from tests.support.patience import patient
from tests.support.places import ROOT

OURS = {"Sec-Fetch-Site": "same-origin"}
MIRROR_FORM = (
    "width_mm=300&height_mm=150&mount=wall&foot_depth_mm=&want_turn_deg=&tolerance_deg=&glass_mm="
    "&sheet=&rule_mm=&shims_fitted=&camera="
)


class Served:
    """A running server; `shown` is a second address that asks for the token, as a phone's does.

    picture : a picture file in place of a camera, looked at live; it may be written anew
    silence_s : how long it listens to a sender that says nothing, where that is not the usual time
    """

    def __init__(
        self, folder: Path, shown: str = "", picture: Path | None = None, silence_s: float | None = None
    ) -> None:
        self.folder = folder
        more = "" if silence_s is None else str(silence_s)
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.served", str(folder), "0", shown, str(picture or ""), more],
            cwd=ROOT,
            env=environment,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout is not None
        told = json.loads(self.process.stdout.readline())
        self.port, self.token = int(told["port"]), str(told["token"])
        self.mirror = ""
        end = time.monotonic() + patient(60)
        while True:
            try:
                self.get("/")
                break
            except OSError:
                if time.monotonic() > end:
                    raise
                time.sleep(0.05)

    def __enter__(self) -> Served:
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    @property
    def address(self) -> str:
        """The first page's address."""
        return f"http://127.0.0.1:{self.port}"

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()

    def interrupt(self) -> float:
        """End it as Ctrl-C does; how long that took [s]."""
        start = time.monotonic()
        self.process.send_signal(signal.SIGINT)
        self.process.wait(patient(30))
        return time.monotonic() - start

    def request(
        self,
        method: str,
        path: str,
        body: Any = None,
        headers: dict[str, str] | None = None,
        *,
        host: str = "127.0.0.1",
        timeout_s: float = 60.0,
    ) -> tuple[int, str, dict[str, str]]:
        """(status, body, headers in small letters) of a request; headers as given and no more."""
        connection = http.client.HTTPConnection(host, self.port, timeout=timeout_s)
        try:
            connection.request(method, path, body, headers or {})
            answer = connection.getresponse()
            found = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, answer.read().decode("utf-8", "replace"), found
        finally:
            connection.close()

    def get(self, path: str) -> tuple[int, str, dict[str, str]]:
        """A page."""
        return self.request("GET", path, headers={"Accept": "text/html"})

    def start_mirror(self, name: str = "arcade mirror") -> str:
        """Start a mirror of the sample photos' size; the path of its page."""
        headers = {**OURS, "Content-Type": "application/x-www-form-urlencoded"}
        status, _, found = self.request("POST", "/new", f"name={quote(name)}&{MIRROR_FORM}", headers)
        assert status == 303
        self.mirror = found["location"]
        return self.mirror

    def send(self, photo: Path | bytes) -> tuple[int, str, dict[str, str]]:
        """Send a photo to the mirror as the page does."""
        data = photo if isinstance(photo, bytes) else photo.read_bytes()
        return self.request("PUT", f"{self.mirror}/photos", data, OURS)

    def answered(self, photo: int, timeout_s: float = 60.0) -> dict[str, Any]:
        """What came of a photo, once something has."""
        (shelf,) = (self.folder / "bench").glob("*/")
        end = time.monotonic() + patient(timeout_s)
        while time.monotonic() < end:
            for kind in ("answer", "refusal"):
                path = shelf / f"{kind}-{photo:04d}.json"
                if path.exists():
                    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
                    return found
            time.sleep(0.02)
        raise TimeoutError(f"nothing came of photo {photo}")

    def peak_memory_mb(self) -> float:
        """The most memory that it has had so far (VmHWM)."""
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="utf-8")
        line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) / 1024

    def raw(self, data: bytes, *, host: str = "127.0.0.1", timeout_s: float = 20.0) -> bytes:
        """Send bytes as they are and read until the other side closes."""
        with socket.create_connection((host, self.port), timeout=timeout_s) as line:
            line.sendall(data)
            return read_all(line)


def read_all(line: socket.socket) -> bytes:
    """What comes until the other side closes, or is silent for the socket's time."""
    parts = []
    try:
        while part := line.recv(65536):
            parts.append(part)
    except (TimeoutError, ConnectionError):
        pass
    return b"".join(parts)


def main(folder: Path, port: int, shown: str, picture: str, silence_s: str) -> None:
    """Serve until an interrupt, then end as the command does."""
    from align.workbench import thresholds
    from align.workbench.server import listen, serve

    if silence_s:
        thresholds.SILENCE_S = float(silence_s)

    listening = listen(port, phone=bool(shown), shown=shown or None)
    print(json.dumps({"port": listening.doors.port, "token": listening.doors.token}), flush=True)
    serve(folder, listening, wanted=_looking_at(picture))
    os._exit(0)


def _looking_at(picture: str) -> Any:
    """A camera that shows a picture file; None where there is none."""
    if not picture:
        return None
    import cv2

    from align.workbench.feeds import Wanted
    from tests.support.film_source import StillSource

    return Wanted(StillSource(lambda: cv2.imread(picture), 10.0))


if __name__ == "__main__":
    words = [*sys.argv[1:], "", "", ""]
    main(Path(words[0]), int(words[1]), words[2], words[3], words[4])
