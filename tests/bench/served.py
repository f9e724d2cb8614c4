"""How long a 12-megapixel photo takes from sending to the answer on the page, in a warm server.

    python -m tests.bench.served [PHOTO.jpg] [ROUNDS]

Prints wall clock and the server's processor time, each as median and range, beside the command's own time for the
same photo. Wall clock means something on an idle machine only. The server gets a photo, and a listening page's
request for what it shows then brings the answer: the last byte of that is the end.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

from tests.support.places import ROOT, SAMPLES
from tests.support.served import Served

#: Wanted, on an idle machine [s].
WANTED_S = 1.2
ROUNDS = 7


@dataclass(frozen=True)
class Times:
    """Wall clock and processor time of one round [s]."""

    wall_s: float
    processor_s: float


def processor_s(pid: int) -> float:
    """User and system time of a process so far [s]; source: proc(5), /proc/PID/stat, fields 14 and 15."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Page(threading.Thread):
    """What a page does: listens, and asks for its part whenever it hears of a change."""

    def __init__(self, served: Served) -> None:
        super().__init__(daemon=True)
        self.served = served
        self.shown = threading.Condition()
        self.html = ""

    def run(self) -> None:
        """Listen until the server ends."""
        try:
            with urllib.request.urlopen(f"{self.served.address}/events", timeout=600) as events:
                for line in events:
                    if line.startswith(b"data:") and self.served.mirror:
                        part = json.loads(self.served.get(f"{self.served.mirror}/part")[1])
                        with self.shown:
                            self.html = part["html"]
                            self.shown.notify_all()
        except OSError:
            return

    def wait_for(self, *words: str) -> None:
        """Until the page shows all these words."""
        with self.shown:
            if not self.shown.wait_for(lambda: all(word in self.html for word in words), 120):
                raise TimeoutError(f"the page never showed {words}")


def measured(photo: Path, rounds: int) -> list[Times]:
    """So many rounds in one server, after one that warms it."""
    data = photo.read_bytes()
    times = []
    with tempfile.TemporaryDirectory() as folder, Served(Path(folder) / "record") as served:
        page = Page(served)
        page.start()
        for number in range(1, rounds + 2):
            served.start_mirror(f"mirror {number}")  # each photo counts once at a mirror
            began, used = time.perf_counter(), processor_s(served.process.pid)
            status, words, _ = served.send(data)
            assert status == 201, words
            page.wait_for(f"mirror-{number}-", "Out of true")
            times.append(Times(time.perf_counter() - began, processor_s(served.process.pid) - used))
            time.sleep(3.0)  # the picture and the record's entry are made behind the answer
    return times[1:]


def command_times(photo: Path, rounds: int) -> list[float]:
    """The command's wall clock for the same photo [s]."""
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "align", "check", str(photo), "--mirror", "300x150"],
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
            check=False,
        )
        times.append(time.perf_counter() - began)
    return times


def words_of(name: str, times: list[float]) -> str:
    """One line: median and range."""
    return f"{name:<44}{statistics.median(times):6.2f} s   ({min(times):.2f} to {max(times):.2f})"


def main() -> None:
    """Measure and print."""
    photo = Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES / "arcade_leaning.jpg"
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else ROUNDS
    times = measured(photo, rounds)
    print(f"{photo.name}, {rounds} rounds; load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(words_of("sent to shown, wall clock", [one.wall_s for one in times]))
    print(words_of("sent to shown, the server's processor time", [one.processor_s for one in times]))
    print(words_of("align check, wall clock", command_times(photo, rounds)))
    print(f"wanted from sent to shown on an idle machine: at most {WANTED_S} s")


if __name__ == "__main__":
    main()
