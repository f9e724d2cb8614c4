"""Photos of curled paper: matched again as it was solved, the answer holds; flat ones are left as they are."""

from __future__ import annotations

import numpy as np
import pytest

from align.bundle import adjustment
from align.bundle.photo_set import sight_photos
from align.solve.problem import UserConstraints
from align.solve.surface import pictured, upwards
from align.target.sheets import corners_board
from tests.rendering.analytic.cases import draw_case
from tests.rendering.analytic.draw import picture
from tests.rendering.analytic.exact import exact_pixels
from tests.rendering.analytic.finish import develop, save
from tests.rendering.analytic.scene import BentScene
from tests.support.photo_sets import SHEET, scene
from tests.support.sighted import sighted_photos
from tests.support.synthetic import degrees_mirror

EXACT = UserConstraints(exact_print=True)


@pytest.fixture(scope="module")
def curled(tmp_path_factory):
    """A drawn photo of an a5 sheet with its far edge up by 0.8 mm and its near one by 0.5 mm, and its scene."""
    drawn, finish = draw_case(7703, "curled", 5, 1).photos[0]
    path = tmp_path_factory.mktemp("curled") / "photo.jpg"
    save(develop(picture(drawn), finish), path, finish)
    return sight_photos([path], None), drawn


def farthest_px(sighted, drawn: BentScene) -> float:
    direct, reflected, _ = exact_pixels(drawn)
    boards = (sighted[0].sighting.target, *sighted[0].sighting.reflections)
    return max(
        float(np.abs(board.pixels - true[board.corner_ids]).max())
        for board, true in zip(boards, (direct, reflected), strict=True)
    )


@pytest.mark.slow
def test_curled_paper_is_matched_again_and_turn_holds(curled, monkeypatch):
    sighted, drawn = curled
    found = adjustment.solve_sighted(sighted, EXACT)
    monkeypatch.setattr(adjustment, "matched_again", lambda *_: None)
    as_planes = adjustment.solve_sighted(sighted, EXACT)
    true = np.radians(drawn.mirror.turn_deg)
    mirrors = [each.solution.mirror(0) for each in (found, as_planes)]
    offs = [abs(mirror.turn_rad - true) / mirror.sd("turn_rad") for mirror in mirrors]
    assert offs[0] < 1.96 < offs[1]
    assert farthest_px(found.photos, drawn) < 0.6 * farthest_px(sighted, drawn)


def test_a_flat_sheet_is_not_matched_again():
    sim = scene(8001, mirrors=[degrees_mirror(0.4, -0.6, 30.0, 4.0)], thickness=4.0, elevations=(35,))
    sighted = sighted_photos(SHEET, sim)
    found = adjustment.solve_sighted(sighted, EXACT)
    assert not found.solution.curls
    for before, after in zip(sighted, found.photos, strict=True):
        assert after.sighting is before.sighting


def test_where_corners_show_between_them_other_places_do_as_well():
    """`pictured` at the corners is what the solve fits, and a millimetre up moves them as a sheet's height does."""
    sim = scene(8001, mirrors=[degrees_mirror(0.4, -0.6, 30.0, 4.0)], thickness=4.0, elevations=(35,))
    solution = adjustment.solve_sighted(sighted_photos(SHEET, sim), EXACT).solution
    for view, residual in zip(solution.views, solution.residuals_px, strict=True):
        corners = corners_board(SHEET)[view.corner_ids]
        shown = pictured(SHEET, solution, 0, view.mirror, corners)
        np.testing.assert_allclose(shown - view.pixels, residual, atol=0.02)
        risen = pictured(SHEET, solution, 0, view.mirror, corners, rise_mm=1.0) - shown
        np.testing.assert_allclose(upwards(SHEET, solution, 0, view.mirror, corners), risen, atol=0.1)
