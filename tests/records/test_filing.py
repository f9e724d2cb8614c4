"""Checks go into a record as its form says: settings, mirror, contradictions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from align.checking.result import CheckResult
from align.checking.settings import CheckSettings, Mount
from align.errors import AlignError, FileFormatError
from align.records.filing import RecordQuestion, is_record, open_filing
from align.records.form import settings_for, stated_from
from align.records.installation import Installation, StatedMirror, read_installation
from tests.support.answers import made_answer, made_mirror

STATED = StatedMirror(
    "arcade",
    300,
    150,
    4.0,
    mount="foot",
    foot_depth_mm=40,
    want_turn_deg=12,
    tolerance_deg=0.2,
    rule_mm=100.2,
    camera="phone.json",
    touching=True,
    stock_mm=(0.1, 0.5),
)
ARCADE = StatedMirror("arcade", 300, 150, want_turn_deg=12.0, sheet="a5")
YARD = StatedMirror("yard", 200, 100, sheet="a5", tolerance_deg=0.3)
SHED = StatedMirror("shed", sheet="a6", glass_mm=3.0)


def record(folder: Path, *mirrors: StatedMirror) -> Path:
    """A record with a form and no entry."""
    folder.mkdir()
    parts = ['format = "align-installation-1"\nname = "Harbour street"\n']
    for mirror in mirrors:
        parts.append(f'[[mirror]]\nname = "{mirror.name}"\n')
        parts += [
            f"{key} = {value!r}\n".replace("'", '"')
            for key in ("width_mm", "height_mm", "glass_mm", "want_turn_deg", "tolerance_deg", "sheet")
            if (value := getattr(mirror, key)) not in (None, "")
        ]
    (folder / "installation.toml").write_text("".join(parts), encoding="utf-8")
    return folder


def answer(turn_deg: float, sheet: str = "a5", mirrors: int = 1) -> CheckResult:
    """An answer of mirrors that stand alike."""
    made = [made_mirror(0.1, turn_deg, number=n) for n in range(1, mirrors + 1)]
    return replace(made_answer(*made), sheet=sheet)


class Again:
    """Checks again: notes the settings and gives the answer back."""

    def __init__(self, result: CheckResult) -> None:
        self.result, self.asked = result, list[CheckSettings]()

    def __call__(self, settings: CheckSettings) -> CheckResult:
        self.asked.append(settings)
        return replace(self.result, settings=settings)


def test_the_form_is_obeyed() -> None:
    """Size, mount, wanted turn, tolerance, rule, camera, glass, contact, stock: all that it states."""
    settings, notes = settings_for(Installation("x", mirrors=(STATED,)), folder=Path("record"))
    assert notes == ()
    assert settings == CheckSettings(
        camera=Path("record/phone.json"),
        mirror_size_mm=(300, 150),
        mirror_name="arcade",
        mount=Mount("foot", 40),
        want_turn_deg=(12.0,),
        tolerance_deg=0.2,
        glass_mm=4.0,
        rule_mm=100.2,
        touching=True,
        stock_mm=(0.5, 0.1),
    )
    assert settings_for(Installation("x"))[0] == CheckSettings()


def test_what_the_command_line_says_wins_and_is_noted() -> None:
    """One note for each that differs; a board takes the sheet's rule out."""
    installation = Installation("x", mirrors=(STATED,))
    settings, notes = settings_for(installation, "Arcade", {"tolerance_deg": 0.5, "mirror_size_mm": (300, 150)})
    assert settings.tolerance_deg == 0.5
    assert notes == ("The tolerance was stated as 0.5 for this check, not as 0.2 as in installation.toml.",)
    settings, _ = settings_for(installation, "arcade", {"board": (9, 6), "square_mm": 12.0})
    assert settings.rule_mm is None
    with pytest.raises(AlignError, match="no mirror named 'shed'"):
        settings_for(installation, "shed")


def test_a_form_that_cannot_be_meant_names_the_file() -> None:
    """A foot without depth; a side of a millimetre."""
    for wrong in (StatedMirror(mount="foot"), StatedMirror("a", 1, 1)):
        with pytest.raises(FileFormatError, match=r"installation\.toml"):
            settings_for(Installation("x", mirrors=(wrong,)))


def test_only_the_only_mirror_or_the_one_that_fits(tmp_path: Path) -> None:
    """By sheet and turn; checked again with that mirror's own settings."""
    result = answer(12.3)
    [one] = [open_filing(record(tmp_path / "one", YARD)).settle(answer(0.0), Again(result))]
    assert (one.names, one.notes) == (("yard",), ())
    filing = open_filing(record(tmp_path / "three", ARCADE, YARD, SHED))
    assert filing.settings()[0] == CheckSettings(), "nothing that only one of them is"
    again = Again(result)
    filed = filing.settle(result, again)
    assert filed.names == ("arcade",)
    assert again.asked == [settings_for(filing.installation, "arcade", folder=filing.folder)[0]]
    assert filed.result.settings == again.asked[0]
    assert filing.settle(answer(0.4), Again(result)).names == ("yard",)
    assert filing.settle(answer(3.0, "a6"), Again(result)).names == ("shed",)


