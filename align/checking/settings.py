"""What the user states about a mirror and a sheet: one checked object, which every way in makes.

The command line, `align.check`, a record's form and a page all make a `CheckSettings`; none checks again.
"""

from __future__ import annotations

import math
import operator
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from numbers import Real
from pathlib import Path
from typing import Any, Literal, get_args

from ..errors import FileFormatError
from ..photo.camera_file import CameraFile, camera_file_from_json
from ..sighting.known_length import THINGS
from ..target.sheets import Sheet, plain_board

FORMAT = "align-settings-1"

#: Width and height of a mirror [mm].
Size = tuple[float, float]
MountKind = Literal["wall", "foot"]
Units = Literal["mm", "in"]

#: The rules on the sheets are this long when printed to scale [mm].
RULE_MM = 100.0
#: Lean and turn within this of what is wanted count as true [deg]; docs/theory.md says why.
DEFAULT_TOLERANCE_DEG = 0.1

#: What can be meant, from lowest to highest: beyond lies a slip of the pen or of the unit; choices.
SIDE_MM = (5.0, 5000.0)
GLASS_MM = (0.0, 25.0)
TURN_DEG = (-180.0, 180.0)
TOLERANCE_DEG = (0.001, 45.0)
RULE_RANGE_MM = (20.0, 500.0)
SQUARE_MM = (0.5, 1000.0)
FOOT_DEPTH_MM = (1.0, 2000.0)
STOCK_MM = (0.01, 50.0)
BOARD_CORNERS = (3, 100)
MOST_MIRRORS = 20
MOST_SIZES_OF_STOCK = 20
LONGEST_NAME = 100


@dataclass(frozen=True)
class Mount:
    """How the mirror is held: against a wall, or on a foot of `foot_depth_mm` from front to rear.

    Raises
    ------
    ValueError
        Another kind, a foot without its depth, or a depth without a foot.
    """

    kind: MountKind = "wall"
    foot_depth_mm: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in get_args(MountKind):
            raise ValueError(f"The mount: expected wall, or foot:DEPTH in mm as in foot:40, found {self.kind!r}.")
        if (self.kind == "foot") != (self.foot_depth_mm is not None):
            raise ValueError("A foot needs its depth from front to rear in mm, as in foot:40; a wall has none.")
        if self.foot_depth_mm is not None:
            depth = _number(self.foot_depth_mm, "The foot's depth", "mm", FOOT_DEPTH_MM)
            object.__setattr__(self, "foot_depth_mm", depth)


