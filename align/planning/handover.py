"""From a plan to the checks that verify it: for every mirror the sheet's lie and the very command."""

from __future__ import annotations

import math
import shlex
from dataclasses import dataclass

from .scene import ONLY_MIRROR, Mirror, Scene
from .thresholds import USUAL_TOLERANCE_DEG

#: The sheet lies along one of the scene's axes: where its arrow then points, by quarter turns anticlockwise.
_WAYS = (
    "away from the viewers (along y)",
    "to the left (against x)",
    "towards the viewers (against y)",
    "to the right (along x)",
)


@dataclass(frozen=True, eq=False)
class Check:
    """How one mirror is checked once it hangs.

    mirror : its name, "mirror" for a nameless one; size_mm : (width, height)
    want_turn_deg : against the sheet as it is to lie; sheet_turn_deg : how far the sheet itself lies turned
    tolerance_deg : worth working to
    """

    mirror: str
    size_mm: tuple[float, float]
    want_turn_deg: float
    sheet_turn_deg: float
    tolerance_deg: float

    @property
    def arrow(self) -> str:
        """Where the sheet's arrow points, in words."""
        return _WAYS[round(self.sheet_turn_deg / 90.0) % 4]

    @property
    def command(self) -> str:
        """The command, with PHOTO where the photo's name goes."""
        return self.command_into("")

    def command_into(self, record: str) -> str:
        """`command` for a mirror that a record knows: its answer goes into the record."""
        words = ["align", "check", "PHOTO", "--mirror", f"{self.size_mm[0]:g}x{self.size_mm[1]:g}"]
        words += ["--want-turn", f"{self.want_turn_deg:.2f}", "--tolerance", f"{self.tolerance_deg:.2f}"]
        if record:
            words += ["--mirror-name", self.mirror] if is_named(self.mirror) else []
            words += ["--into", record]
        return " ".join(shlex.quote(word) for word in words)


def check_of(scene: Scene, mirror: Mirror, tolerance_deg: float | None) -> Check:
    """How one mirror of a scene is checked.

    Parameters
    ----------
    tolerance_deg : the one worth working to, as its paths ask; None: no path meets it
    """
    sheet = 90.0 * round(math.degrees(mirror.turn) / 90.0)
    want = round(math.degrees(mirror.turn) - sheet, 2) + 0.0
    return Check(
        mirror.name, (mirror.width_mm, mirror.height_mm), want, sheet, tolerance_deg or USUAL_TOLERANCE_DEG
    )


def is_named(mirror: str) -> bool:
    """Whether a mirror has a name of its own."""
    return mirror != ONLY_MIRROR
