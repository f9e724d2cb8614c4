"""Time of a whole `align check PHOTO --json` beside a bare stock script: processes, run in turn."""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from pathlib import Path

from tests.bench.performance_processes import align_command, run_in_turn, stock_command


@dataclass(frozen=True, eq=False)
class Timing:
    """Medians over the rounds [s]; ratio : median over the rounds of check / stock, each pair run in turn."""

    photo: str
    rounds: int
    check_s: float
    stock_s: float
    help_s: float
    ratio: float


def time_check(photo: Path, sheet: str, rounds: int = 5) -> Timing:
    """Time the command, the stock script and `align --help`, alternating, after one unmeasured round."""
    commands = {
        "check": [*align_command(), "check", str(photo), "--json"],
        "stock": stock_command(photo, sheet),
        "help": [*align_command(), "--help"],
    }
    seconds = {name: [run.wall_s for run in runs] for name, runs in run_in_turn(commands, rounds).items()}
    medians = {name: statistics.median(values) for name, values in seconds.items()}
    ratio = statistics.median(a / b for a, b in zip(seconds["check"], seconds["stock"], strict=True))
    return Timing(photo.name, rounds, medians["check"], medians["stock"], medians["help"], ratio)
