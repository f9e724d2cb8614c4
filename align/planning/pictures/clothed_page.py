"""The page on which a viewer's place is dragged along the standing area: one file, pictures inside, no network."""

from __future__ import annotations

import base64
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path as FilePath

import numpy as np

from ...drawing.captioned import as_jpeg
from ...drawing.palette import BLUE, INK, ORANGE, PALE, as_hex
from ..clothes.places import Place, stops
from ..clothes.result import Clothed
from ..scene import Scene
from ..text_clothed import clothed_lines

TEMPLATES = FilePath(__file__).parent.parent / "templates"
#: Width of the page's pictures [px], rays a pixel and direction, and JPEG quality: some 30 kB each.
_COLUMNS, _FINER, _QUALITY = 560, 2, 78
#: Width of the little map [px].
_MAP_PX = 300.0


@dataclass(frozen=True)
class View:
    """What is seen from a place at a height: numbers in the page's lists, words, and two pictures as data."""

    column: int
    row: int
    eye: int
    words: str
    with_mirror: str
    without_mirror: str


def page_html(clothed: Clothed, progress: Callable[[str], None] | None = None) -> str:
    """The page; without a script it shows every picture."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    scene = clothed.scene
    places = stops(scene)
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    eyes = [
        name if name.startswith("eyes") else f"{name}, {height:.0f} mm"
        for name, height in zip(scene.viewer_names, scene.viewers.eye_heights_mm, strict=True)
    ]
    views = []
    for number, place in enumerate(places, start=1):
        if progress:
            progress(f"pictures of the page, place {number} of {len(places)}")
        views += [_view(clothed, place, eye, eyes[eye]) for eye in range(len(eyes))]
    rows = sorted({place.row for place in places})
    return environment.get_template("as_it_will_look.html.j2").render(
        scene=scene,
        mirrors="mirrors" if len(scene.mirrors) > 1 else "mirror",
        views=views,
        eyes=eyes,
        columns=1 + max(place.column for place in places),
        rows=[place_row(places, row) for row in rows],
        lines=clothed_lines(clothed)[1:],
        map=_map(scene, places),
        colours={"blue": as_hex(BLUE), "ink": as_hex(INK), "orange": as_hex(ORANGE), "pale": as_hex(PALE)},
    )


def place_row(places: tuple[Place, ...], row: int) -> str:
    """What to call a row of places."""
    words = next(place.words for place in places if place.row == row).rpartition(", ")[2]
    return words if words.startswith(("in front", "at the back")) else "here"


def _view(clothed: Clothed, place: Place, eye: int, who: str) -> View:
    height = clothed.scene.viewers.eye_heights_mm[eye]
    pair = clothed.seen_from(place.at_mm, height, columns=_COLUMNS, finer=_FINER)
    pictures = [
        "data:image/jpeg;base64," + base64.b64encode(as_jpeg(sight.pixels, _COLUMNS, _QUALITY)).decode("ascii")
        for sight in pair
    ]
    return View(place.column, place.row, eye, f"{place.words}; {who}", pictures[0], pictures[1])


@dataclass(frozen=True)
class Map:
    """The little map, in pixels, y down: size; floor and area as x, y, width, height; mirrors as ends; dots."""

    width: float
    height: float
    floor: tuple[float, ...]
    area: tuple[float, ...]
    mirrors: tuple[tuple[float, ...], ...]
    dots: tuple[tuple[float, ...], ...]


def _map(scene: Scene, places: tuple[Place, ...]) -> Map:
    fx0, fx1, fy0, fy1 = scene.floor.area_mm
    vx0, vx1, vy0, vy1 = scene.viewers.area_mm
    low = np.array([min(fx0, vx0), min(fy0, vy0)]) - 60.0
    high = np.array([max(fx1, vx1), max(fy1, vy1)]) + 60.0
    scale = _MAP_PX / float(high[0] - low[0])

    def at(x: float, y: float) -> tuple[float, float]:
        return round((x - low[0]) * scale, 1), round((high[1] - y) * scale, 1)

    def box(x0: float, x1: float, y0: float, y1: float) -> tuple[float, ...]:
        return (*at(x0, y1), round((x1 - x0) * scale, 1), round((y1 - y0) * scale, 1))

    return Map(
        _MAP_PX,
        round(float(high[1] - low[1]) * scale, 1),
        box(fx0, fx1, fy0, fy1),
        box(vx0, vx1, vy0, vy1),
        tuple((*at(*mirror.corners[0, :2]), *at(*mirror.corners[1, :2])) for mirror in scene.mirrors),
        tuple((float(place.column), float(place.row), *at(*place.at_mm)) for place in places),
    )
