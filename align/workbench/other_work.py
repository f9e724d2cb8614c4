"""The bench's other work: which glass, which camera, the record's page. The commands' own functions."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from ..errors import AlignError, PhotoError
from . import thresholds
from .answer_pictures import PICTURE_PX, PICTURE_QUALITY
from .form import LONGEST, plain_text, value_of
from .form_fields import SCENE, Field
from .receiving import Refused, cleaned
from .series import now_words
from .session import Session, Table
from .shelf import Shelf
from .worker import Ticket

CAMERA, RECORD = "camera", "record"
#: What helps where photos of lamps do not show the sheet.
WITHOUT_SHEET = {
    "distance_mm": Field("distance_mm", "From the phone to the lamps' reflections", unit="mm", bounds=(1.0, 1e5)),
    "glass_mm": Field("glass_mm", "What the glass is thought to be", unit="mm", bounds=(0.5, 50.0)),
}


@dataclass(frozen=True)
class SetAnswer:
    """What came of a set of photos: when, in words, of how many."""

    when: str
    text: str
    photos: int


def add_to_set(session: Session, shelf: Shelf, data: bytes) -> int:
    """Keep one more photo of a set; its number.

    Raises
    ------
    PhotoError : it is no photo, or there already; AlignError : the set is full, or the disk refused.
    """
    clean, suffix = cleaned(data)
    with session.lock:
        if len(shelf.photos()) >= thresholds.MOST_IN_SET:
            raise AlignError(
                f"There are {thresholds.MOST_IN_SET} photos in this set.", "Work it out, or start anew."
            )
        if (known := shelf.is_known(clean)) is not None:
            raise PhotoError(f"This is photo {known} of the set again.", "Take another one.")
        number = shelf.put_photo(clean, suffix)
    session.changed()
    return number


def answer_of(shelf: Shelf) -> SetAnswer | None:
    """What came of a set of photos last."""
    raw = shelf.read("answer").get(1)
    if raw is None:
        return None
    return SetAnswer(str(raw.get("when", "")), str(raw.get("text", "")), int(raw.get("photos", 0)))


def without_sheet(written: Mapping[str, str]) -> dict[str, float | None]:
    """What was stated for photos that do not show the sheet, as `find_glass` takes it; else Refused."""
    return stated_in(tuple(WITHOUT_SHEET.values()), written)


def stated_in(fields: Sequence[Field], written: Mapping[str, str]) -> dict[str, Any]:
    """What a short form states.

    Raises
    ------
    Refused : something in it cannot be meant.
    """
    found: dict[str, Any] = {}
    for field in fields:
        try:
            found[field.entry] = value_of(field, plain_text(field, written))
        except ValueError as error:
            example = " It is written as in 620 or 24 in." if field.unit == "mm" else ""
            raise Refused(422, f"{field.label}: {error}{example}", "Go back and put it right.") from None
    return found


def find_glass(
    session: Session, table: Table, distance_mm: float | None = None, glass_mm: float | None = None
) -> Ticket:
    """Work out a mirror's glass from its photos of lamps; what is stated helps where they do not show the sheet."""

    def work(ticket: Ticket) -> None:
        _glass(session, table, ticket, distance_mm, glass_mm)

    return session.worker.put(f"{table.key}/lamps", "the glass", work)


def _glass(
    session: Session, table: Table, ticket: Ticket, distance_mm: float | None, glass_mm: float | None
) -> None:
    from ..drawing.captioned import as_jpeg, as_png
    from ..ghosts.job import glass_of
    from ..ghosts.picture import draw_glass
    from ..ghosts.text import glass_text
    from ..records.job import add_entry

    photos = photos_of(table.lamps)
    camera = session.settings(table.mirror).camera
    result = glass_of(
        photos,
        camera=camera,
        progress=lambda words: session.worker.say(ticket, words),
        distance_mm=distance_mm,
        glass_mm=glass_mm,
    )
    pixels = draw_glass(result)
    table.lamps.put_picture(1, as_jpeg(pixels, PICTURE_PX, PICTURE_QUALITY))
    put_text(table.lamps, glass_text(result), len(photos))
    pictures = [as_png(pixels), *[None] * (len(photos) - 1)]
    names = [table.mirror.name] if table.mirror.name else []
    add_entry(session.folder, result, settings={}, photos=photos, pictures=pictures, mirrors=names)


@dataclass(frozen=True)
class EntryShown:
    """An entry of the record: its number, day, mirrors' names, what it is, and the note that it has."""

    number: int
    day: str
    mirrors: str
    words: str
    note: str = ""


def entries_of(session: Session) -> list[EntryShown]:
    """The record's entries, the newest first; those that cannot be read are left to the record's page."""
    from ..records.entry import read_entry
    from ..records.entry_folders import entry_places

    found = []
    for place in reversed([place for place in entry_places(session.folder) if not place.removed]):
        try:
            entry = read_entry(place.path)
        except AlignError:
            continue
        verdict = str(entry.result.get("verdict", "")) or "which glass"
        plain = {"square": "true", "out of square": "out of true", "undetermined": "cannot tell"}
        words = plain.get(verdict, verdict)
        day = entry.date[:16].replace("T", ", ")
        found.append(EntryShown(place.number, day, ", ".join(entry.mirrors), words, _note_of(place.path)))
    return found


def _note_of(folder: Path) -> str:
    from ..records.notes import read_note

    try:
        return read_note(folder).text
    except AlignError:
        return ""


def give_note(session: Session, number: int, text: str) -> None:
    """Give an entry a note, or put its note right, as `align record --note` does.

    Raises
    ------
    AlignError : there is no such entry, or it cannot be written.
    """
    from ..records.notes import write_note

    write_note(session.folder, number, " ".join(text.split())[:LONGEST])
    session.changed()


