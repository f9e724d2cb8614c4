"""The figures of tests/bench/ghosts.py and blur.py as the section "How well it does" of docs/glass.md."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from tests.bench.ghosts_summary import BARE, GLASS, UNSURE, brightness, count, of_glass, thickness_errors, wrong

PAGE = Path(__file__).resolve().parents[2] / "docs" / "glass.md"
BEGIN, END = "<!-- figures: tests/bench/ghosts.py --docs -->", "<!-- end of figures -->"
PLAIN_PX = 3.0


def write_docs(folder: Path) -> None:
    """Put the figures of the results in `folder` between the page's two marks."""
    answers = read_answers(folder / "results.jsonl")
    parts = [_set(answers), _verdicts(answers), _reach(answers), brightness_words(answers)]
    parts += [_whole(read_answers(folder / "whole.jsonl"))]
    parts += [_causes(read_answers(folder / "blur.jsonl")), _free(read_answers(folder / "free.jsonl"))]
    text = PAGE.read_text()
    before, rest = text.split(BEGIN)
    after = rest.split(END)[1]
    PAGE.write_text(before + BEGIN + "\n\n" + "\n\n".join(parts) + "\n\n" + END + after)


def read_answers(path: Path) -> list[dict]:
    """One answer a line."""
    return [json.loads(line) for line in path.read_text().splitlines()]


def glass_name(thickness_mm: float) -> str:
    """As the pages' tables call it."""
    return f"{thickness_mm:g} mm" if thickness_mm else BARE


def _set(answers: list[dict]) -> str:
    scenes = [answer["scene"] for answer in answers]
    finishes = sorted({scenes.count(scene) for scene in scenes})
    exposures, blurs = ([answer[key] for answer in answers] for key in ("exposure", "blur_px"))
    return (
        f"`tests/bench/ghosts.py`: {len(answers)} photos from {len(set(scenes))} scenes traced by Mitsuba, "
        f"{' or '.join(map(str, finishes))} finishes of each, small parts of a 12-megapixel photo taken 330 to "
        f"620 mm from the lamps; lamps 1 to 3 mm across, one to six of them; exposure {min(exposures):.1f} to "
        f"{max(exposures):.0f} "
        f"times full scale, blur {min(blurs):.1f} "
        f"to {max(blurs):.1f} px (sd), glare up to 6 %. The sheet does not fit into so small a photo: the mirror's "
        "plane and the camera are given with errors such as a solve of the sheet has (0.02° of lean and turn, 0.15 "
        "mm of distance, 0.4 % of focal length, sd)."
    )


def _verdicts(answers: list[dict]) -> str:
    lines = ["| glass | photos | front-coated | back-silvered | undetermined | largest error of thickness |"]
    lines.append("|---|---|---|---|---|---|")
    for glass, here in of_glass(answers).items():
        counts = [count(here, verdict) for verdict in (BARE, GLASS, UNSURE)]
        errors = thickness_errors(here).error
        worst = f"{abs(errors).max():.2f} mm" if len(errors) else "–"
        lines.append(f"| {glass_name(glass)} | {len(here)} | {counts[0]} | {counts[1]} | {counts[2]} | {worst} |")
    return "\n".join(lines)


def _reach(answers: list[dict]) -> str:
    plain = [a for a in answers if a["ghost_px"] >= PLAIN_PX]
    unsure = [a for a in plain if a["verdict"] == "undetermined"]
    kinds = ", ".join(
        f"{sum(a['kind'] == kind for a in unsure)} of {sum(a['kind'] == kind for a in plain)} {words}"
        for kind, words in (
            ("plain", "without distractors"), ("pairs", "with two lamps 3 mm apart"),
            ("window", "with a bright window"), ("ball", "with a glossy ball"),
        )
    )  # fmt: skip
    told = thickness_errors(answers)
    held, photos = int(told.holds.sum()), len(told.error)
    limits = [100 * a["limit"] for a in answers if a["verdict"] == "front-coated" and a.get("limit")]
    return "\n".join(
        [
            f"- Wrong verdicts: {wrong(answers) or 'none'}.",
            f"- Undetermined, of the {len(plain)} photos whose ghosts are {PLAIN_PX:g} px or more from the main "
            f"image (front-coated: would be, on 2 mm glass): {len(unsure)}, "
            f"{100 * len(unsure) / len(plain):.0f} %; {kinds}.",
            f"- Thickness within 0.3 mm: {told.within(0.3)} of {photos}; rms error {told.rms_mm:.3f} mm. Inside "
            f"the 95 % interval: {held} of {photos}, {100 * held / photos:.0f} %{_coverage_words(held / photos)}.",
            f"- Of a front-coated mirror, a ghost of {min(limits):.2f} to {max(limits):.1f} % (median "
            f"{np.median(limits):.2f} %) of the main image would have been seen; 2 mm glass has 4 to 6 %.",
            f"- Time of a fit: {np.median([a['seconds'] for a in answers]):.1f} s of processor time (median), "
            f"{max(a['seconds'] for a in answers):.1f} s at most.",
        ]
    )


