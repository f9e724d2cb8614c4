"""Is a move of the mirror noticed, and is none seen where there was none? On simulated pairs of photos.

    python -m tests.bench.moves [PAIRS] [SEED]

Prints, for each move, how many pairs were said to have moved, and the difference's median standard deviations.
"""

from __future__ import annotations

import sys

import numpy as np

from align.workbench.change import change_between
from tests.support.stands import SHEET, two_stands

#: (lean, turn [deg], gap [mm])
MOVES = {
    "none": (0.0, 0.0, 0.0),
    "0.02° of lean": (0.02, 0.0, 0.0),
    "0.05° of lean": (0.05, 0.0, 0.0),
    "0.01° of turn": (0.0, 0.01, 0.0),
    "0.03° of turn": (0.0, 0.03, 0.0),
    "0.1 mm of gap": (0.0, 0.0, 0.1),
    "0.3 mm of gap": (0.0, 0.0, 0.3),
}


def main(pairs: int, seed: int) -> None:
    """Draw, test, print."""
    for name, move in MOVES.items():
        rng = np.random.default_rng(seed)
        count = pairs if name == "none" else max(1, pairs // 5)
        found = [change for _ in range(count) if (change := change_between(SHEET, *two_stands(rng, move)))]
        sd = np.median([np.sqrt(np.diag(change.covariance)) for change in found], axis=0)
        moved = sum(change.moved for change in found)
        print(
            f"{name:<16}{moved:4d} of {count:4d} said to have moved; sd {np.degrees(sd[0]):.4f}° lean, "
            f"{np.degrees(sd[1]):.4f}° turn, {sd[2]:.3f} mm gap",
            flush=True,
        )


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    main(*(numbers + [200, 2026][len(numbers) :]))
