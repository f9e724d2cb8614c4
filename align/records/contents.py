"""What an installation's entries say together: a part for each mirror, and what the reader should know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from ..checking.result import CheckResult, MirrorResult
from ..checking.stored import StoredGlass, check_from_json, glass_from_json
from ..errors import AlignError
from .consistency import contradiction_in
from .entry import Entry, read_entry
from .entry_folders import EntryFolder, entry_places
from .installation import Installation, StatedMirror, read_installation
from .mirror_part import CheckEntry, GlassEntry, MirrorPart, part_of
from .notes import Note, read_note
from .safety import Caution, cautions_for
from .timeline import moments_of


@dataclass(frozen=True)
class Removed:
    """An entry that was taken out; day : of its check, in words, "" where it cannot be read."""

    number: int
    day: str
    note: Note


@dataclass(frozen=True)
class Record:
    """Everything that the page shows; entries oldest first.

    parts : one for each mirror, in the order of installation.toml; notes_to : notes to entries, by number
    refused : why an entry was left out, for each that was; notes : what else the reader should know
    """

    installation: Installation
    entries: tuple[CheckEntry | GlassEntry, ...]
    parts: tuple[MirrorPart, ...]
    cautions: tuple[Caution, ...]
    refused: tuple[str, ...]
    notes: tuple[str, ...]
    notes_to: dict[int, Note] = field(default_factory=dict)
    removed: tuple[Removed, ...] = ()


def read_record(folder: Path) -> Record:
    """Read a folder's installation and entries.

    Raises
    ------
    AlignError : there is no such folder, or no entry in it that can be read
    FileFormatError : installation.toml is wrong
    """
    if not folder.is_dir():
        raise AlignError(f"There is no folder {folder}.", f"Begin one with: align record --start {folder}")
    installation = read_installation(folder)
    places = entry_places(folder)
    answers, refused = _answers([place for place in places if not place.removed])
    if not answers:
        why = f" ({refused[0]})" if refused else ""
        raise AlignError(
            f"{folder} holds no entry that can be read{why}.",
            f"Add one with: align check PHOTO --into {folder}",
        )
    notes_to = {place.number: _note(place, refused) for place in places if not place.removed}
    record = record_of(installation, answers, refused)
    return replace(
        record,
        notes_to={number: note for number, note in notes_to.items() if note.text or note.before},
        removed=tuple(_removed(place) for place in places if place.removed),
    )


Answer = CheckResult | StoredGlass


def _answers(places: Sequence[EntryFolder]) -> tuple[list[tuple[int, Entry, Answer]], list[str]]:
    """All readable entries; an unreadable one costs only itself."""
    found: list[tuple[int, Entry, Answer]] = []
    refused: list[str] = []
    for place in places:
        try:
            entry = read_entry(place.path)
            found.append((place.number, entry, _answer(entry)))
        except AlignError as error:
            message = error.message.replace(f"{place.path.parent}/", "")
            refused.append(f"Entry {place.number} was left out: {message}")
    return found, refused


def _answer(entry: Entry) -> Answer:
    """An entry's answer, checked."""
    if entry.kind == "glass":
        return glass_from_json(entry.result, entry.name)
    result = check_from_json(entry.result, entry.name)
    if words := contradiction_in(result):
        raise AlignError(f"{entry.name} contradicts itself: {words}.", "Check the mirror again.")
    return result


def _note(place: EntryFolder, refused: list[str]) -> Note:
    try:
        return read_note(place.path)
    except AlignError as error:
        refused.append(f"The note to entry {place.number} was left out: {error.message.split('/')[-1]}")
        return Note()


def _removed(place: EntryFolder) -> Removed:
    try:
        day = read_entry(place.path).day_in_words
    except AlignError:
        day = ""
    return Removed(place.number, day, _note(place, []))


