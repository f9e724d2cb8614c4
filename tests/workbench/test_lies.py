"""A sheet that was said to be turned or moved: no move of the mirror, and what the photos then tell together."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from align.bundle.photo_set import Sighted
from align.checking.settings import CheckSettings
from align.errors import SolveError
from align.records.contents import read_record
from align.records.form import settings_for
from align.records.installation import StatedMirror, installation_from_text, read_installation
from align.target.sheets import SHEETS
from align.workbench import thresholds
from align.workbench.lies import LIE_WORDS, LIES, lie_of
from align.workbench.series import Answer, Series
from align.workbench.session import Session, Table
from align.workbench.stand import Stand, next_stand
from align.workbench.words import next_step, what_changed
from tests.bench.flatness_map import FACE_MM, scene_of, sighted
from tests.support.laid_photos import LEAN_DEG, MIRROR_MM, TURN_DEG, photo_of_sheet
from tests.support.turned import turned_photos

LEAN, TURN = 0.3, 0.4
MIRROR = StatedMirror(name="arcade mirror", width_mm=MIRROR_MM[0], height_mm=MIRROR_MM[1])


def turned(
    seed: int,
    *degrees: float,
    lean_deg: float = LEAN,
    turn_deg: float = TURN,
    others: Sequence[tuple[float, float]] = (),
) -> list[Sighted]:
    """Simulated photos of one print, lying each way round, the camera in the hand; laid on exactly one spot."""
    rng = np.random.default_rng(seed)
    return turned_photos(
        SHEETS["a5"],
        rng,
        turned_deg=degrees,
        lean_deg=lean_deg,
        turn_deg=turn_deg,
        stand=False,
        spot_mm=0.0,
        others_deg=others,
    )


@pytest.fixture(scope="module")
def twice() -> tuple[Stand, Stand]:
    """A first photo; then one of the sheet turned by 90 degrees, said to be so."""
    first, second = turned(5, 0, 90)
    one, _ = next_stand(None, 1, first, CheckSettings())
    two, change = next_stand(one, 2, second, CheckSettings(), "turned")
    assert change is None
    return one, two


@pytest.mark.slow
def test_a_sheet_that_was_turned_is_no_move_of_the_mirror(twice: tuple[Stand, Stand]) -> None:
    """The photos are solved together as of a turned sheet: the same stand, a turn that is known far better."""
    one, two = twice
    assert (two.number, two.photos, two.lies) == (1, (1, 2), ("left", "turned"))
    assert two.result.settings.turned_sheet
    before, after = (stand.result.mirrors[0] for stand in twice)
    assert after.turn_deg.half_width < before.turn_deg.half_width / 3
    assert after.turn_deg.low < TURN < after.turn_deg.high
    assert after.lean_deg.low < LEAN < after.lean_deg.high
    assert not one.result.settings.turned_sheet


@pytest.mark.slow
def test_a_corner_of_two_mirrors_is_offered_it_and_gains() -> None:
    """Both mirrors are one stand, and both turns are known far better."""
    settings = CheckSettings(tolerance_deg=0.02, want_turn_deg=(40.0, -41.0))
    first, second = turned(5, 0, 90, lean_deg=0.02, turn_deg=40.0, others=[(-0.01, -41.0)])
    one, _ = next_stand(None, 1, first, settings)
    step = next_step(Series([Answer(1, 1, (1,), None, None, "2026-11-26T10:00:00", one.result)]))
    assert step is not None
    assert "Or turn the sheet on its spot by 90°" in step.words
    two, change = next_stand(one, 2, second, settings, "turned")
    assert change is None
    assert two.number == 1
    for before, after, turn in zip(one.result.mirrors, two.result.mirrors, (40.0, -41.0), strict=True):
        assert after.turn_deg.half_width < before.turn_deg.half_width / 3
        assert after.turn_deg.low < turn < after.turn_deg.high


@pytest.mark.slow
def test_unsaid_it_is_a_move(twice: tuple[Stand, Stand]) -> None:
    """As it was before: the photo alone begins a new stand."""
    one, two = twice
    alone, change = next_stand(one, 2, two.sighted[1], CheckSettings())
    assert change is not None
    assert change.moved
    assert (alone.number, alone.photos) == (2, (2,))


@pytest.mark.slow
def test_the_next_photo_is_compared_with_the_sheet_as_it_lies_now() -> None:
    """Turned, then photographed again without touching anything: one stand of three; then the mirror is packed."""
    first, second, third = turned(7, 0, 90, 90)
    stand, _ = next_stand(None, 1, first, CheckSettings())
    stand, _ = next_stand(stand, 2, second, CheckSettings(), "turned")
    stand, change = next_stand(stand, 3, third, CheckSettings())
    assert change is not None
    assert not change.moved
    assert (stand.number, stand.photos, stand.lies) == (1, (1, 2, 3), ("left", "turned", "left"))
    turn = stand.result.mirrors[0].turn_deg
    assert 0 < abs(turn.value - TURN) < 1.5 * turn.half_width  # one of twenty lies beyond the interval
    packed = turned(7, 0, 90, 90, lean_deg=0.0)[2]
    after, change = next_stand(stand, 4, packed, CheckSettings())
    assert change is not None
    assert change.moved
    assert (after.number, after.photos, after.lies) == (2, (4,), ())


@pytest.mark.slow
@pytest.mark.parametrize(("degrees", "words"), [(0.0, "lies the same way round")])
def test_what_was_said_and_is_not_so_is_refused(degrees: float, words: str) -> None:
    """A sheet that lies as it lay, or a mirror that was packed meanwhile, are no turned sheet."""
    first, second = turned(9, 0, degrees)
    stand, _ = next_stand(None, 1, first, CheckSettings())
    with pytest.raises(SolveError, match=words):
        next_stand(stand, 2, second, CheckSettings(), "turned")
    packed = turned(9, 0, 90, lean_deg=1.5)[1]
    with pytest.raises(SolveError, match="differ about the mirror's lean"):
        next_stand(stand, 2, packed, CheckSettings(), "turned")


@pytest.mark.slow
def test_a_sheet_that_was_moved_maps_the_mirror() -> None:
    """Camera on a stand, the sheet in three places: one stand, with a map though none was asked for in the form."""
    settings = CheckSettings(mirror_size_mm=FACE_MM)
    photos = sighted(scene_of(np.random.default_rng(6), bent=True), np.random.default_rng(1))[:3]
    stand, _ = next_stand(None, 1, photos[0], settings)
    shares = []
    for number, photo in enumerate(photos[1:], 2):
        stand, change = next_stand(stand, number, photo, settings, "moved")
        assert change is None
        flatness = stand.result.mirrors[0].flatness
        assert flatness is not None
        assert flatness.map is not None
        shares.append(flatness.map.measured_share)
    assert (stand.number, stand.photos) == (1, (1, 2, 3))
    assert shares[1] > shares[0]


@pytest.mark.slow
def test_anew_is_compared_with_nothing() -> None:
    """A new stand, whatever the photo shows."""
    (first,) = turned(5, 0)
    stand, _ = next_stand(None, 1, first, CheckSettings())
    again, change = next_stand(stand, 2, first, CheckSettings(), "anew")
    assert change is None
    assert (again.number, again.photos) == (2, (2,))


def test_the_first_photo_stays_and_so_does_the_number_at_most() -> None:
    """Lean and turn are counted from the first photo's sheet; of a sheet that lay still the newest are taken."""
    from align.workbench.stand import _newest

    few = [(number, None, "left" if number == 1 else "turned") for number in range(1, 20)]
    kept = [number for number, _, _ in _newest(few)]  # type: ignore[arg-type]
    assert kept[0] == 1
    assert kept[1:] == list(range(20 - thresholds.MOST_LAID + 1, 20))
    still = [(number, None, "left") for number in range(1, 20)]
    assert [number for number, _, _ in _newest(still)] == [14, 15, 16, 17, 18, 19]  # type: ignore[arg-type]


