"""What turning the sheet between photos is worth, on simulated corners: python -m tests.bench.turned [N [corner]]

An ordinary printer's faults (the sd of `align/solve/thresholds.py`), corners with 0.03 px of noise, and sheets that
lie down anew to 0.0057 degrees. Of one mirror, or of two in a corner. Prints the tables of docs/moved_sheet.md.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np

from align.checking.job import check_sighted
from align.checking.settings import CheckSettings
from align.errors import AlignError
from align.optics.geometry import angle_between, mirror_normal
from align.quantity import Quantity
from align.target.sheets import SHEETS
from tests.bench.accuracy_tables import percent, table
from tests.support.turned import turned_photos

#: Ways to photograph: name, how the sheet lies in each photo [deg], whether the camera stood still, and whether
#: there are two mirrors, in a corner.
WAYS: tuple[tuple[str, tuple[float, ...], bool, bool], ...] = (
    ("one photo", (0,), False, False),
    ("three photos, not turned", (0, 0, 0), False, False),
    ("two photos, turned by 90°", (0, 90), False, False),
    ("three photos: 0°, 90°, 180°", (0, 90, 180), False, False),
    ("four photos: 0°, 90°, 180°, 270°", (0, 90, 180, 270), False, False),
    ("three photos: 0°, 90°, 180°, camera on a stand", (0, 90, 180), True, False),
    ("one photo", (0,), False, True),
    ("three photos, not turned", (0, 0, 0), False, True),
    ("two photos, turned by 90°", (0, 90), False, True),
    ("three photos: 0°, 90°, 180°", (0, 90, 180), False, True),
    ("three photos: 0°, 90°, 180°, camera on a stand", (0, 90, 180), True, True),
)
#: Half the angle by which two mirrors in a corner face each other, less what is drawn for each [deg].
CORNER_DEG = 40.0
FLOOR_RAD = 1e-4


def answers(way: int, cases: int) -> list[tuple[Quantity, ...] | None]:
    """Lean and turn [deg] less the truth in each case of one way, in a corner also of the second mirror, and last
    the angle between the two; None where it was refused."""
    found: list[tuple[Quantity, ...] | None] = []
    _, turned_deg, stand, corner = WAYS[way]
    for case in range(cases):
        rng = np.random.default_rng([20261126, 12, case])
        angles = [(rng.uniform(-1, 1), rng.uniform(-2, 2))]
        if corner:
            angles = [
                (angles[0][0], angles[0][1] + CORNER_DEG),
                (rng.uniform(-1, 1), rng.uniform(-2, 2) - CORNER_DEG),
            ]
        still = len(set(turned_deg)) == 1
        photos = turned_photos(
            SHEETS["a5"],
            rng,
            turned_deg=turned_deg,
            lean_deg=angles[0][0],
            turn_deg=angles[0][1],
            others_deg=angles[1:],
            stand=stand,
            floor_rad=0.0 if still else FLOOR_RAD,
            spot_mm=0.0 if still else 8.0,
        )
        try:
            result, _ = check_sighted(photos, CheckSettings(turned_sheet=not still))
        except AlignError as error:
            print(f"{WAYS[way][0]}, case {case}: {error.message}", file=sys.stderr, flush=True)
            found.append(None)
            continue
        pairs = [
            pair
            for mirror, (lean, turn) in zip(result.mirrors, angles, strict=True)
            for pair in ((mirror.lean_deg, lean), (mirror.turn_deg, turn))
        ]
        if corner:
            normals = [mirror_normal(*np.radians(each)) for each in angles]
            pairs.append((result.angles[0].angle_deg, 180 - float(np.degrees(angle_between(*normals)))))
        found.append(tuple(Quantity(q.value - true, q.low - true, q.high - true) for q, true in pairs))
    return found


def row(name: str, found: Sequence[tuple[Quantity, ...] | None]) -> list[str]:
    """One line of the table: lean and turn, of both mirrors, and in a corner the angle between them."""
    cells = [name]
    known = [case for case in found if case is not None]
    for which in (slice(0, 4, 2), slice(1, 4, 2), slice(4, 5)):
        quantities = [quantity for case in known for quantity in case[which]]
        if not quantities:  # one mirror has no angle
            continue
        rms = float(np.sqrt(np.mean([q.value**2 for q in quantities])))
        half = float(np.median([q.half_width for q in quantities]))
        held = sum(q.low <= 0 <= q.high for q in quantities)
        cells += [f"{rms:.4f}", f"{half:.4f}", percent(held, len(quantities))]
    return [*cells, str(len(found) - len(known))]


def main() -> None:
    """Command line."""
    cases, corner = int(sys.argv[1]) if len(sys.argv) > 1 else 60, sys.argv[2:] == ["corner"]
    rows = []
    for way, (name, _, _, of_corner) in enumerate(WAYS):
        if of_corner != corner:
            continue
        rows.append(row(name, answers(way, cases)))
        print(rows[-1], file=sys.stderr, flush=True)
    head = ["photos"]
    for what in ("lean", "turn", "angle") if corner else ("lean", "turn"):
        head += [f"{what} rms [°]", f"{what} ±, median [°]", f"{what} held"]
    print(table([*head, "refused"], rows))


if __name__ == "__main__":
    main()