def record_of(
    installation: Installation, answers: Sequence[tuple[int, Entry, Answer]], refused: Sequence[str] = ()
) -> Record:
    """Everything that follows from the entries, in the order they were added, and the builder's own words."""
    moments, remarks = moments_of([(number, entry) for number, entry, _ in answers])
    dated: list[CheckEntry | GlassEntry] = [
        CheckEntry(number, entry, moment, answer)
        if isinstance(answer, CheckResult)
        else GlassEntry(number, entry, moment, answer)
        for (number, entry, answer), moment in zip(answers, moments, strict=True)
    ]
    dated.sort(key=lambda item: (item.moment.order, item.number))
    parts = _parts(installation, dated)
    damaged = [words for item in dated for words in _damage(item.number, item.entry)]
    weights = [part.weight for part in parts if part.weight is not None]
    return Record(
        installation=installation,
        entries=tuple(dated),
        parts=parts,
        cautions=cautions_for(
            max(weights, key=lambda weight: weight.kilograms) if len(weights) == len(parts) else None,
            within_reach=installation.within_reach,
            sunlight=installation.sunlight,
            mains_lamps=installation.mains_lamps,
            front_coated=any(part.glass is not None and part.glass.verdict == "front-coated" for part in parts),
        ),
        refused=tuple(refused),
        notes=(*damaged, *remarks, *_unknown_names(installation, parts)),
    )


def names_of(entry: Entry, count: int, installation: Installation) -> tuple[str, ...]:
    """Which of the record's mirrors an answer's mirrors are, from the left.

    By the names that the entry has; without them, as in entries of earlier versions, the first is the first of
    installation.toml, and so on. Where there is only one mirror, it is that one whatever it was called then.
    """
    known = installation.mirror_names
    if count == 1 and len(known) == 1:
        return known
    if len(entry.mirrors) == count:
        spelt = {name.casefold(): name for name in known}
        return tuple(spelt.get(name.casefold(), name) for name in entry.mirrors)
    return tuple(known[k] if k < len(known) else (f"mirror {k + 1}" if k else "") for k in range(count))


def _parts(installation: Installation, dated: Sequence[CheckEntry | GlassEntry]) -> tuple[MirrorPart, ...]:
    """A part for each mirror of installation.toml that has an entry, and for each that only entries name."""
    checks: dict[str, list[CheckEntry]] = {}
    glasses: dict[str, list[GlassEntry]] = {}
    for item in dated:
        if isinstance(item, GlassEntry):
            glasses.setdefault(names_of(item.entry, 1, installation)[0], []).append(item)
            continue
        names = names_of(item.entry, len(item.result.mirrors), installation)
        for name, mirror in zip(names, item.result.mirrors, strict=True):
            alone = replace(item, result=_alone(item.result, mirror))
            checks.setdefault(name, []).append(alone)
    stated = {mirror.name: mirror for mirror in installation.mirrors}
    order = [name for name in dict.fromkeys((*stated, *checks, *glasses)) if name in checks or name in glasses]
    return tuple(
        part_of(number, stated.get(name, StatedMirror(name)), checks.get(name, []), glasses.get(name, []))
        for number, name in enumerate(order, 1)
    )


def _alone(result: CheckResult, mirror: MirrorResult) -> CheckResult:
    """The answer as if it were of one mirror only."""
    sizes = result.settings.sizes_mm
    size = sizes[mirror.number - 1] if 1 < len(sizes) == len(result.mirrors) else result.settings.mirror_size_mm
    settings = replace(result.settings, mirror_size_mm=size)
    return replace(result, mirrors=(replace(mirror, number=1),), angles=(), settings=settings)


def _unknown_names(installation: Installation, parts: Sequence[MirrorPart]) -> list[str]:
    """A word about mirrors that entries name and installation.toml does not."""
    known = {name.casefold() for name in installation.mirror_names}
    if not any(known):
        return []
    return [
        f'Entries name a mirror "{part.name}" that installation.toml does not name (any more).'
        for part in parts
        if part.name.casefold() not in known
    ]


def _damage(number: int, entry: Entry) -> list[str]:
    return [f"Entry {number}: {name} is missing, or no longer what was written." for name in entry.damaged_files()]
