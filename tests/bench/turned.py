"""What turning the sheet between photos is worth, on simulated corners: python -m tests.bench.turned [CASES]

An ordinary printer's faults (the sd of `align/solve/thresholds.py`), corners with 0.03 px of noise, and sheets that
lie down anew to 0.0057 degrees. Prints the table of docs/moved_sheet.md.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence

import numpy as np

from align.checking.job import check_sighted
from align.checking.settings import CheckSettings
from align.errors import AlignError
from align.quantity import Quantity
from align.target.sheets import SHEETS
from tests.bench.accuracy_tables import percent, table
from tests.support.turned import turned_photos

#: Ways to photograph: name, how the sheet lies in each photo [deg], and whether the camera stood still.
WAYS: tuple[tuple[str, tuple[float, ...], bool], ...] = (
    ("one photo", (0,), False),
    ("three photos, not turned", (0, 0, 0), False),
    ("two photos, turned by 90°", (0, 90), False),
    ("three photos: 0°, 90°, 180°", (0, 90, 180), False),
    ("four photos: 0°, 90°, 180°, 270°", (0, 90, 180, 270), False),
    ("three photos: 0°, 90°, 180°, camera on a stand", (0, 90, 180), True),
)
FLOOR_RAD = 1e-4


def answers(way: int, cases: int) -> list[tuple[Quantity, Quantity] | None]:
    """(lean, turn) [deg] less the truth in each case of one way; None where it was refused."""
    found: list[tuple[Quantity, Quantity] | None] = []
    _, turned_deg, stand = WAYS[way]
    for case in range(cases):
        rng = np.random.default_rng([20261126, 12, case])
        lean, turn = rng.uniform(-1, 1), rng.uniform(-2, 2)
        still = len(set(turned_deg)) == 1
        photos = turned_photos(
            SHEETS["a5"],
            rng,
            turned_deg=turned_deg,
            lean_deg=lean,
            turn_deg=turn,
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
        mirror = result.mirrors[0]
        pair = ((mirror.lean_deg, lean), (mirror.turn_deg, turn))
        off_lean, off_turn = (Quantity(q.value - true, q.low - true, q.high - true) for q, true in pair)
        found.append((off_lean, off_turn))
    return found


def row(name: str, found: Sequence[tuple[Quantity, Quantity] | None]) -> list[str]:
    """One line of the table."""
    cells = [name]
    known = [pair for pair in found if pair is not None]
    for which in (0, 1):
        quantities = [pair[which] for pair in known]
        rms = float(np.sqrt(np.mean([q.value**2 for q in quantities])))
        half = float(np.median([q.half_width for q in quantities]))
        held = sum(q.low <= 0 <= q.high for q in quantities)
        cells += [f"{rms:.4f}", f"{half:.4f}", percent(held, len(quantities))]
    return [*cells, str(len(found) - len(known))]


def main() -> None:
    """Command line."""
    cases = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    rows = []
    for way, (name, _, _) in enumerate(WAYS):
        rows.append(row(name, answers(way, cases)))
        print(rows[-1], file=sys.stderr, flush=True)
    head = ["photos"]
    head += [f"{what} {figure}" for what in ("lean", "turn") for figure in ("rms [°]", "±, median [°]", "held")]
    print(table([*head, "refused"], rows))


if __name__ == "__main__":
    main()
