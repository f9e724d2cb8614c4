"""Whole processes as a user starts them: time, processor time and memory of each, several commands run in turn.

Only the standard library is used: a process begins its life with its parent's memory, so that a small parent is
needed to measure small children.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
STOCK_SCRIPT = Path(__file__).with_name("stock_route.py")
#: 3: answered, out of tolerance; 1: no answer, which takes time as well but is no measurement.
ANSWERED = (0, 3)
#: Byte code is kept here, as pip keeps it beside an installed package: compiling is no part of a user's wait.
BYTE_CODE = Path(tempfile.gettempdir()) / f"align-bench-{os.getuid() if hasattr(os, 'getuid') else 0}"


@dataclass(frozen=True)
class Run:
    """One process: wall-clock seconds, processor seconds of all its threads and children, its largest memory."""

    wall_s: float
    processor_s: float
    peak_mb: float


def align_command() -> list[str]:
    """The console command beside this Python, or the module where it is not installed."""
    beside = Path(sys.executable).with_name("align")
    found = str(beside) if beside.exists() else shutil.which("align")
    return [found] if found else [sys.executable, "-m", "align"]


def stock_command(photo: Path, sheet: str) -> list[str]:
    """The bare stock script on a photo."""
    return [sys.executable, str(STOCK_SCRIPT), str(photo), sheet]


def environment() -> dict[str, str]:
    """This program's environment, with this tree's `align` and with byte code kept."""
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    path = os.pathsep.join([str(ROOT), *filter(None, [kept.get("PYTHONPATH")])])
    return {**kept, "PYTHONPATH": path, "PYTHONPYCACHEPREFIX": str(BYTE_CODE)}


def run_once(command: Sequence[str], *, cores: int | None = None) -> Run:
    """Run one command to its end.

    Parameters
    ----------
    cores : how many of this process's cores it may use; None: all

    Raises
    ------
    RuntimeError : it gave no answer.
    """
    allowed = usable_cores()[:cores] if cores is not None else None
    with tempfile.TemporaryFile("w+b") as said:
        start = time.perf_counter()
        process = subprocess.Popen(
            command,
            stdout=said,
            stderr=subprocess.STDOUT,
            env=environment(),
            preexec_fn=None if allowed is None else lambda: os.sched_setaffinity(0, allowed),
        )
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in ANSWERED:
            said.seek(0)
            words = said.read().decode(errors="replace")
            raise RuntimeError(f"expected an answer from {' '.join(command)}, found: {words[-2000:]}")
    return Run(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def usable_cores() -> list[int]:
    """The cores that this process may use; none where the system cannot hold a process to some of them."""
    return sorted(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else []


def busy_cores(seconds: float = 3.0) -> float:
    """How many cores others keep busy: over some seconds where the system tells, else its load average."""
    stat = Path("/proc/stat")
    if not stat.exists():
        return os.getloadavg()[0]
    before = _busy_ticks(stat)
    time.sleep(seconds)
    return (_busy_ticks(stat) - before) / os.sysconf("SC_CLK_TCK") / seconds


def _busy_ticks(stat: Path) -> int:
    """All cores' ticks but the idle ones (fields 4 and 5: idle, waiting for the disk; 9 and 10 are in 1 and 2)."""
    ticks = [int(word) for word in stat.read_text().split("\n", 1)[0].split()[1:9]]
    return sum(ticks) - ticks[3] - ticks[4]


def run_in_turn(commands: Mapping[str, Sequence[str]], rounds: int) -> dict[str, list[Run]]:
    """Each command `rounds` times, alternating, after an unmeasured round that fills caches and compiles."""
    runs: dict[str, list[Run]] = {name: [] for name in commands}
    for turn in range(rounds + 1):
        for name, command in commands.items():
            run = run_once(command)
            if turn > 0:
                runs[name].append(run)
    return runs