@dataclass(frozen=True, kw_only=True)
class CheckSettings:
    """All that the user states about a mirror and a sheet; what is not stated has its default.

    Parameters
    ----------
    camera : camera file, or its contents; None: the camera is solved from the photos
    mirror_size_mm : (width, height), of the mirror or of every one; of several that differ, one for each from the
        left, None for one whose size is not known
    mirror_name : which mirror of several in one record
    mount : how the mirror is held; None is taken for a wall
    want_turn_deg : the turn that is wanted: () where nobody said, which is square to the sheet; one for all
        mirrors, or one for each from the left; one number is taken for (number,)
    tolerance_deg : lean and turn within this of what is wanted count as true
    glass_mm : thickness of the glass, 0 for a front-coated mirror, None when not known
    rule_mm : measured length of the sheet's printed 100 mm rule, or (across, along) of both rules
    exact_print : the sheet is known to be printed exactly to scale
    beside : a thing of known size that lies beside the sheet, by its name in `sighting.known_length.THINGS`
    board, square_mm : inner corners (columns, rows) and square of a plain checkerboard of one's own
    turned_sheet : the sheet was turned between the photos
    touching : the sheet's contact edge touches the glass; touching_mirrors : of these mirrors, counted from 1
        at the left, which says `touching` too
    flatness : the mirror's flatness is asked for as well
    stock_mm : the sheets at hand to pack with, None for the common ones
    units : in which lengths are shown: "mm" or "in" (inches)

    Raises
    ------
    ValueError
        A value that cannot be meant, in words that fit the command line as well.
    """

    camera: Path | CameraFile | None = None
    mirror_size_mm: Size | tuple[Size | None, ...] | None = None
    mirror_name: str | None = None
    mount: Mount = Mount()
    want_turn_deg: tuple[float, ...] = ()
    tolerance_deg: float = DEFAULT_TOLERANCE_DEG
    glass_mm: float | None = None
    rule_mm: float | tuple[float, float] | None = None
    exact_print: bool = False
    beside: str | None = None
    board: tuple[int, int] | None = None
    square_mm: float | None = None
    turned_sheet: bool = False
    touching: bool = False
    touching_mirrors: tuple[int, ...] = ()
    flatness: bool = False
    stock_mm: tuple[float, ...] | None = None
    units: Units = "mm"

    def __post_init__(self) -> None:
        def put(name: str, value: object) -> None:
            object.__setattr__(self, name, value)

        put("camera", _camera(self.camera))
        put("mirror_size_mm", _sizes(self.mirror_size_mm))
        put("mirror_name", _name(self.mirror_name))
        put("mount", _mount(self.mount))
        turns = self.want_turn_deg if isinstance(self.want_turn_deg, Sequence) else (self.want_turn_deg,)
        put("want_turn_deg", tuple(_number(turn, "The wanted turn", "deg", TURN_DEG) for turn in turns))
        put("tolerance_deg", _number(self.tolerance_deg, "The tolerance", "deg", TOLERANCE_DEG))
        put("glass_mm", None if self.glass_mm is None else _number(self.glass_mm, "The glass", "mm", GLASS_MM))
        put("rule_mm", _rule(self.rule_mm))
        put("board", _board(self.board))
        if self.square_mm is not None:
            put("square_mm", _number(self.square_mm, "The board's square", "mm", SQUARE_MM))
        put("touching_mirrors", _mirrors(self.touching_mirrors))
        put("touching", bool(self.touching) or bool(self.touching_mirrors))
        put("stock_mm", _stock(self.stock_mm))
        if self.units not in get_args(Units):
            raise ValueError(f"The units: expected mm or in (inches), found {self.units!r}.")
        self._check_together()

    def _check_together(self) -> None:
        """Refuse what two statements together make wrong."""
        if (self.board is None) != (self.square_mm is None):
            raise ValueError("Board and square belong together: inner corners, and a square's side in mm.")
        if self.board is not None and self.rule_mm is not None:
            raise ValueError("The rule is for our printed sheets; of a board of your own give the measured square.")
        if self.beside is not None and self.beside not in THINGS:
            raise ValueError(f"Beside the sheet: expected one of {', '.join(THINGS)}, found {self.beside!r}.")
        if self.beside is not None and (self.rule_mm is not None or self.exact_print or self.board is not None):
            raise ValueError(
                "A thing beside the sheet tells the print's scale: leave out rule, exact print and board."
            )
        if self.board is not None and self.exact_print:
            raise ValueError(
                "An exact print is said of our sheets; of a board of your own give the measured square."
            )

    @property
    def sizes_mm(self) -> tuple[Size | None, ...]:
        """The mirrors' sizes: () where nobody said, one for all, or one for each from the left."""
        sizes: Any = self.mirror_size_mm
        if sizes is None:
            return ()
        return (sizes,) if _is_size(sizes) else sizes

    @property
    def beside_words(self) -> str:
        """What lies beside the sheet, in words; "" for nothing."""
        return "" if self.beside is None else THINGS[self.beside].words

    @property
    def rule_mean_mm(self) -> float | None:
        """The measured rule, of two their mean [mm]; None where nobody measured."""
        if isinstance(self.rule_mm, tuple):
            return sum(self.rule_mm) / 2
        return self.rule_mm

    @property
    def print_scale(self) -> float:
        """How much larger than drawn the sheet is printed, both ways taken together."""
        return 1.0 if self.rule_mean_mm is None else self.rule_mean_mm / RULE_MM

    @property
    def own_board(self) -> Sheet | None:
        """The plain checkerboard of one's own, if that is what the photos show."""
        if self.board is None or self.square_mm is None:
            return None
        return plain_board(*self.board, self.square_mm)

    def to_json(self) -> dict[str, Any]:
        """The "align-settings-1" object: every field, by its name."""
        raw: dict[str, Any] = {"format": FORMAT}
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, Mount):
                value = {"kind": value.kind, "foot_depth_mm": value.foot_depth_mm}
            elif isinstance(value, CameraFile):
                value = value.to_json()
            elif isinstance(value, Path):
                value = str(value)
            raw[field.name] = _as_lists(value)
        return raw

    @classmethod
    def from_json(cls, raw: Any, where: str = "settings") -> CheckSettings:
        """Settings from their JSON object; fields that are not there have their default.

        Raises
        ------
        FileFormatError
            Of another version, or with a value that cannot be meant; the message names `where`.
        """
        remedy = "Read it with the version of align that wrote it."
        found = raw.get("format") if isinstance(raw, Mapping) else type(raw).__name__
        if found != FORMAT:
            raise FileFormatError(f"{where}: expected format {FORMAT!r}, found {found!r}.", remedy)
        values = {name: value for name, value in raw.items() if name != "format"}
        unknown = values.keys() - {field.name for field in fields(cls)}
        if unknown:
            raise FileFormatError(f"{where}: unknown settings: {', '.join(sorted(unknown))}.", remedy)
        try:
            if isinstance(values.get("mount"), Mapping):
                values["mount"] = Mount(**values["mount"])
            if isinstance(values.get("camera"), Mapping):
                values["camera"] = camera_file_from_json(values["camera"], where)
            return cls(**values)
        except (TypeError, ValueError) as error:
            raise FileFormatError(f"{where}: {error}", "Correct that value.") from None


