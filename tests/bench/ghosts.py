"""Lamps before mirrors of known glass, traced by Mitsuba in small, and what `align glass` makes of them.

    python -m tests.bench.ghosts FOLDER [SCENE ...] [--again | --free | --docs]

The photos are those of tests/rendering/ghost_photos.py: parts of a 12-megapixel one, too small for the sheet.
Where `align glass` would have solved the sheet, the bench gives the mirror's plane and the camera as a solve would:
off by errors drawn from about what docs/accuracy.md measures (ERRORS). FOLDER keeps the traced light
(NNN.npz), the photos and results.jsonl; what is there already is neither traced nor fitted again. --again keeps
the light alone and fits every photo anew, as a page about today's code needs; --free looks for ghost pairs without
the plane; --docs writes the figures of FOLDER's results into docs/glass.md.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from align.ghosts.blur import Looks, lamps_show_it_too, looks_of
from align.ghosts.crescent import Crescent, crescent_of
from align.ghosts.ghost_geometry import MirrorView
from align.ghosts.ghost_pairs import ghost_pairs
from align.ghosts.job import chosen_patches
from align.ghosts.lamps import find_spots, light_of
from align.ghosts.likelihood import GlassFit, fit_glass
from align.ghosts.patch import Patch
from align.ghosts.verdict import judge
from align.ghosts.views import LitPhoto, lamps_by_mirror
from align.optics.camera_model import Camera
from align.optics.geometry import mirror_normal
from tests.rendering.ghost_photos import FINISHES, FOCAL_PX, SCENES, Case, case_of, finished, traced

HERE = Path(__file__).resolve().parent


#: Standard deviations of what a solve of the sheet gets wrong: lean and turn [degrees], distance [mm], focal
#: length [share], the camera's distance going with it.
ERRORS = {"angle_deg": 0.02, "distance_mm": 0.15, "focal_share": 0.004}


def view_of(case: Case) -> MirrorView:
    """Camera and mirror as a solve has them; the glass unknown (the prior's 3 mm)."""
    rng = np.random.default_rng([59, case.number, case.variant])
    camera, mirror = case.scene.camera, case.mirror
    centre = camera.matrix[:2, 2]
    share = 1 + ERRORS["focal_share"] * rng.standard_normal()
    lens = Camera(FOCAL_PX * share, (float(centre[0]), float(centre[1])), (camera.k1, 0.0, 0.0, 0.0, 0.0))
    wrong = ERRORS["angle_deg"] * rng.standard_normal(2)
    lean, turn = np.radians([mirror.lean_deg + wrong[0], mirror.turn_deg + wrong[1]])
    foot = mirror.foot_point + ERRORS["distance_mm"] * rng.standard_normal() * np.array([0.0, 1.0, 0.0])
    away = camera.cam_from_target_t * np.array([1.0, 1.0, share])
    return MirrorView(lens, camera.cam_from_target_R, away, mirror_normal(lean, turn), foot, 3.0)


def photo_of(case: Case, folder: Path) -> np.ndarray:
    """(h, w, 3) RGB code values; the traced light is kept in `folder`."""
    direct, reflected = light_of_case(case, folder)
    codes = finished(direct, reflected, case.finish, 100 * case.number + case.variant)
    cv2.imwrite(str(folder / f"{case.number:03d}_{case.variant}.png"), codes[..., ::-1])
    return codes


def light_of_case(case: Case, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Traced linear light, direct and reflected, from the folder where it is there."""
    path = folder / f"{case.number:03d}.npz"
    if not path.exists():
        direct, reflected = traced(case)
        np.savez_compressed(path, d=direct.astype(np.float16), r=reflected.astype(np.float16))
    kept = np.load(path)
    return kept["d"].astype(np.float32), kept["r"].astype(np.float32)


#: Light of the sheet's paper, which lamps exceed: there is none in these dark rooms.
PAPER_LIGHT = 0.1


def patches_of(codes: np.ndarray, view: MirrorView) -> list[tuple[Patch, Looks | None]]:
    """The lamps seen both ways, and how each looks."""
    light, full = light_of(codes)
    item = LitPhoto(Path("part"), (view,), light, full, find_spots(light, PAPER_LIGHT), ())
    lamps = [[lamp for lamp in lamps_by_mirror(item)[0] if lamp.direct is not None]]
    patches = chosen_patches([item], lamps, 0)
    return [(patch, looks_of(patch.lamp, view, light, full, item.spots)) for patch in patches]


def crescents_of(fit: GlassFit, view: MirrorView) -> list[Crescent]:
    """What each lamp could show."""
    return [
        crescent_of(
            lamp.patch,
            lamp.best if lamp.evidence > 0 else lamp.without,
            view.incidence_deg(lamp.patch.lamp.position_mm),
        )
        for lamp in fit.lamps
    ]


def answer_of(case: Case, codes: np.ndarray) -> dict:
    """Verdict and numbers for one photo."""
    view = view_of(case)
    patches = patches_of(codes, view)
    shifts = [
        np.linalg.norm(view.ghost_offsets(np.array(lamp.position_mm), case.mirror.thickness_mm or 2.0)[1])
        for lamp in case.lamps
    ]
    answer = {
        "scene": case.number, "variant": case.variant, "kind": case.kind, "thickness_mm": case.mirror.thickness_mm,
        "in_scene": len(case.lamps), "lamps": len(patches), "ghost_px": float(max(shifts)),
        "exposure": case.finish.exposure, "blur_px": case.finish.blur_px, "glare": case.finish.glare,
    }  # fmt: skip
    if not patches:
        return answer | {"verdict": "undetermined", "reason": "no lamp seen both ways"}
    fit = fit_glass([patch for patch, _ in patches])
    crescents = crescents_of(fit, view)
    judged = judge(fit, crescents, paired=True, lamps_too=lamps_show_it_too(fit, [look for _, look in patches]))
    best = max(crescent.free_px(2.0) for crescent in crescents)
    return answer | {"verdict": judged.verdict, "reason": judged.reason, "crescent_px": best} | _numbers(fit)


def _numbers(fit: GlassFit) -> dict:
    return {
        "thickness": fit.thickness_mm, "low": fit.low_mm, "high": fit.high_mm,
        "evidence": fit.evidence, "both": fit.both_sides, "against": fit.against, "limit": fit.limit_share,
        "factors": [lamp.factors for lamp in fit.lamps],
        "saturated": [bool(lamp.patch.full.any()) for lamp in fit.lamps],
    }  # fmt: skip


def run(folder: Path, scenes: Sequence[int]) -> None:
    """Trace, finish, fit and note every photo that is not noted yet."""
    folder.mkdir(parents=True, exist_ok=True)
    log = folder / "results.jsonl"
    noted = [json.loads(line) for line in log.read_text().splitlines()] if log.exists() else []
    done = {(answer["scene"], answer["variant"]) for answer in noted}
    for variant in range(FINISHES):
        for scene in scenes:
            if (scene, variant) in done:
                continue
            case = case_of(scene, variant)
            codes = photo_of(case, folder)
            started = time.process_time()
            answer = answer_of(case, codes)
            answer["seconds"] = time.process_time() - started
            with log.open("a") as out:
                out.write(json.dumps(answer) + "\n")
            print(scene, variant, case.kind, case.mirror.thickness_mm, _short(answer), flush=True)


def run_free(folder: Path, scenes: Sequence[int]) -> None:
    """Ghost pairs without the mirror's plane, on the first finish of each scene; FOLDER/free.jsonl."""
    with (folder / "free.jsonl").open("w") as out:
        for scene in scenes:
            case = case_of(scene)
            light, full = light_of(photo_of(case, folder))
            pairs = ghost_pairs(light, full, find_spots(light))
            thickness, view = case.mirror.thickness_mm, view_of(case)
            true = [view.ghost_offsets(np.array(lamp.position_mm), thickness or 2.0)[1] for lamp in case.lamps]
            lengths = [float(np.hypot(*offset)) for offset in true]
            answer = {
                "scene": scene, "kind": case.kind, "thickness_mm": thickness, "pairs": len(pairs),
                "length_px": float(np.median([pair.length_px for pair in pairs])) if pairs else None,
                "true_px": float(np.median(lengths)), "ghost_px": max(lengths),
            }  # fmt: skip
            out.write(json.dumps(answer) + "\n")
            out.flush()
            print(answer, flush=True)


def _short(answer: dict) -> str:
    """One line on an answer."""
    keys = ("exposure", "blur_px", "ghost_px", "lamps", "thickness", "low", "high", "evidence", "seconds")
    return answer["verdict"] + "".join(f"  {key} {answer[key]:.2f}" for key in keys if key in answer)


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    numbers = [int(word) for word in words[1:]] or list(SCENES)
    if "--docs" in sys.argv:
        from tests.bench.ghosts_text import write_docs

        write_docs(Path(words[0]))
    elif "--free" in sys.argv:
        run_free(Path(words[0]), numbers)
    else:
        if "--again" in sys.argv:
            (Path(words[0]) / "results.jsonl").unlink(missing_ok=True)
        run(Path(words[0]), numbers)
