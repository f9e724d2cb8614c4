"""Edited pictures, and two sheets of one kind in view: are answers held, or refused?

    python -m tests.bench.edited [--cases N] [--seed N] [--log FILE]

Pictures of three megapixels are drawn (tests/support/synthetic.py), each scene from its number alone, and edited as
people do: stretched to another shape, the upper or the left edge widened (keystone correction), with EXIF and
without; stitched at the middle row, the lower half 1 px to the right or up. Two sheets: the direct view of one
beside the reflection of the other, whose own view is there or not.
One JSON object a case goes to the log, a table to the screen.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from align import check
from align.errors import AlignError
from tests.support.synthetic import FLOOR, SHEETS, degrees_mirror, synthetic_photo, write_photo

Gray = NDArray[np.uint8]
SIZE = (2000, 1500)
SHAPES = ((1800, 1200), (1920, 1080), (1500, 1500), (2000, 1333), (1500, 2000))
WIDENED = (0.02, 0.05, 0.1, 0.15, 0.2)
KINDS = (
    "stretched",
    "keystone",
    "keystone, EXIF",
    "sideways keystone",
    "two sheets",
    "two sheets, one unseen",
    "stitched, EXIF",
)


def scene(rng: np.random.Generator) -> dict[str, Any]:
    """A sheet, a camera and a mirror, as builders have them."""
    sheet = SHEETS[str(rng.choice(["a5", "a4", "a6", "letter"]))]
    reach = sheet.width_mm / 200
    azimuth, height = rng.uniform(-0.3, 0.3), np.radians(rng.uniform(28, 45))
    away = rng.uniform(430, 560) * reach
    eye = away * np.array([np.cos(height) * np.sin(azimuth), -np.cos(height) * np.cos(azimuth), np.sin(height)])
    return {
        "sheet": sheet,
        "eye": eye,
        "lean": float(rng.uniform(-1.5, 1.5)),
        "turn": float(rng.uniform(-3, 3)),
        "distance": float(rng.uniform(10, 60) * reach),
        "glass": float(rng.choice([0.0, 3.0, 4.0])),
        "blur": float(rng.uniform(0.6, 1.0)),
        "seed": int(rng.integers(10**6)),
    }


def drawn(one: dict[str, Any], *, only_target: bool = False, **options: Any) -> tuple[Gray, Any]:
    """The scene's picture and its truth; only_target: without its mirror."""
    mirrors = [] if only_target else [degrees_mirror(one["lean"], one["turn"], one["distance"], one["glass"])]
    rng = np.random.default_rng(one["seed"])
    place = {"size": SIZE, "blur": one["blur"], "noise": 0.008, "rng": rng, "mirror_size_mm": (2.0, 2.0)}
    return synthetic_photo(one["sheet"], one["eye"], mirrors, **(place | options))


def widened(picture: Gray, share: float, sideways: bool) -> Gray:
    """The upper, or the left, edge widened by a share of its length."""
    height, width = picture.shape
    out = share / 2 * (height if sideways else width)
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
    moves = [[0, -out], [0, 0], [0, 0], [0, out]] if sideways else [[-out, 0], [out, 0], [0, 0], [0, 0]]
    matrix = cv2.getPerspectiveTransform(corners, (corners + moves).astype(np.float32))
    return np.asarray(cv2.warpPerspective(picture, matrix, (width, height), flags=cv2.INTER_CUBIC), np.uint8)


def stitched(picture: Gray, sideways: bool) -> Gray:
    """The lower half moved by 1 px, to the right or up."""
    middle, result = len(picture) // 2, picture.copy()
    if sideways:
        result[middle:] = np.roll(picture[middle:], 1, axis=1)
    else:
        result[middle:-1] = picture[middle + 1 :]
    return result


