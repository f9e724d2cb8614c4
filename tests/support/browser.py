"""A headless Chromium driven through its own protocol over a pipe: nothing to install besides the browser.

python -m tests.browser PAGE.html OUT_FOLDER     writes screenshots and PDFs, to look at
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.support.patience import patient

#: Screens (width, height, device pixels per px) and papers (width, height) [inch].
SCREENS = {"phone": (360, 780, 2), "desktop": (1280, 900, 1)}
PAPERS = {"a4": (8.27, 11.69), "letter": (8.5, 11.0)}


def chromium_path() -> str | None:
    """The browser's program, or None."""
    names = ("chromium", "chromium-browser", "google-chrome")
    return next((path for name in names if (path := shutil.which(name))), None)


class Browser:
    """One page in one Chromium, without a network: no name resolves, and a dead proxy takes the rest.

    loopback : pages served on this computer's loopback can be opened all the same
    """

    def __init__(self, program: str, *, loopback: bool = False) -> None:
        self._folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        to_read, self._write = (_high(end) for end in os.pipe())
        self._read, to_write = (_high(end) for end in os.pipe())
        options = [
            "--headless=new --no-sandbox --disable-gpu --disable-dev-shm-usage --no-first-run",
            "--disable-background-networking --disable-component-update --disable-sync --hide-scrollbars",
            "--proxy-server=127.0.0.1:9 --remote-debugging-pipe",
        ]
        self._process = subprocess.Popen(
            [
                "/bin/bash",
                "-c",
                f'exec "$@" 3<&{to_read} 4>&{to_write}',
                "bash",
                program,
                *" ".join(options).split(),
                "--host-resolver-rules=MAP * ~NOTFOUND" + (", EXCLUDE 127.*" if loopback else ""),
                f"--user-data-dir={self._folder.name}",
                "about:blank",
            ],
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        os.close(to_read)
        os.close(to_write)
        self._buffer, self._number = b"", 0
        self.events: list[dict[str, Any]] = []
        pages = self.call("Target.getTargets")["targetInfos"]
        target = next(page["targetId"] for page in pages if page["type"] == "page")
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.call(f"{domain}.enable")
        self.call(
            "Network.emulateNetworkConditions",
            offline=not loopback,
            latency=0,
            downloadThroughput=-1 if loopback else 0,
            uploadThroughput=-1 if loopback else 0,
        )

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the browser with all its processes, which are a group of their own."""
        os.close(self._write)
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()
        os.close(self._read)
        self._folder.cleanup()

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command of the DevTools protocol; its result."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if getattr(self, "_session", None):
            message["sessionId"] = self._session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self._write, data) :]
        while True:
            answer = self._next(60)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self.events.append(answer)

    def _next(self, timeout_s: float) -> dict[str, Any]:
        limit = time.monotonic() + timeout_s
        while b"\0" not in self._buffer:
            if not select.select([self._read], [], [], max(0.0, limit - time.monotonic()))[0]:
                raise TimeoutError("the browser does not answer")
            data = os.read(self._read, 1 << 20)
            if not data:
                raise RuntimeError("the browser ended")
            self._buffer += data
        message, self._buffer = self._buffer.split(b"\0", 1)
        return json.loads(message)

    def show(
        self, page: Path | str, screen: tuple[int, int, float], *, dark: bool = False, media: str = "screen"
    ) -> None:
        """Open a file or an address at a screen's size, in light or dark, as on a screen or on paper."""
        self.set_screen(screen, dark=dark, media=media)
        self.events = [event for event in self.events if event.get("method") != "Page.loadEventFired"]
        self.call("Page.navigate", url=page if isinstance(page, str) else page.resolve().as_uri())
        limit = time.monotonic() + 60
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next(max(0.1, limit - time.monotonic())))
        self.settle()

    def set_screen(self, screen: tuple[int, int, float], *, dark: bool = False, media: str = "screen") -> None:
        """A screen's size, light or dark, as on a screen or on paper."""
        width, height, ratio = screen
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=ratio,
            mobile=width < 600,
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media=media, features=[scheme])

    def settle(self) -> None:
        """Wait until what is there has been drawn."""
        self.value("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def wait_for(self, script: str, timeout_s: float = 30.0) -> Any:
        """What a script in the page gives as soon as that is true; pages may change meanwhile."""
        limit = time.monotonic() + patient(timeout_s)
        while True:
            try:
                found = self.value(script)
            except RuntimeError:  # between two pages
                found = None
            if found:
                return found
            if time.monotonic() > limit:
                raise TimeoutError(f"never came true: {script}")
            time.sleep(0.05)

    def choose_files(self, selector: str, files: list[Path]) -> None:
        """Choose files in a file input, as a person would."""
        document = self.call("DOM.getDocument")["root"]["nodeId"]
        found = self.call("DOM.querySelector", nodeId=document, selector=selector)["nodeId"]
        self.call("DOM.setFileInputFiles", nodeId=found, files=[str(file.resolve()) for file in files])

    def value(self, script: str) -> Any:
        """What a script in the page gives."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"])[:2000])
        return answer["result"].get("value")

    def requests(self) -> list[str]:
        """All addresses that the page asked for."""
        sent = [event for event in self.events if event.get("method") == "Network.requestWillBeSent"]
        return [event["params"]["request"]["url"] for event in sent]

    def complaints(self) -> list[str]:
        """Everything in the console, and everything that the browser logged."""
        kinds = ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")
        return [json.dumps(event["params"]) for event in self.events if event.get("method") in kinds]

    def screenshot(self) -> bytes:
        """The whole page as PNG."""
        shot = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        return base64.b64decode(shot["data"])

    def pdf(self, paper: tuple[float, float]) -> bytes:
        """The page printed."""
        self.call("Emulation.setEmulatedMedia", media="")
        printed = self.call(
            "Page.printToPDF",
            paperWidth=paper[0],
            paperHeight=paper[1],
            preferCSSPageSize=False,
            printBackground=False,
        )
        return base64.b64decode(printed["data"])


def _high(end: int) -> int:
    """The same end of a pipe under a number that is not among those that the browser's own get (3 and 4)."""
    moved = fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 10)
    os.close(end)
    return moved


def main(page: Path, out: Path) -> None:
    """Screenshots at all sizes and PDFs on all papers."""
    program = chromium_path()
    if program is None:
        sys.exit("no Chromium here")
    out.mkdir(parents=True, exist_ok=True)
    for name, screen in SCREENS.items():
        for dark in (False, True):
            with Browser(program) as browser:
                browser.show(page, screen, dark=dark)
                (out / f"{name}{'-dark' if dark else ''}.png").write_bytes(browser.screenshot())
    for name, paper in PAPERS.items():
        with Browser(program) as browser:
            browser.show(page, SCREENS["desktop"])
            (out / f"{name}.pdf").write_bytes(browser.pdf(paper))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
