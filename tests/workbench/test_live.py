"""The live camera from end to end, without a server: a made picture in place of a camera."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from align.checking.settings import CheckSettings
from align.records.installation import StatedMirror
from align.workbench.feeds import Feeds
from align.workbench.live import Live
from align.workbench.live_part import frame_message, live_contents
from align.workbench.live_shown import LiveShown
from align.workbench.pages import page
from align.workbench.session import Session
from tests.support.film import Scene, drawn_scene, frame_at
from tests.support.film_source import StillSource
from tests.support.patience import patient

SIZE = (1600, 900)
SCENE = drawn_scene(11, (0.0,), swing_mm=0.0)
TRUTH = SCENE.stands


class Stage:
    """What stands before the camera, which a test changes."""

    def __init__(self) -> None:
        self.pixels: NDArray[np.uint8] | None = None
        self._scenes: dict[tuple[Scene, float], list[NDArray[np.uint8]]] = {}
        self._turn = 0

    def read(self) -> NDArray[np.uint8] | None:
        """One of a few frames with noise of their own."""
        return self.pixels

    def show(self, time_s: float) -> None:
        """The mirror as it is at a time of the scene."""
        self.pixels = frame_at(SCENE, time_s, int(10 * time_s), SIZE)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, LiveShown]]:
    """A mirror shown, its reflection covered, the mirror moved, all taken away: what was shown of each."""
    stage, folder = Stage(), tmp_path_factory.mktemp("live") / "record"
    session = Session(folder)
    told: dict[str, LiveShown] = {}
    live = Live(session, StillSource(stage.read))
    try:
        told["nothing"] = until(live, lambda shown: shown.state == "no picture")
        stage.show(0.0)
        told["no mirror"] = until(live, lambda shown: shown.state == "no mirror")
        session.save_mirror(StatedMirror(name="arcade", width_mm=300, height_mm=150, exact_print=True))
        told["first"] = until(live, lambda shown: shown.state == "still" and shown.number is not None)
        table = session.attended
        assert table is not None
        until(live, lambda shown: bool(table.series.answers))
        covered = stage.pixels
        assert covered is not None
        covered = covered.copy()
        covered[: SIZE[1] * 45 // 100] = 95
        stage.pixels = covered
        told["covered"] = until(live, lambda shown: shown.state in ("no reflection", "no sheet"))
        stage.show(2.0)
        told["second"] = until(
            live, lambda shown: shown.state == "still" and shown.number is not None and shown.stand == 2
        )
        until(live, lambda shown: len(table.series.answers) > 1)
        told["page"] = live.shown
        html = page("live.html.j2", session, "mirrors", table=table, **live_contents(session, Feeds(live), table))
        assert "needle-lean-1-now" in html
        assert "role=" not in html.replace('role="img"', "")
        stage.pixels = np.full(SIZE[::-1], 100, np.uint8)
        told["empty"] = until(live, lambda shown: shown.state == "no sheet")
        yield told
    finally:
        live.stop()
        session.worker.stop(10)
    assert [answer.source for answer in table.series.answers[:2]] == ["live", "live"]
    assert [answer.stand for answer in table.series.answers[:2]] == [1, 2]
    again = Session(folder)  # nothing that was kept is taken for a photo that waits
    assert again.worker.open() == []
    again.worker.stop(5)


def until(live: Live, done: Callable[[LiveShown], bool], timeout_s: float = 60.0) -> LiveShown:
    """Wait until something is shown."""
    end = time.monotonic() + patient(timeout_s)
    while time.monotonic() < end:
        shown = live.shown
        if done(shown):
            return shown
        time.sleep(0.02)
    raise TimeoutError(f"last shown: {live.shown}")


@pytest.mark.slow
def test_what_is_missing_is_said(told: dict[str, LiveShown]) -> None:
    """No picture, no mirror, no sheet, no reflection: each by its name, with what to do."""
    assert [told[name].heading for name in ("nothing", "no mirror", "empty")] == [
        "No picture",
        "No mirror yet",
        "No sheet in view",
    ]
    assert told["covered"].heading in ("No reflection in view", "No sheet in view")
    assert all(told[name].words for name in ("nothing", "no mirror", "covered", "empty") if name != "nothing")


@pytest.mark.slow
@pytest.mark.parametrize(("name", "stand"), [("first", 0), ("second", 1)])
def test_needle_and_number_hold_the_truth(told: dict[str, LiveShown], name: str, stand: int) -> None:
    """Both with an interval that is neither too wide nor too narrow to be one."""
    lean, turn, _ = TRUTH[stand]
    shown = told[name]
    assert shown.number is not None
    for mirror in (shown.needles[0], shown.number.mirrors[0]):
        for quantity, truth in ((mirror.lean_deg, lean), (mirror.turn_deg, turn)):
            assert abs(quantity.value - truth) < 1.6 * quantity.half_width
            assert 0.001 < quantity.half_width < 0.15


@pytest.mark.slow
def test_a_frame_message_moves_needles_only(told: dict[str, LiveShown]) -> None:
    """Their places on the band, and the words beside them."""
    message = frame_message(told["page"])
    assert set(message["places"]) == {"needle-lean-1", "needle-turn-1"}
    assert "±" in message["texts"]["needle-lean-1-now"]
    assert CheckSettings().tolerance_deg == told["page"].tolerance_deg
