"""Answers read back from the JSON that they were written as, checked at the door."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, get_args

from ..bundle.glass import GlassSummary
from ..errors import FileFormatError
from ..quantity import quantity_from_json
from .flatness_stored import flatness_from_json
from .result import (
    CameraSource,
    CameraSummary,
    CheckResult,
    CurlSummary,
    Grade,
    InterReflectionSummary,
    MirrorAngle,
    MirrorResult,
    PhotoSummary,
    Quality,
    Remainder,
    Shim,
    ShimMount,
    ShimSet,
    Verdict,
)
from .settings import CheckSettings
from .shims import WALL_CORNERS, shim_of, with_corner_stacks
from .stacks import Stock

_REMEDY = "Run the check again with --into; an entry is never mended by hand."


@dataclass(frozen=True)
class StoredGhost:
    """One ghost of a lamp: which, and how bright against the main image (None: not measured)."""

    order: int
    ratio: float | None


@dataclass(frozen=True)
class StoredGlass:
    """What `align glass` found: the glass, why, and the ghosts of each lamp it went by."""

    glass: GlassSummary
    reason: str
    lamps: tuple[tuple[StoredGhost, ...], ...]
    warnings: tuple[str, ...]
    photos: tuple[str, ...]


def check_from_json(raw: Mapping[str, Any], where: str) -> CheckResult:
    """The answer of a check from its "align-check-1" object, but for what only its pictures needed.

    Raises
    ------
    FileFormatError : something is missing or is not what it should be; the message names `where`.
    """
    _expect_format(raw, "align-check-1", where)
    try:
        return CheckResult(
            photos=tuple(_photo(item) for item in raw["photos"]),
            camera=CameraSummary(
                _one_of(CameraSource, raw["camera"]["source"]), quantity_from_json(raw["camera"]["focal_px"])
            ),
            mirrors=tuple(_mirror(item, n, raw["want_turn_deg"]) for n, item in enumerate(raw["mirrors"], 1)),
            curls=tuple(_curl(item) for item in raw.get("sheet_shape", {}).get("curls", ())),
            angles=tuple(
                MirrorAngle(int(a["mirrors"][0]), int(a["mirrors"][1]), quantity_from_json(a["angle_deg"]))
                for a in raw.get("angles", ())
            ),
            sheet=str(raw["sheet"]),
            tolerance_deg=float(raw["tolerance_deg"]),
            warnings=tuple(str(words) for words in raw["warnings"]),
            advice=tuple(str(words) for words in raw.get("advice", ())),
            touching=tuple(int(number) for number in raw.get("touching_mirrors", ())),
            quality=_quality(raw.get("quality")),
            rule_mm=None if raw.get("rule_mm") is None else float(raw["rule_mm"]),
            settings=CheckSettings.from_json(raw["settings"], where) if "settings" in raw else CheckSettings(),
        )
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError) as error:
        raise FileFormatError(f"{where}: the answer is damaged: {error!r}.", _REMEDY) from None


def glass_from_json(raw: Mapping[str, Any], where: str) -> StoredGlass:
    """The answer of `align glass` from its "align-glass-1" object; raises as `check_from_json`."""
    _expect_format(raw, "align-glass-1", where)
    try:
        return StoredGlass(
            glass=_glass(raw["glass"]),
            reason=str(raw["reason"]),
            lamps=tuple(
                tuple(StoredGhost(int(g["order"]), _number_or_none(_ratio(g))) for g in lamp.get("ghosts", ()))
                for lamp in raw["lamps"]
            ),
            warnings=tuple(str(words) for words in raw.get("warnings", ())),
            photos=tuple(str(photo["file"]) for photo in raw.get("photos", ())),
        )
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError) as error:
        raise FileFormatError(f"{where}: the answer is damaged: {error!r}.", _REMEDY) from None


def shims_from_json(raw: Mapping[str, Any], turn_by: str = "", stacks: Mapping[str, Any] | None = None) -> ShimSet:
    """The packing from {place: quantity}: the places tell how the mirror is held.

    stacks : {place: sheets}; None in entries that do not say it: they are worked out from the common ones.
    """
    thickness = {str(place): quantity_from_json(item) for place, item in raw.items()}
    places = set(thickness)
    mount: ShimMount = "per 100 mm"
    if places <= {"front", "rear"}:
        mount = "foot"
    elif places <= set(WALL_CORNERS):
        mount = "wall"
    if stacks is not None:
        known = {str(place): tuple(float(sheet) for sheet in sheets) for place, sheets in stacks.items()}
        shims = [Shim(place, size, known.get(place, ())) for place, size in thickness.items()]
    elif places == set(WALL_CORNERS):
        shims = list(with_corner_stacks(thickness, Stock()))
    elif mount == "foot":
        shims = [shim_of(place, size, Stock()) for place, size in thickness.items()]
    else:
        shims = [Shim(place, size) for place, size in thickness.items()]
    return ShimSet(mount, tuple(shims), turn_by)


def _packing(raw: Mapping[str, Any]) -> ShimSet:
    """A mirror's packing with what it leaves."""
    shims = shims_from_json(raw["shims_mm"], str(raw.get("turn_by", "")), raw.get("stacks_mm"))
    left = raw.get("remaining")
    remaining = None
    if left is not None:
        turn = left["turn_deg"]
        remaining = Remainder(
            quantity_from_json(left["lean_deg"]), None if turn is None else quantity_from_json(turn)
        )
    return replace(shims, asks_turn=raw.get("asks_turn") is True, remaining=remaining)


