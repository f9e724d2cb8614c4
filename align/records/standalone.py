"""The folder `pictures` of a record: full-size PNG files that stand alone, made again when stale.

Everything in it follows from the entries; it may be deleted at any time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from ..checking.wording import VERDICT_WORDS, glass_words
from ..drawing.captioned import as_png, decoded, with_caption
from ..photo.strip_metadata import described_png, description_of
from ..whole_file import write_whole
from .before_after import pair_picture, register, stretch
from .contents import CheckEntry, GlassEntry, Record
from .entry import EntryPhoto

PICTURES, PAIR = "pictures", "before-and-after.png"
#: Two at a time: packing a PNG keeps one core busy for a second, and holds the picture several times over.
_AT_ONCE = 2


@dataclass(frozen=True)
class BeforeAfter:
    """The pair's picture, and whether the earlier photo was laid over the later one."""

    path: Path
    registered: bool


def caption_of(record: Record, item: CheckEntry | GlassEntry) -> str:
    """Scene, date and answer, in one line."""
    if isinstance(item, CheckEntry):
        answer = f"mirror {VERDICT_WORDS[item.result.verdict]}"
    else:
        answer = f"glass {glass_words(item.answer.glass)}"
    return f"{record.installation.name}, {item.entry.day_in_words}: {answer}"


def refresh_pictures(folder: Path, record: Record, progress: Callable[[str], None] | None = None) -> None:
    """Make every captioned picture that is missing or whose caption has changed."""
    stale = []
    for item in record.entries:
        caption = caption_of(record, item)
        for photo in item.entry.photos:
            target = folder / PICTURES / f"{item.entry.name}-{Path(photo.picture).stem}.png"
            if photo.picture and description_of(target) != caption:
                stale.append((item.entry.folder / photo.picture, target, caption))
    with ThreadPoolExecutor(_AT_ONCE) as pool:
        for number, _ in enumerate(pool.map(lambda job: _caption_file(*job), stale), 1):
            if progress:
                progress(f"captioned picture {number} of {len(stale)}")


def _caption_file(source: Path, target: Path, caption: str) -> None:
    try:
        data = source.read_bytes()
    except OSError:
        return  # the record's notes say already that it is missing
    png = as_png(with_caption(decoded(data), caption))
    write_whole(target, described_png(png, caption), to_disk=False, make_folder=True)


def before_and_after(folder: Path, record: Record) -> BeforeAfter | None:
    """The pair of one view, first and latest check side by side; None where there are no two photos of it."""
    from ..photo.read import read_colour

    if record.before is None or record.now is None:
        return None
    before, after = _most_alike(record.before.entry.photos, record.now.entry.photos)
    if not before.photo or not after.photo:
        return None
    captions = [caption_of(record, item) for item in (record.before, record.now)]
    description = "\n".join([*captions, record.before.entry.name, record.now.entry.name])
    target = folder / PICTURES / PAIR
    for registered in (True, False):
        if description_of(target) == f"{description}\n{registered}":
            return BeforeAfter(target, registered)
    pair = register(
        read_colour(record.before.entry.folder / before.photo),
        read_colour(record.now.entry.folder / after.photo),
        before.outline_px,
        after.outline_px,
    )
    png = as_png(pair_picture(pair, f"Before. {captions[0]}", f"After. {captions[1]}"))
    write_whole(target, described_png(png, f"{description}\n{pair.registered}"), to_disk=False, make_folder=True)
    return BeforeAfter(target, pair.registered)


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