def save_scene(session: Session, written: Mapping[str, str]) -> None:
    """What the record says of the scene.

    Raises
    ------
    Refused : it cannot be meant; AlignError : the file cannot be written.
    """
    from ..records.write_installation import write_scene

    stated = stated_in(SCENE, written)
    if not stated["name"]:
        raise Refused(422, "The scene needs a name.", "Go back and give it one, such as: Harbour street.")
    with session.lock:
        write_scene(session.folder, **stated)
        session.read_again()


def take_out(session: Session, number: int, why: str) -> None:
    """Take an entry out of the record, as `align record --remove` does; a note says why.

    Raises
    ------
    AlignError : there is no such entry, or it cannot be moved.
    """
    from ..records.entry_folders import remove_entry
    from ..records.notes import write_note

    if why.strip():
        write_note(session.folder, number, " ".join(why.split())[:LONGEST])
    remove_entry(session.folder, number)
    session.changed()


def measure_camera(session: Session, stated: Mapping[str, Any] | None = None) -> Ticket:
    """Measure a camera from the photos of its set; its file lands in the record's folder.

    stated : of the sheet or board in the photos, as `align.calibrate` takes it; None for what was not
    """
    found = {name: value for name, value in (stated or {}).items() if value is not None}
    if ("board" in found) != ("square_mm" in found):
        words = "Board and square belong together: inner corners, and their side."
        raise Refused(422, words, "Go back and state both.")
    if "board" in found and "rule_mm" in found:
        words = "The rule is our sheets'; of a board of your own the square is measured."
        raise Refused(422, words, "Go back and take one of the two out.")
    return session.worker.put(CAMERA, "the camera", lambda ticket: _camera(session, ticket, found))


def _camera(session: Session, ticket: Ticket, stated: Mapping[str, Any]) -> None:
    import io

    from ..calibration.job import calibrate, camera_file_of
    from ..calibration.picture import draw_calibration
    from ..calibration.text import calibration_text
    from ..photo.camera_file import write_camera_file

    photos = photos_of(session.camera)
    result = calibrate(photos, progress=lambda words: session.worker.say(ticket, words), **stated)
    number = len(camera_files(session)) + 1
    path = session.folder / f"camera-{number}.json"
    write_camera_file(camera_file_of(result), path)
    drawn = io.BytesIO()
    draw_calibration(result).savefig(drawn, format="jpg")
    session.camera.put_picture(1, drawn.getvalue())
    put_text(session.camera, calibration_text(result, Path(path.name)), len(photos))


def camera_files(session: Session) -> tuple[str, ...]:
    """The camera files of the record's folder."""
    found = session.folder.glob("camera-*.json") if session.folder.is_dir() else ()
    return tuple(sorted(path.name for path in found if re.fullmatch(r"camera-\d+\.json", path.name)))


def make_record(session: Session) -> Ticket:
    """Make the record's page anew, after the entries that are still to come."""
    from ..records.job import make_page

    def work(ticket: Ticket) -> None:
        make_page(session.folder, progress=lambda words: session.worker.say(ticket, words))

    return session.worker.put(RECORD, "the record's page", work, later=True)


def things_beside() -> tuple[tuple[str, str], ...]:
    """What may lie beside the sheet to tell its print's scale: names and words."""
    from ..sighting.known_length import THINGS

    return tuple((name, thing.words) for name, thing in THINGS.items())


def print_shelf(table: Table) -> Shelf:
    """The photos that tell how large a mirror's sheet is printed."""
    return Shelf(table.shelf.folder / "print")


def measure_print(session: Session, table: Table, thing: str) -> Ticket:
    """Measure how large the sheet is printed by a thing that lies beside it, as `align check --beside` does."""
    if thing not in dict(things_beside()):
        raise Refused(422, "Say what lies beside the sheet.", "Go back and choose it.")

    def work(ticket: Ticket) -> None:
        from ..checking.job import check

        shelf = print_shelf(table)
        photos = photos_of(shelf)
        plain = replace(session.settings(table.mirror), rule_mm=None, exact_print=False, board=None, square_mm=None)
        say = session.worker.say
        result = check(photos, replace(plain, beside=thing), progress=lambda words: say(ticket, words))
        assert result.rule_mm is not None
        text = f"{result.warnings[-1]}\nThe sheet's 100 mm rule is {result.rule_mm:.2f} mm long."
        rule = {"rule_mm": round(result.rule_mm, 2)}
        shelf.put("answer", 1, {"when": now_words(), "text": text, "photos": len(photos), **rule})

    return session.worker.put(f"{table.key}/print", "the print", work)


def keep_rule(session: Session, table: Table) -> None:
    """State of a mirror's sheet what the thing beside it told.

    Raises
    ------
    AlignError : nothing has, or the record's form cannot be written.
    """
    rule = print_shelf(table).read("answer").get(1, {}).get("rule_mm")
    if not isinstance(rule, float | int):
        raise AlignError("The print is not measured yet.", "Send a photo, and measure it.")
    mirror = replace(table.mirror, rule_mm=float(rule), exact_print=False, board=None, square_mm=None)
    session.save_mirror(mirror, table.mirror.name)


def photos_of(shelf: Shelf) -> list[Path]:
    """The files of a set; AlignError where there is none."""
    photos = [path for number in shelf.photos() if (path := shelf.photo(number)) is not None]
    if not photos:
        raise AlignError("There is no photo yet.", "Send some first.")
    return photos


def put_text(shelf: Shelf, text: str, photos: int) -> None:
    """Keep in words what came of a set."""
    shelf.put("answer", 1, {"when": now_words(), "text": text, "photos": photos})


def clear_set(session: Session, shelf: Shelf) -> None:
    """Begin a set anew."""
    shelf.clear()
    session.changed()
