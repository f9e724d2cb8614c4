"""Rendered photos beside their truth: our check, with EXIF only and camera known, and the stock route."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from align.bundle.photo_set import sight_photos
from align.checking.job import check
from align.checking.result import CheckResult
from align.errors import AlignError
from align.optics.camera_model import prior_from_focal
from align.photo.camera_file import CameraFile
from align.photo.read import read_photo
from align.quantity import Quantity
from align.sighting.boards import Board
from align.target.sheets import SHEETS, Sheet, corners_target
from tests.bench.exact_view import Truth
from tests.bench.stock_route import detect_twice, stock_angles

Array = NDArray[np.float64]

WAYS = ("EXIF only", "camera known")
#: A known camera's sd: log focal, centre [px], k1, k2, p1, p2, k3; its mean is the truth itself.
KNOWN_SD = np.array([1e-4, 0.3, 0.3, 5e-4, 1e-3, 2e-5, 2e-5, 0.0])


@dataclass(frozen=True, eq=False)
class Measured:
    """One mirror's answer: error and half-width of the 95 % interval of lean, turn [deg], distance [mm]."""

    error: Array
    half_width: Array

    @property
    def covered(self) -> NDArray[np.bool_]:
        """(3,) whether each interval holds the truth."""
        return np.abs(self.error) <= self.half_width


@dataclass(frozen=True, eq=False)
class CornerErrors:
    """Corners of one board against their true places.

    found, possible : how many; rms_px : length of the error; claimed_px : the same by the corners' own
    covariances; mean_px : (2,) mean error.
    """

    found: int
    possible: int
    rms_px: float
    claimed_px: float
    mean_px: Array


@dataclass(frozen=True, eq=False)
class PhotoRecord:
    """One photo and, for each of its true mirrors, what was answered.

    truths : (lean, turn [deg], distance [mm], thickness [mm]) of each mirror
    answers : {way: one Measured or None for each mirror}; failures : {way: why there is none}
    stock : {way to take the normal: (2,) error of lean and turn [deg]}, {} where the stock route fails
    stock_corners : found directly and in the flip; direct, reflected : None where they could not be judged
    """

    name: str
    size: tuple[int, int]
    sheet: str
    truths: tuple[tuple[float, float, float, float], ...]
    answers: dict[str, list[Measured | None]]
    seconds: dict[str, float]
    direct: CornerErrors | None
    reflected: list[CornerErrors | None]
    stock: dict[str, Array]
    stock_corners: tuple[int, int]
    failures: dict[str, str] = field(default_factory=dict)

    @property
    def solved(self) -> bool:
        """Whether every mirror got an answer from the photo and its EXIF alone."""
        return all(answer is not None for answer in self.answers["EXIF only"])


def photos_with_truth(folders: Sequence[Path]) -> list[Path]:
    """Every NAME.jpg that has a NAME.truth.json beside it, by name."""
    found = {path for folder in folders for path in folder.glob("*.jpg")}
    return sorted((path for path in found if path.with_suffix(".truth.json").exists()), key=lambda p: p.name)


def asks_for_a_mirror(path: Path) -> bool:
    """Whether the photo shows a sheet before a mirror, so that `align check` has something to answer."""
    truth = _truth_of(path)
    return bool(truth.get("sheet")) and bool(truth.get("mirrors"))


def photo_truths(path: Path) -> tuple[tuple[float, float, float, float], ...]:
    """Lean, turn [deg], distance at the middle of the sheet and thickness [mm] of each mirror in a photo."""
    raw = _truth_of(path)
    scenes = [_scene(raw, mirror) for mirror in raw.get("mirrors", [])]
    return tuple(
        (math.degrees(s.lean_rad), math.degrees(s.turn_rad), s.distance_mm, s.thickness_mm) for s in scenes
    )


def run_photo(path: Path, *, ways: Sequence[str] = WAYS, with_stock: bool = True) -> PhotoRecord:
    """Solve one photo in every way and compare with its truth."""
    raw = _truth_of(path)
    sheet = SHEETS[raw["sheet"]]
    photo = read_photo(path)
    scenes = [_scene(raw, mirror) for mirror in raw["mirrors"]]
    truths = photo_truths(path)
    answers: dict[str, list[Measured | None]] = {}
    seconds, failures = {}, {}
    for way in ways:
        start = time.perf_counter()
        try:
            result = check(path, camera=_known_camera(raw) if way == "camera known" else None, exact_print=True)
            answers[way] = _matched(result, truths)
        except AlignError as error:
            answers[way], failures[way] = [None] * len(truths), f"{error.name}: {error.message}"
        seconds[way] = time.perf_counter() - start
    direct, reflected = _corner_errors(path, raw, sheet, scenes)
    stock, stock_corners = _stock(path, sheet, truths, photo.equivalent_mm) if with_stock else ({}, (0, 0))
    return PhotoRecord(
        path.stem,
        photo.size,
        sheet.name,
        truths,
        answers,
        seconds,
        direct,
        reflected,
        stock,
        stock_corners,
        failures,
    )


