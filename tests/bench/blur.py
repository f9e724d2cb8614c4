"""Each cause of blurred lamps on rendered photos made for it, and which cause `align.ghosts.blur` names.

    python -m tests.bench.blur FOLDER [SCENE ...]

The scenes are those that tests/bench/ghosts.py traced into FOLDER (front-coated ones, where nothing but the cause
blurs, and 4 mm glass, where ghosts add to it); each is finished anew for every cause. Writes FOLDER/blur.jsonl.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from align.ghosts.blur import causes_of, lamps_show_it_too
from align.ghosts.likelihood import fit_glass
from align.ghosts.verdict import judge
from tests.bench.ghosts import crescents_of, light_of_case, patches_of, view_of
from tests.rendering.ghost_photos import WHOLE_PX, Finish, case_of, finished

HERE = Path(__file__).resolve().parent


CAUSES = ("nothing", "focus", "shake", "glare", "haze")
SCENES = (0, 5, 10, 15, 3, 8, 13, 18)


def finish_for(cause: str, seed: int) -> Finish:
    """A photo that has the cause plainly: strengths are drawn between weak but visible and strong."""
    rng = np.random.default_rng([67, seed])
    base = {"exposure": float(rng.uniform(1.0, 6.0)), "blur_px": float(rng.uniform(0.6, 1.5))}
    angle, length = rng.uniform(0, np.pi), rng.uniform(8, 20)
    extra = {
        "nothing": {},
        "focus": {"focus_px": float(rng.uniform(6.5, 12))},
        "shake": {"shake_px": (float(length * np.cos(angle)), float(length * np.sin(angle)))},
        "glare": {"glare": float(rng.uniform(0.25, 0.6))},
        "haze": {"haze": float(rng.uniform(0.25, 0.6))},
    }[cause]
    return Finish(**base, **extra)


def answer_of(scene: int, cause: str, folder: Path) -> dict:
    """What is named for one photo."""
    seed = 100 * scene + CAUSES.index(cause)
    case = case_of(scene, finish=finish_for(cause, seed))
    codes = finished(*light_of_case(case, folder), case.finish, seed)
    view = view_of(case)
    pairs = patches_of(codes, view)[:3]
    answer = {"scene": scene, "thickness_mm": case.mirror.thickness_mm, "cause": cause}
    if not pairs:
        return answer | {"named": None}
    fit = fit_glass([patch for patch, _ in pairs])
    looks = [look for _, look in pairs]
    judged = judge(fit, crescents_of(fit, view), paired=True, lamps_too=lamps_show_it_too(fit, looks))
    named = causes_of(looks, judged.verdict == "back-silvered", WHOLE_PX[0])
    numbers = [None if look is None else asdict(replace(look.direct, patch=None)) for look in looks]
    return answer | {"named": named, "verdict": judged.verdict, "looks": numbers}


if __name__ == "__main__":
    where = Path(sys.argv[1])
    with (where / "blur.jsonl").open("w") as out:
        for number in [int(word) for word in sys.argv[2:]] or SCENES:
            for wanted in CAUSES:
                told = answer_of(number, wanted, where)
                out.write(json.dumps(told) + "\n")
                out.flush()
                print(number, told["thickness_mm"], wanted, "->", told["named"], told.get("verdict"), flush=True)
