"""Whole photos of lamps before mirrors of known glass, from file to the answer of `align glass`.

    python -m tests.bench.lamp_photos FOLDER trial|fresh|second|third [FIRST LAST]
        draws what is missing, answers what is not answered
    python -m tests.bench.lamp_photos FOLDER trial|fresh|second|third --figures
        prints the figures of docs/glass.md
    python -m tests.bench.lamp_photos FOLDER --mitsuba
        compares a few drawn lamps with traced ones

The photos are those of tests/rendering/lamp_scenes.py. FOLDER/NAME.answer.json holds each answer with its processor
time. What a photo can tell is worked out from its truth, not from the answer: `crescent_of_truth`.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.special import ndtri

from align.errors import AlignError
from align.ghosts.job import glass_of
from tests.bench.ghosts import light_of_case
from tests.bench.ghosts_summary import BARE, GLASS, UNSURE, count, right, thickness_errors, wrong
from tests.rendering.flat_world import Bulb, World, picture_of
from tests.rendering.ghost_photos import case_of
from tests.rendering.lamp_scenes import write_case
from tests.rendering.phone import FULL_FRAME_DIAGONAL_MM
from tests.rendering.spec import Mirror

COUNTS = {"trial": 84, "fresh": 160, "second": 160, "third": 160}
#: A photo should be told when its best lamp's crescent is this wide [px] and that ghost this bright.
CLEAR_PX, CLEAR_LIGHT = 1.0, 0.03
#: Front-coated mirrors are counted as the thinnest glass that is sold would look [mm].
THINNEST_MM = 1.5
INDEX = 1.52
LUMA = (0.299, 0.587, 0.114)
Answer = dict[str, Any]


def answer_of(photo: Path) -> Answer:
    """The answer on one photo as plain numbers."""
    started = time.process_time()
    try:
        result = glass_of(photo)
    except AlignError as error:
        return {"verdict": UNSURE, "reason": f"ERR {error}", "lamps": 0, "seconds": time.process_time() - started}
    thickness = result.glass.thickness_mm
    answer: Answer = {
        "verdict": result.glass.verdict, "reason": result.reason, "better": result.better_photo,
        "lamps": len(result.lamps), "tells": sum(lamp.tells for lamp in result.lamps), "limit": result.limit_ratio,
        "blur": None if result.blur is None else [cause.name for cause in result.blur],
        "seconds": time.process_time() - started,
    }  # fmt: skip
    if thickness is not None:
        answer |= {"thickness": thickness.value, "low": thickness.low, "high": thickness.high}
    return answer


def crescent_of_truth(truth: dict[str, Any]) -> tuple[float, float]:
    """(widest crescent [px] of a ghost that is bright enough, its light): from the truth alone.

    The formula of docs/glass.md, with lens blur, lamp, place and glass as they were drawn.
    """
    mirror = Mirror(truth["distance_mm"], truth["lean_deg"], truth["turn_deg"])
    eye = np.array(truth["eye_mm"])
    focal = truth["equivalent_mm"] / FULL_FRAME_DIAGONAL_MM * float(np.hypot(*truth["size_px"]))
    soft = max(truth["finish"]["blur_px"], 0.6)
    thickness = truth["thickness_mm"] or THINNEST_MM
    best = (-np.inf, 0.0)
    for lamp in truth["lamps"]:
        place = np.array(lamp["at_mm"])
        heights = [float((point - mirror.foot_point) @ mirror.normal) for point in (place, eye)]
        image = place - 2 * heights[0] * mirror.normal
        far = float(np.linalg.norm(image - eye))
        angle = np.arccos(sum(heights) / far)
        apart = thickness * np.sin(2 * angle) / np.sqrt(INDEX**2 - np.sin(angle) ** 2) * focal / far
        light = lamp["light"] * float(np.dot(lamp.get("colour", (1.0, 0.93, 0.8)), LUMA)) * 0.9
        free = apart - soft * float(-ndtri(min(0.05 / light, 0.5)))
        ghost = 0.045 * light
        if ghost >= CLEAR_LIGHT and free > best[0]:
            best = (float(free), ghost)
    return best


def gathered(folder: Path, which: str) -> list[Answer]:
    """All answers of a set, each with its truth."""
    answers = []
    for path in sorted(folder.glob(f"{which}_*.answer.json")):
        truth = json.loads((folder / path.name.replace(".answer.", ".truth.")).read_text())
        answer = json.loads(path.read_text())
        crescent, ghost = crescent_of_truth(truth)
        answers.append(
            answer
            | {
                "name": path.name.split(".")[0],
                "thickness_mm": truth["thickness_mm"],
                "in_scene": len(truth["lamps"]),
                "day": truth["day_lit"],
                "pixels": int(np.prod(truth["size_px"])),
                "crescent_px": crescent,
                "ghost": ghost,
                "found": not answer["reason"].startswith("ERR"),
            }
        )
    return answers


def figures(answers: Sequence[Answer]) -> str:
    """The figures of docs/glass.md in Markdown."""
    lines = ["| glass | photos | front-coated | back-silvered | undetermined |", "|---|---|---|---|---|"]
    bare = [a for a in answers if not a["thickness_mm"]]
    rows = [("front-coated", bare)]
    for low, high in ((1.5, 2.5), (2.5, 3.5), (3.5, 4.5), (4.5, 5.5), (5.5, 8.1)):
        rows.append((f"{low:g} to {high:g} mm", [a for a in answers if low <= a["thickness_mm"] < high]))
    for name, some in rows:
        lines.append(
            f"| {name} | {len(some)} | " + " | ".join(str(count(some, v)) for v in (BARE, GLASS, UNSURE)) + " |"
        )
    clear = [a for a in answers if a["found"] and a["crescent_px"] >= CLEAR_PX]
    unsure = [a for a in answers if a["verdict"] == UNSURE]
    errors = thickness_errors([a for a in answers if "thickness" in a])
    thick = thickness_errors([a for a in answers if "thickness" in a and 5.5 <= a["thickness_mm"] <= 6.5])
    day, dim = ([a for a in answers if a["day"] is lit] for lit in (True, False))
    lines += [
        "",
        f"- Wrong verdicts: {wrong(answers)} of {len(answers)}; right: {right(answers)}.",
        f"- Undetermined: {len(unsure)}, {100 * len(unsure) / len(answers):.0f} %: "
        f"{count(day, UNSURE)} of {len(day)} "
        f"day-lit, {count(dim, UNSURE)} of {len(dim)} dim. Of the {len(clear)} whose best crescent is "
        f"{CLEAR_PX:g} px or "
        f"more, with a ghost of {100 * CLEAR_LIGHT:.0f} % of full scale or more, and whose sheet is found: "
        f"{count(clear, UNSURE)}, {100 * count(clear, UNSURE) / max(len(clear), 1):.1f} %.",
        f"- Thickness: rms error {errors.rms_mm:.3f} mm, mean {errors.mean_mm:+.3f} mm; within 0.3 mm "
        f"{errors.within(0.3)} of {len(errors.error)}; inside the 95 % interval {int(errors.holds.sum())} of "
        f"{len(errors.error)}, {100 * errors.holds.mean():.0f} %. Of 5.5 to 6.5 mm glass: mean "
        f"{thick.mean_mm:+.3f} mm "
        f"of {len(thick.error)}.",
        f"- Processor time: {np.median([a['seconds'] for a in answers]):.1f} s (median), at most "
        f"{max(a['seconds'] for a in answers):.1f} s.",
        "",
        "| undetermined | glass | best crescent | light | cause that is said |",
        "|---|---|---|---|---|",
    ]
    for a in unsure:
        glass = f"{a['thickness_mm']:.1f} mm" if a["thickness_mm"] else "front-coated"
        said = a["reason"].removeprefix("ERR ").split(": ", 1)[-1] if not a["found"] else a["reason"]
        crescent = f"{a['crescent_px']:.1f} px" if np.isfinite(a["crescent_px"]) else "too dark"
        lines.append(f"| {a['name']} | {glass} | {crescent} | {'day' if a['day'] else 'dim'} | {said} |")
    return "\n".join(lines)


def run(folder: Path, which: str, numbers: Sequence[int]) -> None:
    """Draw and answer what is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    for number in numbers:
        photo = write_case(which, number, folder)
        noted = photo.with_suffix(".answer.json")
        if not noted.exists():
            answer = answer_of(photo)
            noted.write_text(json.dumps(answer))
            print(photo.name, answer["verdict"], answer.get("thickness"), answer["reason"], flush=True)


