"""A bench in use: one record folder, its mirrors, what was answered of each, and the work at hand."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from ..bundle.photo_set import Sighted
from ..checking.result import CheckResult
from ..checking.settings import CheckSettings, Units
from ..errors import AlignError, PhotoError
from ..records.installation import Installation, StatedMirror, read_installation
from ..whole_file import write_whole
from . import thresholds
from .answer_pictures import drawn_answer, drawn_map
from .lies import Lie, lie_of
from .receiving import Refused, cleaned
from .series import Answer, Series, Source, series_from_json
from .shelf import BENCH, Shelf, folder_name
from .stand import Stand, film_stand, next_stand, solved_together
from .worker import Ticket, Worker

#: What was chosen on the pages themselves.
PAGE_FILE = "page.json"
NO_FOCAL_LENGTH = (
    "The photo names no focal length: some phones drop it when they convert a photo on its way. The answer stands; "
    "its interval may be wider. A “most compatible” format (JPEG) in the phone's camera settings keeps it."
)


class Table:
    """One mirror at the bench: what is stated of it, its shelf and its series."""

    def __init__(self, folder: Path, mirror: StatedMirror) -> None:
        self.mirror = mirror
        self.key = folder_name(mirror.name)
        self.shelf = Shelf(folder / BENCH / self.key)
        self.lamps = Shelf(folder / BENCH / self.key / "lamps")
        self.series: Series = series_from_json(self.shelf.read("answer"), self.shelf.read("refusal"))

    @property
    def name(self) -> str:
        """What it is called."""
        return self.mirror.name or "The mirror"


class Session:
    """Everything that pages and films do to a record's mirrors; safe to call from several threads.

    changed : called, from any thread, whenever a page would look different
    """

    def __init__(self, folder: Path, changed: Callable[[], None] | None = None) -> None:
        self.folder = folder
        self.lock, self._drawing = threading.RLock(), threading.Lock()
        self._changed = changed or (lambda: None)
        self.version = 0
        self.worker = Worker(self.changed)
        self._tables: dict[str, Table] = {}
        self._receiving = 0
        self._attended = ""
        self.camera = Shelf(folder / BENCH / "camera")
        self._page = _page_of(folder / BENCH / PAGE_FILE)
        self.installation: Installation = read_installation(folder)
        self._lay_tables()
        for table in self.tables:
            table.series.show_in(self.units)
            self._take_up(table)

    def _take_up(self, table: Table) -> None:
        """What was acknowledged but not done when the program ended."""
        for number in table.shelf.open_photos():
            self._queue(table, number)
        kept = table.shelf.read("entry")
        for answer in table.series.answers:
            if answer.number not in kept:
                self._queue_entry(table, answer)

    def changed(self) -> None:
        """Something that pages show has changed."""
        self.version += 1
        self._changed()

    # Mirrors ------------------------------------------------------------------------------------------

    @property
    def tables(self) -> list[Table]:
        """All mirrors, in the order of the record's form."""
        with self.lock:
            return list(self._tables.values())

    def table(self, key: str) -> Table | None:
        """The mirror under an address's name."""
        with self.lock:
            return self._tables.get(key)

    @property
    def attended(self) -> Table | None:
        """The mirror that a camera or a watched folder is of: the chosen one, else the newest."""
        with self.lock:
            return self._tables.get(self._attended) or (self.tables[-1] if self._tables else None)

    def attend(self, table: Table) -> None:
        """Choose it."""
        self._attended = table.key
        self.changed()

    def save_mirror(self, mirror: StatedMirror, instead_of: str | None = None) -> Table:
        """Write a mirror into the record's form, new or instead of the one of that name.

        Raises
        ------
        AlignError : another mirror has this name, or the file cannot be written.
        """
        from ..records.write_installation import write_mirror

        with self.lock:
            taken = [name for name in self.installation.mirror_names if name != instead_of]
            if mirror.name.casefold() in [name.casefold() for name in taken]:
                raise AlignError(f"There is a mirror named {mirror.name!r} already.", "Give this one another name.")
            if instead_of is not None and folder_name(instead_of) != folder_name(mirror.name):
                self._move_shelf(instead_of, mirror.name)
            self.installation = write_mirror(self.folder, mirror, instead_of=instead_of)
            self._lay_tables()
            table = self._tables[folder_name(mirror.name)]
        self.changed()
        return table

    def read_again(self) -> None:
        """Take up what another hand has written into the record's form.

        Raises
        ------
        AlignError : it cannot be read.
        """
        with self.lock:
            self.installation = read_installation(self.folder)
            self._lay_tables()
        self.changed()

    def _move_shelf(self, old: str, new: str) -> None:
        """A mirror's photos follow it to its new name."""
        here, there = (self.folder / BENCH / folder_name(name) for name in (old, new))
        if here.is_dir() and not there.exists():
            here.rename(there)

    def _lay_tables(self) -> None:
        """A table for each mirror of the form; those that were there keep their series."""
        laid: dict[str, Table] = {}
        for mirror in self.installation.mirrors:
            if not mirror.name and mirror.size_mm is None and len(self.installation.mirrors) == 1:
                continue  # the form as it comes, not filled in yet
            key = folder_name(mirror.name)
            known = self._tables.get(key)
            if known is None:
                laid[key] = Table(self.folder, mirror)
            else:
                known.mirror = mirror
                laid[key] = known
        self._tables = laid

    def settings(self, mirror: StatedMirror) -> CheckSettings:
        """What is stated of a mirror, as `align.check` takes it.

        Raises
        ------
        AlignError : something stated cannot be meant.
        """
        from ..records.form import settings_for

        return replace(settings_for(self.installation, mirror.name, folder=self.folder)[0], units=self.units)

    @property
    def units(self) -> Units:
        """What lengths are shown in."""
        return "in" if self._page.get("units") == "in" else "mm"

    def show_in(self, units: str) -> None:
        """Show lengths in "mm" or "in" from now on, on this record's pages.

        Raises
        ------
        AlignError : the disk refused.
        """
        self._page = {**self._page, "units": units}
        write_whole(self.folder / BENCH / PAGE_FILE, json.dumps(self._page).encode(), make_folder=True)
        for table in self.tables:
            table.series.show_in(self.units)
        self.changed()

    # Photos -------------------------------------------------------------------------------------------

    @contextmanager
    def place(self) -> Iterator[None]:
        """A place for a photo that is about to be received.

        Raises
        ------
        Refused : there is none.
        """
        with self.lock:
            if self._receiving + len(self.worker.open()) >= thresholds.MOST_WAITING:
                raise Refused(
                    503, f"{thresholds.MOST_WAITING} photos are waiting already.", "Send it again shortly."
                )
            self._receiving += 1
        try:
            yield
        finally:
            with self.lock:
                self._receiving -= 1

    def take_photo(self, table: Table, data: bytes, lie: Lie = "left") -> tuple[int, Ticket]:
        """Keep a photo and queue it: once this returns, it is not lost; its number and its ticket.

        lie : how the sheet lies in it against the photo before, as the person says

        Raises
        ------
        PhotoError : it is no photo that is read here; AlignError : the disk refused.
        """
        clean, suffix = cleaned(data)
        with self.lock:
            known = table.shelf.is_known(clean)
            if known is not None:
                raise PhotoError(
                    f"This is photo {known} again; counting it twice would feign certainty.",
                    "Take another one, from a little higher or lower.",
                )
            number = table.shelf.put_photo(clean, suffix, None if lie == "left" else {"sheet": lie})
            return number, self._queue(table, number)

    def _queue(self, table: Table, number: int) -> Ticket:
        return self.worker.put(table.key, f"photo {number}", lambda ticket: self._answer(table, number, ticket))

    def _answer(self, table: Table, number: int, ticket: Ticket) -> None:
        """Solve one photo, and keep what came of it."""
        from ..checking.job import sight_for

        settings = self.settings(table.mirror)
        path = table.shelf.photo(number)
        if path is None:
            return
        unseen = True
        try:
            self.worker.say(ticket, "looking for the sheet and its reflection")
            (sighted,) = sight_for([path], settings)
            unseen = not sighted.sighting.reflections
            self.worker.say(ticket, "working out how the mirror stands")
            self.settle(table, number, sighted, lie=self._lie(table, number))
        except AlignError as error:
            message = error.message.replace(f"{path.parent}/", "")
            with self.lock:
                refusal = table.series.refuse(number, message, error.remedy, unseen=unseen)
            table.shelf.put("refusal", number, refusal.to_json())
            raise AlignError(message, error.remedy) from None

    def _lie(self, table: Table, number: int) -> Lie:
        """How the sheet lies in a photo: as was said of it, or of one before it that did not show it."""
        said = {photo: lie_of(str(raw.get("sheet", ""))) for photo, raw in table.shelf.read("said").items()}
        if number in said:
            return said[number]
        answered = table.series.now.number if table.series.now else 0
        refused = [item.number for item in table.series.refusals if item.unseen and answered < item.number < number]
        return next((said[photo] for photo in reversed(refused) if photo in said), "left")

    def settle(
        self, table: Table, number: int, sighted: Sighted, *, source: Source = "photo", lie: Lie = "left"
    ) -> Answer:
        """Solve what was sighted in a photo, or in a film's frame, and add the answer to the series and the record.

        number : of the photo on the mirror's shelf; a frame is put there first; lie : as of `take_photo`

        Raises
        ------
        AlignError : it does not answer.
        """
        settings = self.settings(table.mirror)
        before = self._stand_before(table, settings)
        stand, change = next_stand(before, number, sighted, settings, lie)
        if before is None and table.series.now is not None:
            stand = replace(stand, number=table.series.now.stand + 1)
        nameless = sighted.lens.focal_mm is None and sighted.lens.equivalent_mm is None
        notes = [NO_FOCAL_LENGTH] if nameless and source == "photo" else []
        with self.lock:
            answer = table.series.take(
                stand, change, number, notes=notes, source=source, lie="left" if before is None else lie
            )
        table.shelf.put("answer", number, answer.to_json())
        self._queue_entry(table, answer)
        return answer

    def settle_film(self, table: Table, frames: Sequence[bytes], stand: Stand) -> Answer:
        """Add a stand that was solved from a film's frames to the series and the record.

        frames : the pictures (JPEG) that belong to what `stand` has sighted, in its order

        Raises
        ------
        AlignError : the disk refused.
        """
        before = self._stand_before(table, self.settings(table.mirror))
        stand, change = film_stand(before, stand)
        numbers = tuple(table.shelf.put_photo(data, ".jpg") for data in frames)
        stand = replace(stand, photos=numbers, result=_of_files(stand.result, table.shelf, numbers))
        with self.lock:
            answer = table.series.take(stand, change, numbers[-1], source="live")
        table.shelf.put("answer", numbers[-1], answer.to_json())
        self._queue_entry(table, answer)
        self.changed()
        return answer

    def _queue_entry(self, table: Table, answer: Answer) -> None:
        words = f"the record's entry of photo {answer.number}"
        self.worker.put(table.key, words, lambda _: self._keep(table, answer), later=True, quiet=True)

    def _stand_before(self, table: Table, settings: CheckSettings) -> Stand | None:
        """The stand that the series ended with; after a new start, from its photos again."""
        from ..checking.job import sight_for

        series = table.series
        if series.stand is not None and _but_for_the_sheet(series.stand.result.settings, settings) == settings:
            return series.stand
        if series.now is None:
            return None
        lies = {answer.number: answer.lie for answer in series.answers}
        found = [(number, table.shelf.photo(number)) for number in series.now.photos]
        try:
            taken = [
                (number, sight_for([path], settings)[0], lies.get(number, "left"))
                for number, path in found
                if path is not None
            ]
            return solved_together(taken, series.now.stand, settings)[0] if taken else None
        except AlignError:
            return None

    def _keep(self, table: Table, answer: Answer) -> None:
        """The answer as an entry of the record, with its picture."""
        from ..drawing.captioned import as_png, decoded
        from ..records.job import add_entry

        picture = self.picture(table, answer)
        pictures: list[bytes | None] = [None] * len(answer.photos)
        if picture is not None:
            pictures[-1] = as_png(decoded(picture.read_bytes()))
        photos = [path for number in answer.photos if (path := table.shelf.photo(number)) is not None]
        settings, names = answer.result.settings.to_json(), [table.mirror.name] if table.mirror.name else []
        entry = add_entry(
            self.folder, answer.result, settings=settings, photos=photos, pictures=pictures, mirrors=names
        )
        table.shelf.put("entry", answer.number, {"entry": entry.name})

    def picture(self, table: Table, answer: Answer) -> Path | None:
        """The picture of an answer, drawn when it is first asked for; None where it cannot be any more."""
        with self._drawing:
            return table.shelf.picture(answer.number) or drawn_answer(table.shelf, answer, table.name)

    def map_picture(self, table: Table, answer: Answer, number: int) -> Path | None:
        """The map of a mirror's flatness in an answer, drawn when first asked for; None where there is none."""
        with self._drawing:
            known = table.shelf.picture(answer.number, f"map{number}")
            return known or drawn_map(table.shelf, answer, number, table.name)

    def close(self) -> bool:
        """Begin nothing more; whether the work at hand came to its end."""
        return self.worker.stop(thresholds.STOP_S)


def _but_for_the_sheet(settings: CheckSettings, others: CheckSettings) -> CheckSettings:
    """Settings with what photos of a turned or moved sheet add to them as others have it."""
    return replace(settings, turned_sheet=others.turned_sheet, flatness=others.flatness)


def _page_of(path: Path) -> dict[str, str]:
    """What was chosen before; nothing where it cannot be read."""
    try:
        raw = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return {str(key): str(value) for key, value in raw.items()} if isinstance(raw, dict) else {}


def _of_files(result: CheckResult, shelf: Shelf, numbers: Sequence[int]) -> CheckResult:
    """A film's answer, its photos named after the files that they have become."""
    from ..photo.file import read_file

    files = [read_file(path)[0] for number in numbers if (path := shelf.photo(number)) is not None]
    names = [str(file.path) for file in files]
    photos = tuple(replace(photo, file=name) for photo, name in zip(result.photos, names, strict=True))
    overlays = tuple(replace(overlay, file=name) for overlay, name in zip(result.overlays, names, strict=True))
    return replace(result, photos=photos, overlays=overlays, sources=tuple(files))
