"""Keeping a record of an installation: a folder of entries, pictures that stand alone, and a page."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from ..checking.result import CheckResult
from ..drawing.captioned import as_jpeg, as_png, decoded
from ..photo.facts import date_in_words
from ..photo.file import PhotoFile, read_file
from ..photo.read import colour_of, facts_in
from ..photo.strip_metadata import clean_photo, stripped_png
from .entry import EntryPhoto, kind_of, write_entry
from .plain_files import presentable, refuse_links
from .write_installation import write_start

PAGE = "record.html"
#: The small picture kept beside the large one: what the page shows.
PREVIEW_PX, PREVIEW_QUALITY = 1600, 82
#: A picture is drawn at the photo's own size, however large that is [px].
FULL_SIZE_PX = 100_000

Picture = bytes | str | os.PathLike[str]
Progress = Callable[[str], None]


class Answer(Protocol):
    """What a record takes: anything that gives the contract's JSON object."""

    def to_json(self) -> dict[str, Any]:
        """The answer as JSON."""


def start_record(folder: str | os.PathLike[str]) -> Path:
    """Make a folder a record: write its installation.toml with comments to fill in; returns its path."""
    return write_start(Path(folder))


def add_entry(
    folder: str | os.PathLike[str],
    result: Answer | Mapping[str, Any],
    *,
    settings: Mapping[str, Any],
    photos: Sequence[str | os.PathLike[str]] | None = None,
    pictures: Sequence[Picture | None] | None = None,
    mirrors: Sequence[str] = (),
    stated: Sequence[str] = (),
) -> Path:
    """Add one dated entry to a record; returns the entry's folder, whose name ends in the entry's number.

    Nothing is overwritten, two writers at once both land, and a crash costs at most this entry.

    Parameters
    ----------
    folder : the record's folder, made if need be
    result : an answer, or its "align-check-1" or "align-glass-1" object
    settings : the options that shaped the answer
    photos : the photos it is of; without them, the files that the answer names
    pictures : for each photo the answer drawn as PNG, as bytes or file, or None; without them, those of a
        CheckResult are drawn here
    mirrors : names of the record's mirrors that the answer is of, from the left; without them, the one that the
        settings name
    stated : what the command line said instead of installation.toml, in words

    Raises
    ------
    AlignError : a photo cannot be read, or the folder cannot be written.
    """
    raw = dict(result) if isinstance(result, Mapping) else result.to_json()
    kind_of(raw)
    paths = [Path(p) for p in photos] if photos is not None else _photos_of(raw)
    drawn = list(pictures) if pictures is not None else _drawn(result, len(paths))
    outlines = _outlines(result, len(paths))
    sources = {source.path: source for source in getattr(result, "sources", ())}
    files: dict[str, bytes] = {}
    entries = []
    for number, path in enumerate(paths, 1):
        picture = _png_bytes(drawn[number - 1]) if number <= len(drawn) else None
        source = sources.get(path) or read_file(path)[0]
        entries.append(_photo_files(files, number, source, picture, outlines[number - 1]))
    stated_name = settings.get("mirror_name")
    mirrors = mirrors if any(mirrors) else [stated_name] if isinstance(stated_name, str) else []
    place = write_entry(
        Path(folder), raw, settings=settings, photos=entries, files=files, mirrors=mirrors, stated=stated
    )
    return place.path


def make_page(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str] | None = None,
    *,
    progress: Progress | None = None,
) -> Path:
    """Make the record's page and the pictures that stand alone; returns the page's path.

    Raises
    ------
    AlignError : no record, no readable entry, or a file that cannot be written.
    """
    from ..whole_file import write_whole
    from .contents import read_record
    from .page import page_html
    from .standalone import before_and_after, refresh_pictures

    folder = Path(folder)
    say = progress or (lambda words: None)
    say("reading the entries")
    record = read_record(folder)
    refresh_pictures(folder, record, progress)
    say("laying before and after over each other")
    pairs = [before_and_after(folder, record, part) for part in record.parts]
    page = Path(out) if out is not None else folder / PAGE
    if folder in page.parents:
        refuse_links(folder, page)
    write_whole(page, page_html(record, pairs, progress).encode(), make_folder=True)
    return page


def _photos_of(raw: Mapping[str, Any]) -> list[Path]:
    return [Path(photo["file"]) for photo in raw.get("photos", ()) if photo.get("file")]


def _drawn(result: Answer | Mapping[str, Any], count: int) -> list[bytes | None]:
    """The answer on each photo, at the photo's own size."""
    if not isinstance(result, CheckResult) or len(result.overlays) != count:
        return [None] * count
    from ..checking.picture import draw_check

    return [as_png(draw_check(result, number, long_side_px=FULL_SIZE_PX)) for number in range(count)]


def _outlines(result: Answer | Mapping[str, Any], count: int) -> list[tuple[tuple[float, float], ...]]:
    """Where the target's outline lies in each photo: what lays before over after later."""
    if not isinstance(result, CheckResult) or len(result.overlays) != count:
        return [()] * count
    return [tuple((float(x), float(y)) for x, y in o.direct_outline_px) for o in result.overlays]


def _png_bytes(picture: Picture | None) -> bytes | None:
    """A drawn picture as PNG without metadata, whatever it came as."""
    if picture is None:
        return None
    data = picture if isinstance(picture, bytes) else Path(picture).read_bytes()
    try:
        return stripped_png(data)
    except ValueError:
        return as_png(decoded(data))


def _photo_files(
    files: dict[str, bytes],
    number: int,
    source: PhotoFile,
    picture: bytes | None,
    outline_px: tuple[tuple[float, float], ...],
) -> EntryPhoto:
    """Put one photo's files into `files`; what the entry says of them."""
    clean, suffix = clean_photo(source)
    names = {"photo": f"photo-{number}{suffix}", "picture": "", "preview": f"preview-{number}.jpg"}
    files[names["photo"]] = clean
    if picture is not None:
        names["picture"] = f"picture-{number}.png"
        files[names["picture"]] = picture
        shown = decoded(picture)
    else:
        shown = colour_of(source)
    files[names["preview"]] = as_jpeg(shown, PREVIEW_PX, PREVIEW_QUALITY)
    taken = date_in_words(facts_in(source).date)
    return EntryPhoto(presentable(source.path.name), taken=taken, outline_px=outline_px, **names)