def test_what_a_person_may_say() -> None:
    """All of it has words; whatever else comes is no statement."""
    assert [lie_of(word) for word in (*LIES, "", "sideways", "ANEW")] == [*LIES, "left", "left", "left"]
    assert set(LIE_WORDS) == set(LIES)


def blank_photo() -> bytes:
    """A grey photo without a sheet."""
    file = io.BytesIO()
    Image.new("L", (640, 480), 120).save(file, "JPEG")
    return file.getvalue()


# A bench with photos ------------------------------------------------------------------------------------


def begun(folder: Path) -> tuple[Session, Table]:
    """A session with one mirror."""
    session = Session(folder)
    return session, session.save_mirror(MIRROR)


def ended(session: Session) -> None:
    """Wait for the record's entries, then end it."""
    last = session.worker.put("", "the end", lambda ticket: None, later=True, quiet=True)
    assert session.worker.wait(last, 120)
    session.worker.stop(5)


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Table]:
    """The sheet photographed, then turned; begun anew; said to be turned and not so, then so and not seen; at last,
    nothing said, turned as was said before."""
    session, table = begun(tmp_path_factory.mktemp("bench") / "record")
    sent = (
        (photo_of_sheet(), "left"),
        (photo_of_sheet(turned_deg=180.0), "turned"),
        (photo_of_sheet(seed=3), "anew"),
        (photo_of_sheet(seed=4), "turned"),
        (blank_photo(), "turned"),
        (photo_of_sheet(turned_deg=180.0, seed=5), "left"),
    )
    for photo, lie in sent:
        _, ticket = session.take_photo(table, photo, lie)
        assert session.worker.wait(ticket, 120)
    ended(session)
    return session, table


