"""The scene as it will look: pictures of what viewers of every height see from two places, and the page."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path as FilePath
from typing import Any

from ...whole_file import write_figure, write_whole
from ..clothes.places import Place, two_places
from ..clothes.result import Clothed
from ..clothes.textures import FILLED, UNSEEN
from ..clothes.tones import as_bytes
from ..clothes.tracing import EDGE, ROOM, ROOM_LIGHT, STRIPES
from .parts import GREY, INK, TYPE, WIDE_INCH, wrapped_title

PAGE = "as_it_will_look.html"
_DPI, _QUALITY = 110, 88
#: Width of each picture [px].
_COLUMNS = 900


def draw_clothed(
    clothed: Clothed, folder: FilePath, progress: Callable[[str], None] | None = None
) -> list[FilePath]:
    """Draw the pictures and write the page into a folder, made if needed.

    Raises
    ------
    AlignError : the folder cannot be written to.
    """
    from .clothed_page import page_html

    write_whole(folder / PAGE, page_html(clothed, progress).encode(), make_folder=True)
    files = []
    places = two_places(clothed.scene)
    for number, place in enumerate(places, start=1):
        if progress:
            progress(f"what is seen from place {number} of {len(places)}")
        file = folder / f"as_it_will_look_{number}.jpg"
        figure = seen_sheet(clothed, place)
        how = {"dpi": _DPI, "facecolor": "white", "bbox_inches": "tight", "pad_inches": 0.25}
        write_figure(figure, file, pil_kwargs={"quality": _QUALITY}, **how)
        files.append(file)
    return [*files, folder / PAGE]


def seen_sheet(clothed: Clothed, place: Place) -> Any:
    """What eyes of every height see from one place: for each, with the mirrors and without."""
    from matplotlib.figure import Figure

    scene = clothed.scene
    several = "mirrors" if len(scene.mirrors) > 1 else "mirror"
    pictures, shown = [], set()
    for name, height in zip(scene.viewer_names, scene.viewers.eye_heights_mm, strict=True):
        who = f"eyes at {height:.0f} mm" if name.startswith("eyes") else f"{name}, eyes at {height:.0f} mm"
        for sight, words in zip(
            clothed.seen_from(place.at_mm, height, columns=_COLUMNS), ("with", "without"), strict=True
        ):
            pictures.append((f"{who}, {words} the {several}", sight.pixels))
            shown |= set(sight.kinds.ravel().tolist())
    width = WIDE_INCH - 0.3
    heights = [width * pixels.shape[0] / pixels.shape[1] for _, pixels in pictures]
    figure = Figure(figsize=(WIDE_INCH, sum(heights) + 0.5 * len(heights) + 2.2), layout="constrained")
    axes = figure.subplots(len(pictures), 1, height_ratios=heights)
    for ax, (words, pixels) in zip(axes, pictures, strict=True):
        ax.imshow(pixels, interpolation="bilinear")
        ax.set_title(words, fontsize=TYPE + 1, loc="left")
        ax.set_xticks([])
        ax.set_yticks([])
    _legend(figure, shown)
    wrapped_title(figure, f"{scene.name}, as it will look from {place.words}", TYPE + 3)
    return figure


def _legend(figure: Any, shown: set[int]) -> None:
    """What is in the pictures and no part of the photos."""
    from matplotlib.patches import Patch

    room = tuple(as_bytes(ROOM_LIGHT) / 255.0)
    dark, pale = (tuple(as_bytes(STRIPES[k]) / 255.0) for k in (1, 0))
    entries = [
        (ROOM, Patch(fc=room, ec=GREY), "the room"),
        (UNSEEN, Patch(fc=pale, ec=dark, hatch="////"), "in no photo"),
        (FILLED, Patch(fc="#BBBBBB", ec=GREY), "blurred: filled in from beside"),
        (EDGE, Patch(fc="#1A2220", ec=INK), "seam at a mirror's edge"),
    ]
    there = [(handle, words) for kind, handle, words in entries if kind in shown]
    if there:
        handles, words = zip(*there, strict=True)
        figure.legend(handles, words, loc="outside lower center", ncols=2, frameon=False, fontsize=TYPE)
