"""Which mirror of a record an answer is of, and the settings that it is checked with."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..checking.result import CheckResult
from ..checking.settings import CheckSettings
from ..errors import AlignError
from ..target.sheets import SHEETS
from .entry_folders import ENTRIES
from .form import merged, note_on_unlike, settings_for, settings_of_mirror, stated_from
from .installation import FILE_NAME, Installation, StatedMirror, listed, read_installation
from .thresholds import SAME_TURN_DEG
from .write_installation import write_mirror, write_start


class RecordQuestion(AlignError):
    """An answer could be of several mirrors of a record, or is not of the one that was named."""


@dataclass(frozen=True)
class Filed:
    """An answer that belongs to a record: names of its mirrors from the left, and what was stated otherwise."""

    result: CheckResult
    names: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Filing:
    """How answers go into one record.

    names : the mirrors that the user named, from the left, () for none; overrides : fields of `CheckSettings` that
    come before those of installation.toml
    """

    folder: Path
    installation: Installation
    names: tuple[str, ...] = ()
    overrides: Mapping[str, Any] = field(default_factory=dict)

    def settings(self) -> tuple[CheckSettings, tuple[str, ...]]:
        """The settings to check with, as far as they are known before the photo is.

        Raises
        ------
        AlignError : installation.toml states what cannot be meant, or mirrors with boards that differ and none was
            named.
        """
        if len(self.names) == 1 or (not self.names and len(self.installation.mirrors) < 2):
            name = self.names[0] if self.names else ""
            return settings_for(self.installation, name, self.overrides, folder=self.folder)
        mirrors = [self.installation.mirror(name) for name in self.names] or self.installation.mirrors
        fields = [settings_of_mirror(mirror, self.folder) for mirror in mirrors]
        together = {
            name: value
            for name, value in fields[0].items()
            if name != "mirror_name" and all(other.get(name) == value for other in fields)
        }
        if "board" not in together and any("board" in one for one in fields) and "board" not in self.overrides:
            raise self._question("Its mirrors are checked with boards that differ, and none was named.", mirrors)
        if not self.names:
            return merged(together, self.overrides)
        together |= _of_several(mirrors)
        settings, notes = merged(together, self.overrides)
        told = {*together, *self.overrides, "mirror_name", "touching"}
        unlike = [name for name in dict.fromkeys(name for one in fields for name in one) if name not in told]
        return settings, (*notes, *map(note_on_unlike, unlike))

    def settle(self, result: CheckResult, check_again: Callable[[CheckSettings], CheckResult]) -> Filed:
        """Find the mirror that an answer is of; the answer with that mirror's settings.

        Parameters
        ----------
        result : by the settings of `settings`
        check_again : checks the same photos with other settings

        Raises
        ------
        RecordQuestion : several mirrors fit, or none, or the named one does not.
        """
        settings, notes = self.settings()
        count, mirrors = len(result.mirrors), self.installation.mirrors
        if self.names:
            self._check_named(result)
            return Filed(result, self.names, notes)
        if len(mirrors) < 2:
            self._check_sheet(result, mirrors)
            return Filed(result, self.installation.mirror_names if count == len(mirrors) else (), notes)
        if count > 1:
            raise self._question(f"The photo shows {count} mirrors, and none was named.", mirrors, count)
        fitting = [mirror for mirror in mirrors if self._fits(mirror, result)]
        if len(fitting) != 1:
            which = "none of its mirrors is checked with" if not fitting else "several of its mirrors could be of"
            turn = result.mirrors[0].turn_deg.value
            raise self._question(
                f"It cannot tell which mirror this is: {which} sheet {result.sheet} and a turn of {turn:.1f}°.",
                fitting or mirrors,
            )
        name = fitting[0].name
        own, notes = settings_for(self.installation, name, self.overrides, folder=self.folder)
        return Filed(result if own == settings else check_again(own), (name,), notes)

    def only_names(self) -> tuple[str, ...]:
        """The name of the mirror that answers are of, where no photo can tell: as named, or the only one.

        Raises
        ------
        RecordQuestion : there are several, and none was named.
        """
        if not self.names and len(self.installation.mirrors) > 1:
            raise self._question("None was named.", self.installation.mirrors)
        return self.names or self.installation.mirror_names

    def _fits(self, mirror: StatedMirror, result: CheckResult) -> bool:
        """Whether sheet and turn of the only mirror of an answer are those of a mirror of the record."""
        return self._sheet_fits(mirror, result) and self._turn_fits(mirror, result)

    def _sheet_fits(self, mirror: StatedMirror, result: CheckResult) -> bool:
        if mirror.board is not None and "board" not in self.overrides:
            return result.sheet not in SHEETS
        return not mirror.sheet or mirror.sheet == result.sheet

    def _turn_fits(self, mirror: StatedMirror, result: CheckResult) -> bool:
        wanted = self.overrides.get("want_turn_deg", mirror.want_turn_deg) or 0.0
        wanted = wanted if isinstance(wanted, int | float) else wanted[0]
        off = (result.mirrors[0].turn_deg.value - wanted + 180.0) % 360.0 - 180.0
        return abs(off) <= SAME_TURN_DEG

    def _check_named(self, result: CheckResult) -> None:
        """Refuse an answer that is of other mirrors than those that were named."""
        named = [self.installation.mirror(name) for name in self.names]
        if len(named) != len(result.mirrors):
            raise RecordQuestion(
                f"The photo shows {_mirrors(len(result.mirrors))}, and {len(named)} was named.",
                "Give --mirror-name once for each mirror in the photo, from left to right.",
            )
        self._check_sheet(result, named)
        if len(named) > 1 or self._turn_fits(named[0], result):
            return
        others = [m for m in self.installation.mirrors if m.name != named[0].name and self._fits(m, result)]
        if others:
            raise RecordQuestion(
                f'"{named[0].name}" is to have a turn of {named[0].want_turn_deg or 0:g}°, this one has '
                f"{result.mirrors[0].turn_deg.value:.1f}°, as {listed(m.name for m in others)} should.",
                f"Name that one, or state the wanted turn: --want-turn, or want_turn_deg in {FILE_NAME}.",
            )

    def _check_sheet(self, result: CheckResult, mirrors: Sequence[StatedMirror]) -> None:
        """Refuse an answer with another sheet than the form says."""
        for mirror in mirrors:
            if not self._sheet_fits(mirror, result):
                which = f'"{mirror.name}"' if mirror.name else "the mirror"
                known = f"sheet {mirror.sheet}" if mirror.sheet else "a plain board"
                raise RecordQuestion(
                    f"{self.folder / FILE_NAME} says that {which} is checked with {known}; this photo shows "
                    f"{'sheet ' if result.sheet in SHEETS else ''}{result.sheet}.",
                    f"If it is another mirror, add it there and name it with --mirror-name; if the sheet changed, "
                    f"change it in {FILE_NAME}.",
                )

    def _question(self, what: str, mirrors: Sequence[StatedMirror], count: int = 1) -> RecordQuestion:
        """Ask which mirror is meant."""
        names = [mirror.name for mirror in mirrors]
        how = " ".join(f'--mirror-name "{name}"' for name in (names * count)[:count]) if count > 1 else ""
        return RecordQuestion(
            f"{self.folder} has {_mirrors(len(self.installation.mirrors))}. {what}",
            f"Name them from left to right: {how}." if how else f"Say which it is: --mirror-name {listed(names)}.",
        )


def open_filing(
    folder: str | os.PathLike[str],
    names: Sequence[str] = (),
    overrides: Mapping[str, Any] | None = None,
    *,
    start: bool = False,
) -> Filing:
    """Make ready to add answers to a record.

    Parameters
    ----------
    names : of the mirrors that the answers are of, from the left; () where the record may find out
    overrides : fields of `CheckSettings` that come before what installation.toml states
    start : make the folder a record if it is none yet, with what the overrides state of the mirror

    Raises
    ------
    AlignError : the folder is no record, its form is wrong, or it has no such mirror.
    """
    folder, overrides = Path(folder), dict(overrides or {})
    if not is_record(folder):
        if not start:
            raise AlignError(
                f"{folder} is no record: it has neither {FILE_NAME} nor entries.",
                "Look at the name, or begin a record there: the same command with --start.",
            )
        write_start(folder)
        stated = stated_from(overrides, names[0] if len(names) == 1 else "")
        if stated != StatedMirror():
            write_mirror(folder, stated)
    installation = read_installation(folder)
    return Filing(folder, installation, tuple(installation.mirror(name).name for name in names), overrides)


def is_record(folder: Path) -> bool:
    """Whether a folder is a record: it has a form, or entries."""
    return (folder / FILE_NAME).is_file() or (folder / ENTRIES).is_dir()


def _of_several(mirrors: Sequence[StatedMirror]) -> dict[str, Any]:
    """What is stated of each of several mirrors in one photo; of the tolerances the strictest."""
    found: dict[str, Any] = {"want_turn_deg": tuple(mirror.want_turn_deg or 0.0 for mirror in mirrors)}
    if any(mirror.size_mm for mirror in mirrors):
        found["mirror_size_mm"] = tuple(mirror.size_mm for mirror in mirrors)
    if tolerances := [mirror.tolerance_deg for mirror in mirrors if mirror.tolerance_deg is not None]:
        found["tolerance_deg"] = min(tolerances)
    if touched := tuple(number for number, mirror in enumerate(mirrors, 1) if mirror.touching):
        found["touching_mirrors"] = touched
    return found


def _mirrors(count: int) -> str:
    return "one mirror" if count == 1 else f"{count} mirrors"