def _one_of(kinds: Any, found: Any) -> Any:
    """A word that must be one of a `Literal`'s; ValueError otherwise."""
    if found not in get_args(kinds):
        raise ValueError(f"expected one of {', '.join(get_args(kinds))}, found {found!r}")
    return found


def _expect_format(raw: Mapping[str, Any], expected: str, where: str) -> None:
    if raw.get("format") != expected:
        raise FileFormatError(
            f"{where}: expected format {expected!r}, found {raw.get('format')!r}.",
            "Read it with the version of align that wrote it.",
        )


def _quality(raw: Mapping[str, Any] | None) -> Quality | None:
    if raw is None:  # written before there was one
        return None
    widest, share = (float(raw[name]) for name in ("widest_half_deg", "tolerance_share"))
    cause, words, remedy, photo = (str(raw[name]) for name in ("cause", "words", "try", "photo"))
    return Quality(_one_of(Grade, raw["grade"]), widest, share, cause, words, remedy, photo)


def _photo(raw: Mapping[str, Any]) -> PhotoSummary:
    return PhotoSummary(
        str(raw["file"]),
        (int(raw["size"][0]), int(raw["size"][1])),
        int(raw["direct_corners"]),
        int(raw["reflected_corners"]),
        float(raw["rms_px"]),
        tuple(_inter_reflection(item) for item in raw.get("repeats", ())),
    )


def _inter_reflection(raw: Mapping[str, Any]) -> InterReflectionSummary:
    x, y = (float(value) for value in raw["centre_px"])
    mirrors = tuple(int(number) for number in raw["mirrors"])
    return InterReflectionSummary(str(raw["kind"]), mirrors, int(raw["corners"]), (x, y))


def _mirror(raw: Mapping[str, Any], number: int, want_turn_deg: Any) -> MirrorResult:
    """A mirror; `want_turn_deg` is what was wanted of all, in entries that do not say it of each."""
    return MirrorResult(
        number=number,
        lean_deg=quantity_from_json(raw["lean_deg"]),
        turn_deg=quantity_from_json(raw["turn_deg"]),
        distance_mm=None if raw["distance_mm"] is None else quantity_from_json(raw["distance_mm"]),
        glass=_glass(raw["glass"]),
        shims=_packing(raw),
        verdict=_one_of(Verdict, raw["verdict"]),
        climb_mm_per_100=quantity_from_json(raw["climb_mm_per_100"]),
        bend_mm_per_100=quantity_from_json(raw["bend_mm_per_100"]),
        want_turn_deg=float(raw.get("want_turn_deg", want_turn_deg)),
        offset_mm=None if raw.get("offset_mm") is None else quantity_from_json(raw["offset_mm"]),
        flatness=None if raw.get("flatness") is None else flatness_from_json(raw["flatness"]),
    )


def _curl(raw: Mapping[str, Any]) -> CurlSummary:
    return CurlSummary(str(raw["place"]), quantity_from_json(raw["lift_mm"]))


def _glass(raw: Mapping[str, Any]) -> GlassSummary:
    verdict = str(raw["verdict"])
    if verdict not in ("front-coated", "back-silvered", "undetermined"):
        raise ValueError(f"unknown glass verdict {verdict!r}")
    thickness = raw["thickness_mm"]
    return GlassSummary(
        verdict, None if thickness is None else quantity_from_json(thickness), str(raw.get("source", "measured"))
    )


def _ratio(ghost: Mapping[str, Any]) -> Any:
    """A ghost's brightness ratio: the one entry of it that is named so."""
    return next((ghost[key] for key in ("brightness_ratio", "ratio", "brightness") if key in ghost), None)


def _number_or_none(value: Any) -> float | None:
    if isinstance(value, Mapping):
        value = value.get("value")
    return None if value is None else float(value)