def _number(value: object, what: str, unit: str, bounds: tuple[float, float]) -> float:
    """A finite number within bounds."""
    if not isinstance(value, Real) or isinstance(value, bool) or not math.isfinite(value):
        raise ValueError(f"{what}: expected a number in {unit}, found {value!r}.")
    number = float(value)
    if not bounds[0] <= number <= bounds[1]:
        raise ValueError(f"{what}: {number:g} {unit} is not between {bounds[0]:g} and {bounds[1]:g}.")
    return number


def _whole(value: object, low: int, high: int) -> int | None:
    """A whole number within bounds, else None."""
    if isinstance(value, bool) or not hasattr(value, "__index__") or not low <= operator.index(value) <= high:
        return None
    return operator.index(value)


def _pair(value: object, expected: str) -> tuple[Any, Any]:
    """Two values; ValueError otherwise."""
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        raise ValueError(f"{expected}, found {value!r}.")
    return value[0], value[1]


def _as_lists(value: Any) -> Any:
    """Tuples as JSON has them, to any depth."""
    return [_as_lists(item) for item in value] if isinstance(value, tuple) else value


def _is_size(value: Sequence[Any]) -> bool:
    """Whether it is one size, not one for each of several mirrors."""
    return not any(item is None or (isinstance(item, Sequence) and not isinstance(item, str)) for item in value)


def _sizes(value: object) -> Size | tuple[Size | None, ...] | None:
    """One size, or one for each mirror; of a single mirror just its own."""
    if not isinstance(value, Sequence) or isinstance(value, str) or _is_size(value):
        return _size(value)
    if not 1 <= len(value) <= MOST_MIRRORS:
        raise ValueError(f"The mirrors' sizes: expected 1 to {MOST_MIRRORS}, found {len(value)}.")
    sizes = tuple(_size(item) for item in value)
    return sizes[0] if len(sizes) == 1 or not any(sizes) else sizes


def _size(value: object) -> Size | None:
    if value is None:
        return None
    width, height = _pair(value, "The mirror's size: expected its width and height in mm")
    for side in (width, height):
        if not isinstance(side, Real) or isinstance(side, bool) or not SIDE_MM[0] <= float(side) <= SIDE_MM[1]:
            raise ValueError(
                f"The mirror's size, {width} x {height} mm: each side must be {SIDE_MM[0]:g} to {SIDE_MM[1]:g} mm."
            )
    return float(width), float(height)


def _board(value: object) -> tuple[int, int] | None:
    if value is None:
        return None
    pair = _pair(value, "The board: expected its inner corners as (columns, rows)")
    columns, rows = (_whole(count, *BOARD_CORNERS) for count in pair)
    if columns is None or rows is None:
        low, high = BOARD_CORNERS
        raise ValueError(f"The board, {pair[0]}x{pair[1]}: expected {low} to {high} inner corners each way.")
    return columns, rows


def _rule(value: object) -> float | tuple[float, float] | None:
    if value is None:
        return None
    if isinstance(value, Sequence):
        across, along = _pair(value, "The printed rules: expected one length in mm, or both")
        what = "The printed rule"
        return _number(across, what, "mm", RULE_RANGE_MM), _number(along, what, "mm", RULE_RANGE_MM)
    return _number(value, "The printed rule", "mm", RULE_RANGE_MM)


def _mirrors(value: object) -> tuple[int, ...]:
    numbers = [_whole(number, 1, MOST_MIRRORS) for number in (value if isinstance(value, Sequence) else (value,))]
    if None in numbers:
        raise ValueError(f"Mirrors that are touched are counted from 1 at the left; found {value!r}.")
    return tuple(sorted({number for number in numbers if number is not None}))


def _stock(value: object) -> tuple[float, ...] | None:
    if value is None:
        return None
    sheets = value if isinstance(value, Sequence) else (value,)
    if isinstance(sheets, str) or not 1 <= len(sheets) <= MOST_SIZES_OF_STOCK:
        raise ValueError(f"The stock: expected 1 to {MOST_SIZES_OF_STOCK} thicknesses in mm, found {value!r}.")
    return tuple(sorted({_number(sheet, "The stock", "mm", STOCK_MM) for sheet in sheets}, reverse=True))


def _name(value: object) -> str | None:
    if value is None:
        return None
    name = " ".join(value.split()) if isinstance(value, str) else ""
    if not (0 < len(name) <= LONGEST_NAME and name.isprintable()):
        raise ValueError(f"The mirror's name: expected 1 to {LONGEST_NAME} letters, found {value!r}.")
    return name


def _mount(value: object) -> Mount:
    if value is None:
        return Mount()
    if not isinstance(value, Mount):
        raise ValueError(f"The mount: expected align.Mount, found {value!r}.")
    return value


def _camera(value: object) -> Path | CameraFile | None:
    if value is None or isinstance(value, CameraFile):
        return value
    if isinstance(value, (str, os.PathLike)) and str(value):
        return Path(value)
    raise ValueError(f"The camera: expected a file of `align camera` or its contents, found {value!r}.")