def _coverage_words(share: float) -> str:
    if share > 0.97:
        return ": the intervals are too wide (the reach is 93 to 97 %)"
    return ": the intervals are too narrow (the reach is 93 to 97 %)" if share < 0.93 else ""


def brightness_words(answers: list[dict]) -> str:
    """Brightness of ghosts over Fresnel's, from lamps that are nowhere saturated."""
    found = brightness(answers)
    if found is None:
        return "- No lamp of the set is unsaturated: brightness is not compared with Fresnel's."
    return (
        f"- Brightness of the ghosts over Fresnel's, {found.ghosts} ghosts of lamps that are nowhere saturated: "
        f"mean of front ghost {found.front:.3f}, first extra trip {found.later:.3f}; "
        f"{100 * found.within_tenth:.0f} % of them within 10 %, rms deviation {100 * found.spread:.0f} % "
        f"(their own uncertainty says {100 * found.own_sd:.0f} %, median)."
    )


def _whole(answers: list[dict]) -> str:
    """Whole photos by tests/bench/ghosts_whole.py."""
    lines = [
        "Whole photos, sheet and all, from file to answer, by `tests/bench/ghosts_whole.py` (2016 x 1512 px, 400 "
        "to 470 mm away, three lamps; two exposures, each alone and both together):",
        "",
        "| mirror | photo | answer |",
        "|---|---|---|",
    ]
    for answer in answers:
        glass = answer["glass"]
        words = glass["verdict"]
        if glass["verdict"] == "back-silvered" and glass["thickness_mm"]:
            words += " {value:.2f} mm ({low:.2f} to {high:.2f})".format(**glass["thickness_mm"])
        if answer["limit_ratio"]:
            words += f"; a ghost of {100 * answer['limit_ratio']:.1f} % would have been seen"
        exposures = [Path(photo["file"]).stem.split("_")[2] for photo in answer["photos"]]
        name = f"{answer['true_mm']:g} mm" if answer["true_mm"] else "front-coated"
        lines.append(f"| {name} | paper at {' and '.join(exposures)} of full light | {words} |")
    return "\n".join(lines)


def _causes(answers: list[dict]) -> str:
    causes = ("focus", "shake", "glare", "haze", "ghosts")
    lines = [
        f"Causes of blur, `tests/bench/blur.py`: {len(answers)} photos, one cause each beside the glass's own "
        f"ghosts; "
        "how many of them were called what (a photo may have several names):",
        "",
        "| made with | glass | photos | " + " | ".join(causes) + " | none of them |",
        "|---|---|---|" + "---|" * (len(causes) + 1),
    ]
    for made in ("nothing", *causes[:4]):
        for glass in sorted({answer["thickness_mm"] for answer in answers}):
            here = [a for a in answers if (a["cause"], a["thickness_mm"]) == (made, glass)]
            here = [a for a in here if a["named"] is not None]
            counts = [str(sum(cause in a["named"] for a in here)) for cause in causes]
            none = sum(not a["named"] for a in here)
            lines.append(f"| {made} | {glass_name(glass)} | {len(here)} | " + " | ".join(counts) + f" | {none} |")
    lost = sum(a["named"] is None for a in answers)
    return "\n".join(lines) + f"\n\nIn {lost} more no lamp was seen both ways."


def _free(answers: list[dict]) -> str:
    glass = [a for a in answers if a["thickness_mm"] and a["ghost_px"] >= PLAIN_PX]
    bare = [a for a in answers if not a["thickness_mm"]]
    seen = [a for a in glass if a["pairs"]]
    errors = [a["length_px"] / a["true_px"] - 1 for a in seen]
    within = sum(abs(error) < 0.1 for error in errors)
    return (
        f"Without the sheet, on the first finish of {len(answers)} scenes: of {len(glass)} photos with glass "
        f"whose ghosts are "
        f"{PLAIN_PX:g} px or more from the main image, {len(seen)} show ghost pairs, {within} of them with the "
        f"right "
        f"distance to 10 %; of {len(bare)} photos of front-coated mirrors, "
        f"{sum(bool(a['pairs']) for a in bare) or 'none'} seem to. A front-coated mirror can not be told this way."
    )
