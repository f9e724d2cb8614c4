"""The folder `pictures` of a record: full-size PNG files that stand alone, made again when stale.

Everything in it follows from the entries; it may be deleted at any time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..checking.wording import VERDICT_WORDS, glass_words
from ..drawing.captioned import as_png, decoded, with_caption
from ..errors import AlignError
from ..photo.strip_metadata import described_png, description_of
from ..whole_file import write_whole
from .before_after import Registered, pair_picture, register, stretch
from .contents import Record, names_of
from .entry import Entry, EntryPhoto
from .mirror_part import CheckEntry, GlassEntry, MirrorPart
from .plain_files import LinkError, refuse_links

PICTURES, PAIR = "pictures", "before-and-after.png"
_REGISTERED: tuple[Registered, ...] = ("target", "shift", "")
#: Two at a time: packing a PNG keeps one core busy for a second, and holds the picture several times over.
_AT_ONCE = 2


@dataclass(frozen=True)
class BeforeAfter:
    """The pair's picture, and by what the earlier photo was laid over the later one, "" where it was not."""

    path: Path
    registered: Registered


def caption_of(record: Record, item: CheckEntry | GlassEntry) -> str:
    """Scene, date and answer, in one line; the mirrors' names where the record has several."""
    count = len(item.result.mirrors) if isinstance(item, CheckEntry) else 1
    names = names_of(item.entry, count, record.installation) if len(record.parts) > 1 else ()
    which = " and ".join(name for name in names if name) or "mirror"
    if isinstance(item, CheckEntry):
        answer = f"{which} {VERDICT_WORDS[item.result.verdict]}"
    else:
        answer = f"{'glass' if which == 'mirror' else f'glass of {which}'} {glass_words(item.answer.glass)}"
    return f"{record.installation.name}, {item.day_in_words}: {answer}"


def refresh_pictures(folder: Path, record: Record, progress: Callable[[str], None] | None = None) -> None:
    """Make every captioned picture that is missing or whose caption has changed."""
    stale = []
    for item in record.entries:
        caption = caption_of(record, item)
        for photo in item.entry.photos:
            target = folder / PICTURES / f"{item.entry.name}-{Path(photo.picture).stem}.png"
            refuse_links(folder, target)
            if photo.picture and description_of(target) != caption:
                stale.append((item.entry, photo.picture, target, caption))
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for number, _ in enumerate(pool.map(lambda job: _caption_file(*job), stale), 1):
            if progress:
                progress(f"captioned picture {number} of {len(stale)}")


def _caption_file(entry: Entry, name: str, target: Path, caption: str) -> None:
    try:
        data = entry.contents(name)
    except (OSError, LinkError):
        return  # the record's notes say already that it is missing
    png = as_png(with_caption(decoded(data), caption))
    write_whole(target, described_png(png, caption), to_disk=False, make_folder=True)


def before_and_after(folder: Path, record: Record, part: MirrorPart) -> BeforeAfter | None:
    """The pair of one view, first and latest check side by side; None where there are no two photos of it.

    Raises
    ------
    AlignError : the picture's place is a link, or cannot be written.
    """
    if part.before is None or part.now is None:
        return None
    before, after = _most_alike(part.before.entry.photos, part.now.entry.photos)
    if not before.photo or not after.photo:
        return None
    captions = [caption_of(record, item) for item in (part.before, part.now)]
    description = "\n".join([*captions, part.before.entry.name, part.now.entry.name])
    target = folder / PICTURES / (PAIR if part.number == 1 else PAIR.replace(".", f"-{part.number}."))
    refuse_links(folder, target)
    for how in _REGISTERED:
        if description_of(target) == f"{description}\n{how}":
            return BeforeAfter(target, how)
    try:
        photos = [_photo_of(part.before.entry, before), _photo_of(part.now.entry, after)]
    except (OSError, AlignError):
        return None  # the record's notes say already that it is missing
    pair = register(photos[0], photos[1], before.outline_px, after.outline_px)
    png = as_png(pair_picture(pair, f"Before. {captions[0]}", f"After. {captions[1]}"))
    write_whole(target, described_png(png, f"{description}\n{pair.registered}"), to_disk=False, make_folder=True)
    return BeforeAfter(target, pair.registered)


def _photo_of(entry: Entry, photo: EntryPhoto) -> Any:
    """A photo of an entry, upright, in colour; no link is followed."""
    from ..photo.read import read_colour

    path = entry.folder / photo.photo
    refuse_links(entry.folder.parent.parent, path)
    return read_colour(path)


def _most_alike(first: Sequence[EntryPhoto], second: Sequence[EntryPhoto]) -> tuple[EntryPhoto, EntryPhoto]:
    """The two photos, one of each check, that show the target most alike."""
    import numpy as np

    nothing = EntryPhoto("", "")
    best, chosen = float("inf"), (first[0] if first else nothing, second[0] if second else nothing)
    for a in first:
        for b in second:
            if len(a.outline_px) >= 4 and len(a.outline_px) == len(b.outline_px):
                unlike = stretch(np.array(a.outline_px), np.array(b.outline_px))
                if unlike < best:
                    best, chosen = unlike, (a, b)
    return chosen
