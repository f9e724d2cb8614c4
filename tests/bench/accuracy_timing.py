"""Time of a whole `align check PHOTO --json` beside a bare stock script: processes, run in turn."""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

STOCK_SCRIPT = Path(__file__).with_name("stock_route.py")


@dataclass(frozen=True, eq=False)
class Timing:
    """Medians over the rounds [s]; ratio : median over the rounds of check / stock, each pair run in turn."""

    photo: str
    rounds: int
    check_s: float
    stock_s: float
    help_s: float
    ratio: float


def align_command() -> list[str]:
    """The console command beside this Python, or the module where it is not installed."""
    beside = Path(sys.executable).with_name("align")
    found = str(beside) if beside.exists() else shutil.which("align")
    return [found] if found else [sys.executable, "-m", "align.cli"]


def time_check(photo: Path, sheet: str, rounds: int = 5) -> Timing:
    """Time the command, the stock script and `align --help`, alternating, after one unmeasured round."""
    commands = {
        "check": [*align_command(), "check", str(photo), "--json"],
        "stock": [sys.executable, str(STOCK_SCRIPT), str(photo), sheet],
        "help": [*align_command(), "--help"],
    }
    seconds: dict[str, list[float]] = {name: [] for name in commands}
    for turn in range(rounds + 1):
        for name, command in commands.items():
            took = _seconds(command)
            if turn > 0:  # the first round fills the disk cache and writes byte code
                seconds[name].append(took)
    medians = {name: statistics.median(values) for name, values in seconds.items()}
    ratio = statistics.median(a / b for a, b in zip(seconds["check"], seconds["stock"], strict=True))
    return Timing(photo.name, rounds, medians["check"], medians["stock"], medians["help"], ratio)


def _seconds(command: list[str]) -> float:
    start = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    took = time.perf_counter() - start
    # 3: answered, out of tolerance; 1: no answer, which takes time as well but is no measurement.
    if done.returncode not in (0, 3):
        raise RuntimeError(f"expected an answer from {' '.join(command)}, found: {done.stdout}{done.stderr}")
    return took