def _truth_of(path: Path) -> dict[str, Any]:
    return json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))


def _upright(raw: dict[str, Any]) -> dict[str, Any]:
    """The camera of the photo as displayed."""
    return raw["camera"].get("upright", raw["camera"])


def _scene(raw: dict[str, Any], mirror: dict[str, Any]) -> Truth:
    """One mirror before the photo's camera, its distance taken at the middle of the sheet."""
    camera = _upright(raw)
    nx, ny, _ = mirror["normal"]
    return Truth(
        focal_px=camera["fx_px"],
        centre_px=np.array([camera["cx_px"], camera["cy_px"]]),
        distortion=np.array(raw["camera"]["distortion"], float),
        rotation=np.array(camera["cam_from_target_R"]),
        translation=np.array(camera["cam_from_target_t_mm"]),
        lean_rad=math.radians(mirror["lean_deg"]),
        turn_rad=math.radians(mirror["turn_deg"]),
        distance_mm=mirror["distance_mm"] + mirror.get("x_mm", 0.0) * nx / ny,
        thickness_mm=mirror["thickness_mm"],
        index=mirror.get("index", 1.52),
    )


def _known_camera(raw: dict[str, Any]) -> CameraFile:
    """A camera file that says the truth and hardly uncertainties it."""
    camera = _upright(raw)
    mean = np.array([math.log(camera["fx_px"]), camera["cx_px"], camera["cy_px"], *raw["camera"]["distortion"]])
    size = (int(camera["size_px"][0]), int(camera["size_px"][1]))
    return CameraFile(mean, KNOWN_SD, size, "", None, "", 0.0, 0)


def _matched(result: CheckResult, truths: Sequence[tuple[float, ...]]) -> list[Measured | None]:
    """For each true mirror the nearest answer by lean and turn; each answer serves once."""
    left = list(result.mirrors)
    matched: list[Measured | None] = []
    for truth in truths:
        if not left:
            matched.append(None)
            continue
        nearest = min(left, key=lambda m: math.hypot(m.lean_deg.value - truth[0], m.turn_deg.value - truth[1]))
        left.remove(nearest)
        parts: list[Quantity] = [nearest.lean_deg, nearest.turn_deg, nearest.distance_mm]
        error = np.array([part.value - true for part, true in zip(parts, truth, strict=False)])
        matched.append(Measured(error, np.array([part.half_width for part in parts])))
    return matched


def _corner_errors(
    path: Path, raw: dict[str, Any], sheet: Sheet, scenes: Sequence[Truth]
) -> tuple[CornerErrors | None, list[CornerErrors | None]]:
    """Corner errors of the target and, for each true mirror, of its reflection."""
    nothing: list[CornerErrors | None] = [None] * len(scenes)
    try:
        sighted = sight_photos([path], None)[0]
    except AlignError:
        return None, nothing
    if list(sighted.size) != list(_upright(raw)["size_px"]):
        return None, nothing  # a resized or cropped photo: the truth's camera is not this picture's
    corners = corners_target(sheet)
    corners[:, 2] += raw.get("sheet_bow_mm", 0.0) * (1 - (2 * corners[:, 0] / sheet.width_mm) ** 2)
    direct = _compared(sighted.sighting.target, scenes[0].direct_px(corners), sighted.size)
    reflected = []
    for scene in scenes:
        places = scene.reflected_px(corners)
        boards = [_compared(board, places, sighted.size) for board in sighted.sighting.reflections]
        near = [board for board in boards if board.rms_px < 20]
        reflected.append(min(near, key=lambda board: board.rms_px) if near else None)
    return direct, reflected


def _compared(board: Board, places: Array, size: tuple[int, int]) -> CornerErrors:
    off = board.pixels - places[board.corner_ids]
    inside = ((places > 0) & (places < np.array(size) - 1)).all(axis=1)
    claimed = np.trace(board.covariance, axis1=1, axis2=2).mean()
    rms = float(np.sqrt((off**2).sum(axis=1).mean()))
    return CornerErrors(len(off), int(inside.sum()), rms, float(np.sqrt(claimed)), off.mean(axis=0))


def _stock(
    path: Path, sheet: Sheet, truths: Sequence[tuple[float, ...]], equivalent_mm: float | None
) -> tuple[dict[str, Array], tuple[int, int]]:
    """The stock route's errors; before several mirrors, against the one that it comes nearest to."""
    direct, flipped, size = detect_twice(str(path), sheet)
    focal_px = math.exp(prior_from_focal(size, equivalent_mm).mean[0])
    angles = stock_angles(sheet, direct, flipped, size, focal_px)
    errors = {}
    for way, found in (angles or {}).items():
        off = [np.array(found) - np.array(truth[:2]) for truth in truths]
        errors[way] = min(off, key=lambda error: float(np.hypot(*error)))
    return errors, (len(direct), len(flipped))
