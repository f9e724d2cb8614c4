"""Drawn photos of bent, curled and skewed things through `align check` and the stock route, case by case."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np

from align.bundle.photo_set import Sighted
from align.checking.job import check_sighted, sight_for
from align.checking.result import CheckResult
from align.checking.settings import CheckSettings
from align.cli.answers import EXIT_CODES
from align.errors import AlignError
from align.optics.camera_model import prior_from_focal
from align.photo.read import read_photo
from align.solve.solution import Solution
from align.target.sheets import SHEETS
from tests.bench.stock_route import detect_twice, stock_angles
from tests.rendering.analytic.scene import BentMirror
from tests.rendering.analytic.shapes import Bend, Face
from tests.rendering.analytic.truth import part_shape

Way = Literal["exact print", "nothing stated"]
#: Exit codes without an answer, as on the command line.
CANNOT_ANSWER = 1
STOCK_FILE = "stock.json"
#: What the file of a case's answers from all its photos together is called by, after the case.
TOGETHER = "_together"


@dataclass(frozen=True)
class Interval:
    """A measured number with its 95 % interval, and what was true."""

    value: float
    low: float
    high: float
    true: float

    @property
    def error(self) -> float:
        """Measured less true."""
        return self.value - self.true

    @property
    def holds(self) -> bool:
        """Whether the truth lies within."""
        return self.low <= self.true <= self.high


@dataclass(frozen=True)
class Answer:
    """One solve of one case.

    first : the (first) photo; lean, turn [deg] : of the mean plane of the part of the mirror that the corners show;
    whole_lean_deg, whole_turn_deg : true ones of its whole face; sagittae [mm] : where the answer has them;
    failure : why there is no answer, or "".
    """

    case: str
    first: str
    group: str
    photos: int
    way: Way
    exit_code: int
    share_of_width: float
    sagitta_true_mm: tuple[float, float]
    whole_lean_deg: float
    whole_turn_deg: float
    thickness_true_mm: float
    lean: Interval | None = None
    turn: Interval | None = None
    sagitta_across: Interval | None = None
    sagitta_upright: Interval | None = None
    glass_verdict: str = ""
    flatness: dict[str, Any] | None = None
    sheet: dict[str, Any] | None = None
    warnings: tuple[str, ...] = ()
    stock_error_deg: tuple[float, float] | None = None
    seconds: float = 0.0
    failure: str = ""

    @property
    def falsely_true(self) -> bool:
        """Whether exit code 0 was given to a mirror that is off by more than twice the tolerance of 0.1 degrees."""
        if self.exit_code != 0 or self.lean is None or self.turn is None:
            return False
        return max(abs(self.lean.true), abs(self.turn.true)) > 0.2


@dataclass(frozen=True)
class Photos:
    """The photos of one case that are solved together, and what was true in each."""

    paths: tuple[Path, ...]
    truths: tuple[dict[str, Any], ...] = field(repr=False)

    @property
    def exact(self) -> bool:
        """Whether the print is."""
        return bool(self.truths[0]["exact_print"])

    @property
    def mirror(self) -> BentMirror:
        """The mirror, made again from its truth."""
        m = self.truths[0]["mirrors"][0]
        bends = tuple(Bend(**bend) for bend in m["bends"])
        face = Face(m["width_mm"], m["height_mm"], m["foot_mm"], bends)
        return BentMirror(m["distance_mm"], m["lean_deg"], m["turn_deg"], face, m["thickness_mm"], m["index"])

    @property
    def part(self) -> dict[str, float]:
        """Shape of the rectangle of the face that all corners of all photos are reflected in, and its share."""
        on_face = np.concatenate([truth["corners"]["on_face_mm"] for truth in self.truths])
        low, high = on_face.min(axis=0), on_face.max(axis=0)
        return part_shape(self.mirror, low, high) | {
            "share_of_width": float((high - low)[0]) / self.mirror.face.width_mm
        }


def cases_in(folder: Path) -> Iterator[list[Photos]]:
    """Of each case every photo alone and, where there are three, all together; the groups in turn."""
    names: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("*_*.jpg")):
        if path.with_suffix(".truth.json").exists():
            names.setdefault(path.stem.rsplit("_", 1)[0], []).append(path)
    for name in sorted(names, key=lambda name: (name[-3:], name)):
        paths = names[name]
        truths = tuple(json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8")) for path in paths)
        alone = [Photos((path,), (truth,)) for path, truth in zip(paths, truths, strict=True)]
        yield [*alone, Photos(tuple(paths), truths)] if len(paths) > 1 else alone


def case_answers(case: Sequence[Photos]) -> list[Answer]:
    """All answers of one case; the corners of each photo are looked for once.

    An exact print is stated to be one, and answered with nothing stated as well.
    """
    answers = []
    sighted: dict[Path, Sighted | AlignError] = {}
    for photos in case:
        for path in photos.paths:
            if path not in sighted:
                try:
                    sighted[path] = sight_for([path], CheckSettings())[0]
                except AlignError as error:
                    sighted[path] = error
        seen = [sighted[path] for path in photos.paths]
        ways: tuple[Way, ...] = ("exact print", "nothing stated") if photos.exact else ("nothing stated",)
        answers += [answered(photos, seen, way) for way in ways]
    return answers


def answered(photos: Photos, sighted: Sequence[Sighted | AlignError], way: Way) -> Answer:
    """One solve, compared with its truth and the stock route."""
    truth, part = photos.truths[0], photos.part
    mirror = truth["mirrors"][0]
    known: dict[str, Any] = {
        "case": truth["case"],
        "first": photos.paths[0].stem,
        "group": truth["group"],
        "photos": len(photos.paths),
        "way": way,
        "share_of_width": part["share_of_width"],
        "sagitta_true_mm": (part["sagitta_across_mm"], part["sagitta_upright_mm"]),
        "whole_lean_deg": mirror["lean_deg"],
        "whole_turn_deg": mirror["turn_deg"],
        "thickness_true_mm": mirror["thickness_mm"],
        "stock_error_deg": _stock(photos, part),
    }
    started = time.process_time()
    try:
        seen = []
        for item in sighted:
            if isinstance(item, AlignError):
                raise item
            seen.append(item)
        result, adjustment = check_sighted(seen, CheckSettings(exact_print=way == "exact print"))
    except AlignError as error:
        return Answer(exit_code=CANNOT_ANSWER, failure=f"{error.name}: {error.message}", **known)
    seconds = time.process_time() - started
    return Answer(seconds=seconds, **known, **_compared(result, adjustment.solution, part))


def with_stock(folder: Path) -> None:
    """What the stock route finds in each photo, kept in FOLDER/stock.json: it is the same for every `align`."""
    path = folder / STOCK_FILE
    known = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    for photo in sorted(folder.glob("*_*.jpg")):
        truth = photo.with_suffix(".truth.json")
        if photo.name not in known and truth.exists():
            known[photo.name] = _stock_angles(photo, json.loads(truth.read_text(encoding="utf-8"))["sheet"])
            path.write_text(json.dumps(known), encoding="utf-8")


def _compared(result: CheckResult, solution: Solution, part: dict[str, float]) -> dict[str, Any]:
    """The answer's fields, each interval beside its truth; sagittae from the solution itself."""
    raw = result.to_json()
    mirror = raw["mirrors"][0]

    def interval(part_of: dict[str, Any], key: str, true: float) -> Interval | None:
        quantity = part_of.get(key)
        return quantity and Interval(quantity["value"], quantity["low"], quantity["high"], true)

    return {
        "exit_code": EXIT_CODES[result.verdict],
        "lean": interval(mirror, "lean_deg", part["lean_deg"]),
        "turn": interval(mirror, "turn_deg", part["turn_deg"]),
        "sagitta_across": _sagitta(solution, "bend_across_mm", part["sagitta_across_mm"]),
        "sagitta_upright": _sagitta(solution, "bend_upright_mm", part["sagitta_upright_mm"]),
        "glass_verdict": mirror["glass"]["verdict"],
        "flatness": mirror.get("flatness"),
        "sheet": raw.get("sheet_shape"),
        "warnings": tuple(raw["warnings"]),
    }