@pytest.mark.slow
def test_the_series_says_so(worked: tuple[Session, Table]) -> None:
    """No move, what was said, and how much it narrowed; then how the sheet is to lie for the next photo."""
    first, second, third, fourth = worked[1].series.answers
    assert [(a.stand, a.photos, a.moved) for a in (first, second, third)] == [
        (1, (1,), None),
        (1, (1, 2), False),
        (2, (3,), True),
    ]
    words = what_changed(second, first)[0]
    assert words.startswith("The sheet was turned since photo 1 and the mirror left alone, as you said: 2 photos")
    assert what_changed(third, second) == ["Begun afresh, as you said: nothing is compared with photo 2."]
    mirror = second.result.mirrors[0]
    assert mirror.turn_deg.low < TURN_DEG < mirror.turn_deg.high
    assert mirror.lean_deg.low < LEAN_DEG < mirror.lean_deg.high
    step = next_step(worked[1].series)
    assert fourth.lie == "turned"
    assert step is not None
    assert "Lay the sheet as it lay in photo 3" in step.words


@pytest.mark.slow
def test_what_was_said_of_a_refused_photo_holds_for_the_next(worked: tuple[Session, Table]) -> None:
    """The sheet was turned before a photo that did not show it; the one after it shows it turned, too. What a photo
    contradicts holds for no other."""
    series = worked[1].series
    assert [(refusal.number, refusal.unseen) for refusal in series.refusals] == [(4, False), (5, True)]
    assert "lies the same way round" in series.refusals[0].message
    assert series.answers[-1].photos == (3, 6)
    assert not series.answers[-1].moved


@pytest.mark.slow
def test_a_new_start_finds_it_again(worked: tuple[Session, Table]) -> None:
    """What was said lies beside the photos, and the stand is solved from them as it was."""
    session, table = worked
    said = json.loads((table.shelf.folder / "said-0002.json").read_text(encoding="utf-8"))
    assert said == {"sheet": "turned"}
    again = Session(session.folder)
    (later,) = again.tables
    assert [answer.lie for answer in later.series.answers] == ["left", "turned", "anew", "turned"]
    stand = again._stand_before(later, again.settings(later.mirror))
    again.worker.stop(5)
    assert stand is not None
    assert (stand.number, stand.photos, stand.lies) == (2, (3, 6), ("anew", "turned"))
    now = later.series.now
    assert now is not None
    assert stand.result.mirrors[0].turn_deg.value == pytest.approx(now.result.mirrors[0].turn_deg.value, abs=1e-4)


@pytest.mark.slow
def test_the_record_has_it_too(worked: tuple[Session, Table]) -> None:
    """An entry with both photos, solved as of a turned sheet."""
    entries = read_record(worked[0].folder).entries
    assert [len(item.entry.photos) for item in entries] == [1, 2, 1, 2]
    assert entries[1].entry.settings["turned_sheet"] is True


def test_said_without_its_photo_is_said_of_none(tmp_path: Path) -> None:
    """Ended between the two, the next photo of that number is not taken for one of a turned sheet."""
    from align.workbench.shelf import Shelf

    shelf = Shelf(tmp_path)
    shelf.put("said", 1, {"sheet": "turned"})
    assert shelf.put_photo(b"a", ".jpg") == 1
    assert shelf.read("said") == {}
    assert shelf.put_photo(b"b", ".jpg", {"sheet": "moved"}) == 2
    assert shelf.read("said") == {2: {"sheet": "moved"}}


def test_the_form_can_ask_for_a_map(tmp_path: Path) -> None:
    """`flatness = true` in installation.toml: as `align check --flatness`."""
    session = Session(tmp_path / "record")
    table = session.save_mirror(StatedMirror(name="arcade mirror", flatness=True))
    session.worker.stop(5)
    assert session.settings(table.mirror).flatness
    assert read_installation(session.folder).mirrors[0].flatness
    installation = installation_from_text(
        'format = "align-installation-1"\nname = "s"\n[[mirror]]\nname = "a"\nflatness = true\n'
    )
    assert settings_for(installation, "a")[0] == CheckSettings(mirror_name="a", flatness=True)