def two_sheets(one: dict[str, Any], rng: np.random.Generator, *, unseen: bool) -> tuple[Gray, list[float]]:
    """One sheet's direct view with another's reflection; the turn against each."""
    reach = one["sheet"].width_mm / 200
    turned = float(np.radians(rng.uniform(-4, 4)))
    moved = np.array([rng.uniform(-30, 30), rng.uniform(-230, -170), 0.0]) * reach  # of the nearer one
    cosine, sine = np.cos(turned), np.sin(turned)
    rotation = np.array([[cosine, -sine, 0], [sine, cosine, 0], [0, 0, 1.0]])
    far, aim = one | {"distance": max(one["distance"], 15.0)}, np.array([0.0, -80.0 * reach, 0.0])
    far["eye"] = one["eye"] * 1.5
    other, _ = drawn(far, aim=aim, show_target=not unseen)
    # The same camera and mirror in the nearer sheet's own frame: p = R q + t.
    near_eye, near_aim = ((rotation.T @ (place - moved)) for place in (far["eye"], aim))
    near, _ = drawn(far | {"eye": near_eye}, aim=near_aim, only_target=True)
    return np.where(np.abs(near.astype(int) - FLOOR) > 25, near, other).astype(np.uint8), [
        far["turn"],
        far["turn"] - float(np.degrees(turned)),
    ]


def case(seed: int, kind: str, number: int) -> dict[str, Any]:
    """Draw, edit, check; what came of it against the truth."""
    rng = np.random.default_rng([seed, KINDS.index(kind), number])
    one = scene(rng)
    turns, exif, what = [one["turn"]], kind.endswith("EXIF") or kind.startswith("two"), ""
    if kind.startswith("two"):
        picture, turns = two_sheets(one, rng, unseen=kind.endswith("unseen"))
    else:
        picture, _ = drawn(one)
        if kind == "stretched":
            shape = SHAPES[int(rng.integers(len(SHAPES)))]
            picture, what = (
                np.asarray(cv2.resize(picture, shape, interpolation=cv2.INTER_AREA), np.uint8),
                str(shape),
            )
        elif kind.startswith("stitched"):
            sideways = bool(rng.integers(2))
            picture, what = stitched(picture, sideways), "to the right" if sideways else "up"
        else:
            share = float(rng.choice(WIDENED))
            picture, what = widened(picture, share, kind.startswith("sideways")), f"{share:g}"
    result: dict[str, Any] = {"kind": kind, "number": number, "what": what}
    with tempfile.TemporaryDirectory() as folder:
        path = write_photo(Path(folder) / "a.jpg", picture, **({} if exif else {"equivalent_mm": None}))
        try:
            answer = check(path)
        except AlignError as error:
            return result | {"outcome": "refused", "message": str(error)[:200]}
    [mirror] = answer.mirrors[:1]
    offs = []
    for turn in turns:
        pairs = ((mirror.lean_deg, one["lean"]), (mirror.turn_deg, turn))
        offs.append([(found.value - true, found.half_width) for found, true in pairs])
    best = min(offs, key=lambda off: max(abs(error) / half for error, half in off))
    return result | {
        "outcome": "answered",
        "error_deg": [round(error, 4) for error, _ in best],
        "half_deg": [round(half, 4) for _, half in best],
        "warned": bool(answer.warnings),
    }


def table(cases: Sequence[dict[str, Any]]) -> str:
    """Counts by kind, in Markdown."""
    rows = ["| what was done | cases | refused | answered | intervals that hold | farthest off, half widths |"]
    rows.append("|---|---|---|---|---|---|")
    for kind in KINDS:
        here = [one for one in cases if one["kind"] == kind]
        answered = [one for one in here if one["outcome"] == "answered"]
        far = [abs(e) / h for one in answered for e, h in zip(one["error_deg"], one["half_deg"], strict=True)]
        held = f"{sum(off <= 1 for off in far)} of {len(far)}"
        row = (kind, len(here), len(here) - len(answered), len(answered), held, f"{max(far, default=0):.1f}")
        rows.append("| " + " | ".join(map(str, row)) + " |")
    return "\n".join(rows)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--cases", type=int, default=15, help="of each kind")
    parser.add_argument("--kinds", nargs="*", default=list(KINDS))
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--log", type=Path, default=Path("/tmp/align_edited.jsonl"))
    options = parser.parse_args()
    with options.log.open("a", encoding="utf-8") as log:
        for kind in options.kinds:
            for number in range(options.cases):
                log.write(json.dumps({"seed": options.seed} | case(options.seed, kind, number)) + "\n")
                log.flush()
    lines = options.log.read_text(encoding="utf-8").splitlines()
    print(table([one for one in map(json.loads, lines) if one["seed"] == options.seed]))


if __name__ == "__main__":
    main()
