"""The bench's other work: which glass, which camera, the record's page, the plan. The commands' own functions."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ..errors import AlignError, PhotoError
from . import thresholds
from .form import LONGEST, number_of
from .form_fields import Field
from .receiving import Refused, cleaned
from .series import now_words
from .session import PICTURE_PX, PICTURE_QUALITY, Session, Table
from .shelf import Shelf
from .worker import Ticket

CAMERA, RECORD, PLAN = "camera", "record", "plan"
#: What helps where photos of lamps do not show the sheet.
WITHOUT_SHEET = {
    "distance_mm": Field("distance_mm", "From the phone to the lamps' reflections", unit="mm", bounds=(1.0, 1e5)),
    "glass_mm": Field("glass_mm", "What the glass is thought to be", unit="mm", bounds=(0.5, 50.0)),
}
FIRST_SCENE = "scene.toml"
_SCENE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.toml")


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
    """What was stated for photos that do not show the sheet, as `find_glass` takes it.

    Raises
    ------
    Refused : it is no length.
    """
    found: dict[str, float | None] = {}
    for entry, field in WITHOUT_SHEET.items():
        try:
            found[entry] = number_of(field, written.get(entry, ""))
        except ValueError as error:
            raise Refused(422, f"{field.label}: {error}", "Go back and write it as in 620 or 24 in.") from None
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

    photos = _photos(table.lamps)
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
    _put_text(table.lamps, glass_text(result), len(photos))
    pictures = [as_png(pixels), *[None] * (len(photos) - 1)]
    names = [table.mirror.name] if table.mirror.name else []
    add_entry(session.folder, result, settings={}, photos=photos, pictures=pictures, mirrors=names)


@dataclass(frozen=True)
class EntryShown:
    """An entry of the record: its number, day, mirrors' names and what it is."""

    number: int
    day: str
    mirrors: str
    words: str


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
        found.append(EntryShown(place.number, entry.date[:16].replace("T", ", "), ", ".join(entry.mirrors), words))
    return found


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


def measure_camera(session: Session) -> Ticket:
    """Measure a camera from the photos of its set; its file lands in the record's folder."""
    return session.worker.put(CAMERA, "the camera", lambda ticket: _camera(session, ticket))


def _camera(session: Session, ticket: Ticket) -> None:
    import io

    from ..calibration.job import calibrate, camera_file_of
    from ..calibration.picture import draw_calibration
    from ..calibration.text import calibration_text
    from ..photo.camera_file import write_camera_file

    photos = _photos(session.camera)
    result = calibrate(photos, progress=lambda words: session.worker.say(ticket, words))
    number = len(camera_files(session)) + 1
    path = session.folder / f"camera-{number}.json"
    write_camera_file(camera_file_of(result), path)
    drawn = io.BytesIO()
    draw_calibration(result).savefig(drawn, format="jpg")
    session.camera.put_picture(1, drawn.getvalue())
    _put_text(session.camera, calibration_text(result, Path(path.name)), len(photos))


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


def scenes(session: Session) -> tuple[str, ...]:
    """The scene files of the record's folder."""
    found = session.folder.glob("*.toml") if session.folder.is_dir() else ()
    names = (path.name for path in found if path.name != "installation.toml")
    return tuple(sorted(name for name in names if _SCENE_NAME.fullmatch(name)))


def start_scene(session: Session) -> None:
    """Write the commented example scene, to be changed into one's own; never over one that is there."""
    from ..planning.scene_file import start_file

    session.folder.mkdir(parents=True, exist_ok=True)
    start_file(session.folder / FIRST_SCENE)
    session.changed()


def plan_folder(session: Session, scene: str) -> Path:
    """Where a scene's pictures lie."""
    return session.folder / f"plan-{scene.removesuffix('.toml')}"


def work_out_plan(session: Session, scene: str) -> Ticket:
    """Plan a scene and draw its pictures."""

    def work(ticket: Ticket) -> None:
        from ..planning.job import plan
        from ..planning.pictures.sheets import draw_plan

        session.worker.say(ticket, "looking along every line of sight")
        result = plan(session.folder / scene)
        session.worker.say(ticket, "drawing")
        draw_plan(result, plan_folder(session, scene))

    return session.worker.put(PLAN, f"the plan of {scene}", work)


def plan_pictures(session: Session, scene: str) -> tuple[str, ...]:
    """The names of a plan's pictures."""
    folder = plan_folder(session, scene)
    return tuple(sorted(path.name for path in folder.glob("*.png"))) if folder.is_dir() else ()


def plan_words(session: Session, scene: str) -> str:
    """A plan in words; "" where there is none."""
    try:
        return (plan_folder(session, scene) / "plan.txt").read_text(encoding="utf-8")
    except OSError:
        return ""


def _photos(shelf: Shelf) -> list[Path]:
    photos = [path for number in shelf.photos() if (path := shelf.photo(number)) is not None]
    if not photos:
        raise AlignError("There is no photo yet.", "Send some first.")
    return photos


def _put_text(shelf: Shelf, text: str, photos: int) -> None:
    shelf.put("answer", 1, {"when": now_words(), "text": text, "photos": photos})


def clear_set(session: Session, shelf: Shelf) -> None:
    """Begin a set anew."""
    shelf.clear()
    session.changed()