def compare(folder: Path, scenes: Sequence[int] = (1, 2, 6, 7, 13, 18)) -> None:
    """Lamps, reflections and ghosts as drawn here and as Mitsuba traces them: light and place of each image."""
    for number in scenes:
        case = case_of(number)
        direct, reflected = light_of_case(case, folder)
        bulbs = [
            Bulb(np.array(lamp.position_mm), lamp.radius_mm * np.eye(3), lamp.radiance, lamp.colour)
            for lamp in case.lamps
        ]
        world = World(case.scene.camera, case.mirror, [], bulbs, (0.0, 0.0, 0.0), 1.0)
        drawn, traced = picture_of(world)[..., 1], (direct + reflected)[..., 1]
        off = cv2.GaussianBlur(drawn - traced, (0, 0), 1.0)
        whole = cv2.GaussianBlur(traced, (0, 0), 1.0)
        ghosts = (whole > 0.01 * whole.max()) & (whole < 0.06 * whole.max())
        share = float(np.sqrt(np.mean(off[ghosts] ** 2)) / np.mean(whole[ghosts])) if ghosts.any() else 0.0
        print(
            f"scene {number}, {case.mirror.thickness_mm:g} mm: all light "
            f"{100 * (drawn.sum() / traced.sum() - 1):+.2f} %; "
            f"ghosts' light {100 * (drawn[ghosts].sum() / traced[ghosts].sum() - 1):+.2f} %, "
            f"rms difference {100 * share:.1f} % of it; largest difference "
            f"{abs(off).max() / whole.max():.4f} of a lamp's",
            flush=True,
        )


if __name__ == "__main__":
    where, words = Path(sys.argv[1]), sys.argv[2:]
    if "--mitsuba" in words:
        compare(where)
    elif "--figures" in words:
        print(figures(gathered(where, words[0])))
    else:
        span = [int(word) for word in words[1:3]] or [0, COUNTS[words[0]]]
        run(where, words[0], range(*span))