@pytest.mark.parametrize(
    ("names", "result", "message", "remedy"),
    [
        ((), answer(6.0), "several of its mirrors", 'arcade" or "yard'),
        ((), answer(60.0), "none of its mirrors", "--mirror-name"),
        ((), answer(0.0, "a4"), "none of its mirrors", "--mirror-name"),
        ((), answer(0.0, mirrors=2), "shows 2 mirrors", "left to right"),
        (("shed",), answer(0.0), "checked with sheet a6; this photo shows sheet a5", "add it there"),
        (("yard",), answer(12.0), 'as "arcade" should', "--want-turn"),
        (("yard",), answer(0.0, mirrors=2), "shows 2 mirrors, and 1 was named", "once for each"),
        (("yard", "arcade"), answer(0.0), "shows one mirror, and 2", "once for each"),
    ],
)
def test_contradictions_are_asked_about(
    tmp_path: Path, names: tuple[str, ...], result: CheckResult, message: str, remedy: str
) -> None:
    """Nothing is mixed."""
    filing = open_filing(record(tmp_path / "r", ARCADE, YARD, SHED), names)
    with pytest.raises(RecordQuestion, match=message) as caught:
        filing.settle(result, Again(result))
    assert remedy in caught.value.remedy


def test_several_mirrors_in_one_photo_by_their_names(tmp_path: Path) -> None:
    """Each its wanted turn and size; the strictest tolerance."""
    filing = open_filing(record(tmp_path / "r", ARCADE, YARD), ["Yard", "arcade"])
    settings, _ = filing.settings()
    assert (settings.want_turn_deg, settings.tolerance_deg) == ((0.0, 12.0), 0.3)
    assert settings.mirror_size_mm == ((200.0, 100.0), (300.0, 150.0))
    assert filing.settle(answer(1.0, mirrors=2), Again(answer(1.0))).names == ("yard", "arcade")
    settings, notes = open_filing(tmp_path / "r", ["yard", "arcade"], {"mirror_size_mm": (90.0, 80.0)}).settings()
    assert settings.mirror_size_mm == (90.0, 80.0)
    assert notes == (
        "The mirror's size was stated as 90 x 80 for this check, not as 200 x 100, 300 x 150 as in "
        "installation.toml.",
    )


def test_what_cannot_count_for_several_is_said(tmp_path: Path) -> None:
    """One of the mirrors has its glass stated: it is not used, and a note says so."""
    settings, notes = open_filing(record(tmp_path / "r", YARD, SHED), ["yard", "shed"]).settings()
    assert settings.glass_mm is None
    assert settings.mirror_size_mm == ((200.0, 100.0), None)
    assert [note.split(" and ")[0] for note in notes] == ["The glass of these mirrors differs in installation.toml"]


def test_a_stated_turn_overrules_the_forms(tmp_path: Path) -> None:
    """Then a named mirror at another one's turn is no contradiction."""
    filing = open_filing(record(tmp_path / "r", ARCADE, YARD), ["yard"], {"want_turn_deg": (12.0,)})
    filed = filing.settle(answer(12.1), Again(answer(12.1)))
    assert filed.names == ("yard",)


def test_a_folder_that_is_no_record_is_made_only_when_asked(tmp_path: Path) -> None:
    """And then with what was stated of the mirror."""
    with pytest.raises(AlignError, match="is no record") as caught:
        open_filing(tmp_path / "new")
    assert "--start" in caught.value.remedy
    assert not (tmp_path / "new").exists()
    stated = {"mirror_size_mm": (300, 150), "want_turn_deg": (12.0,), "mount": Mount("foot", 40)}
    filing = open_filing(tmp_path / "new", ["arcade"], stated, start=True)
    assert is_record(tmp_path / "new")
    expected = StatedMirror("arcade", 300, 150, mount="foot", foot_depth_mm=40, want_turn_deg=12)
    assert read_installation(tmp_path / "new").mirrors == (expected,) == filing.installation.mirrors
    assert stated_from({}) == StatedMirror()


def test_lamps_need_a_name_where_there_are_several(tmp_path: Path) -> None:
    """A photo of lamps shows no turn to tell the mirrors by."""
    with pytest.raises(RecordQuestion, match="None was named"):
        open_filing(record(tmp_path / "r", ARCADE, YARD)).only_names()
    assert open_filing(tmp_path / "r", ["yard"]).only_names() == ("yard",)