def _sagitta(solution: Solution, name: str, true: float) -> Interval | None:
    """A sagitta of the first mirror's part that was seen [mm], where the solve allowed for one."""
    entries = solution.entries(name)
    if not entries:
        return None
    value = float(solution.state.vector[entries[0]])
    half = solution.quantile * math.sqrt(float(solution.covariance[entries[0], entries[0]]))
    return Interval(value, value - half, value + half, true)


def _stock_angles(path: Path, sheet_name: str) -> tuple[float, float] | None:
    """Lean and turn [deg] of the stock route, by rotation."""
    sheet = SHEETS[sheet_name]
    direct, flipped, size = detect_twice(str(path), sheet)
    focal_px = math.exp(prior_from_focal(size, read_photo(path).equivalent_mm).mean[0])
    angles = stock_angles(sheet, direct, flipped, size, focal_px)
    return None if angles is None else angles["rotation"]


def _stock(photos: Photos, part: dict[str, float]) -> tuple[float, float] | None:
    """Error of the stock route's lean and turn [deg], the mean of the photos; None where one fails."""
    known = json.loads((photos.paths[0].parent / STOCK_FILE).read_text(encoding="utf-8"))
    found = [known.get(path.name) for path in photos.paths]
    if any(angles is None for angles in found):
        return None
    lean, turn = np.mean(found, axis=0)
    return float(lean - part["lean_deg"]), float(turn - part["turn_deg"])


def write_answers(answers: Sequence[Answer], path: Path) -> None:
    """One JSON object a line; the file is there when it is whole."""
    unfinished = path.with_suffix(".part")
    unfinished.write_text("".join(json.dumps(asdict(answer)) + "\n" for answer in answers), encoding="utf-8")
    unfinished.replace(path)


def read_answers(folder: Path) -> list[Answer]:
    """All answers that `write_answers` put into the files of a folder, the groups in turn."""
    paths = sorted(folder.glob("*.jsonl"), key=lambda path: (path.stem.removesuffix(TOGETHER)[-3:], path.stem))
    lines = [line for path in paths for line in path.read_text(encoding="utf-8").splitlines()]
    answers = []
    for line in lines:
        raw = json.loads(line)
        for key in ("lean", "turn", "sagitta_across", "sagitta_upright"):
            raw[key] = raw[key] and Interval(**raw[key])
        for key in ("sagitta_true_mm", "warnings", "stock_error_deg"):
            raw[key] = raw[key] if raw[key] is None else tuple(raw[key])
        answers.append(Answer(**raw))
    return answers
