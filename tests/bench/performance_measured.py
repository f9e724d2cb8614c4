"""What one run of performance.py measured, as JSON can hold it."""

from __future__ import annotations

import json
import statistics
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.bench.performance_processes import Run


@dataclass(frozen=True)
class Machine:
    """Where and when: processor cores, how many others kept busy before the run, and versions."""

    date: str
    cores: int
    busy: float
    python: str
    opencv: str
    numpy: str

    @property
    def calm(self) -> bool:
        """Whether nothing else ran, so that times may be believed."""
        return self.busy < 0.15 * self.cores


@dataclass(frozen=True)
class Command:
    """One command's runs. photo : its name, "" for none; what : "stock", "check", "picture", "glass" and so on."""

    what: str
    photo: str
    megapixels: float
    runs: tuple[Run, ...]

    @property
    def wall_s(self) -> float:
        """Median wall-clock time [s]."""
        return statistics.median(run.wall_s for run in self.runs)

    @property
    def peak_mb(self) -> float:
        """The largest memory of any run [MB]."""
        return max(run.peak_mb for run in self.runs)


@dataclass(frozen=True)
class Stages:
    """Median seconds by stage of one photo's check with its picture."""

    photo: str
    seconds: dict[str, float]


@dataclass(frozen=True)
class Each:
    """`check --each` on many photos: cores it might use, photos, seconds by the clock."""

    cores: int
    photos: int
    seconds: float


@dataclass(frozen=True)
class Rate:
    """Drawn photos whose reflected squares are so high [px]: how many, and found by us, wrongly, by stock."""

    height_px: float
    views: int
    found: int
    wrong: int
    stock: int
    corner_px: float


@dataclass(frozen=True)
class Measured:
    """All of it."""

    machine: Machine
    commands: tuple[Command, ...]
    stages: tuple[Stages, ...]
    each: tuple[Each, ...]
    rates: tuple[Rate, ...]

    def of(self, what: str, photo: str | None = None) -> list[Command]:
        """The commands of one kind, of one photo if it is named."""
        return [c for c in self.commands if c.what == what and photo in (None, c.photo)]

    def save(self, path: Path) -> None:
        """Write it as JSON."""
        path.write_text(json.dumps(asdict(self), indent=1) + "\n", encoding="utf-8")


def ratios(runs: Sequence[Run], others: Sequence[Run]) -> list[float]:
    """Wall-clock times of runs over those of the others, pair by pair, in order."""
    return sorted(a.wall_s / b.wall_s for a, b in zip(runs, others, strict=True))


def load(path: Path) -> Measured:
    """What `Measured.save` wrote."""
    raw = json.loads(path.read_text(encoding="utf-8"))
    return Measured(
        Machine(**raw["machine"]),
        tuple(Command(**{**c, "runs": tuple(Run(**run) for run in c["runs"])}) for c in raw["commands"]),
        tuple(Stages(**stages) for stages in raw["stages"]),
        tuple(Each(**each) for each in raw["each"]),
        tuple(Rate(**rate) for rate in raw["rates"]),
    )
