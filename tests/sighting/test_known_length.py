"""The print's scale from a card or a coin beside the sheet: on drawn photos with side walls, of known scale."""

from __future__ import annotations

import numpy as np
import pytest

from align.errors import TargetError
from align.sighting.known_length import THINGS, KnownThing, print_scale
from align.solve.simulate import Simulated
from align.target.sheets import SHEETS
from tests.support.synthetic import degrees_mirror, synthetic_photo
from tests.support.things import with_thing

SHEET = SHEETS["a6"]
SIZE = (2800, 2100)


@pytest.fixture(scope="module")
def bare() -> tuple[np.ndarray, Simulated]:
    """A sheet before a mirror, from 40 degrees above the floor, a little from the right."""
    eye = (70.0, -390.0, 330.0)
    return synthetic_photo(SHEET, eye, [degrees_mirror(0.4, -0.3, 60.0)], size=SIZE, aim=(20.0, -60.0, 0.0))


CASES = [
    ("card", (125.0, -60.0), 90.0),
    ("card", (125.0, -60.0), 97.0),
    ("card", (10.0, -145.0), 4.0),
    ("euro-1", (100.0, -40.0), 0.0),
    ("euro-2", (-95.0, -80.0), 0.0),
    ("us-quarter", (95.0, -90.0), 0.0),
]


@pytest.mark.parametrize("scale", [0.97, 1.0, 1.02])
@pytest.mark.parametrize(("name", "middle", "turned_deg"), CASES)
def test_the_scale_of_a_print_is_read(bare, name, middle, turned_deg, scale):
    """Within its interval, which a card narrows to half a per cent and a coin to one."""
    photo, truth = bare
    thing = THINGS[name]
    picture = with_thing(photo, truth, thing, scale, middle, turned_deg)
    found = print_scale(picture, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, thing)
    assert found.low <= scale <= found.high, (found, scale)
    assert found.half_width < (0.012 if thing.round else 0.006)


@pytest.mark.slow
def test_nothing_beside_the_sheet_is_said(bare):
    photo, truth = bare
    for name in ("card", "euro-1"):
        with pytest.raises(TargetError, match="was found beside the sheet"):
            print_scale(photo, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, THINGS[name])


def test_a_card_askew_is_refused(bare):
    """At 45 degrees every side shows its wall or hides it."""
    photo, truth = bare
    picture = with_thing(photo, truth, THINGS["card"], 1.0, (130.0, -70.0), 45.0)
    with pytest.raises(TargetError, match="was found beside the sheet"):
        print_scale(picture, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, THINGS["card"])


@pytest.mark.slow
def test_a_thing_of_another_size_is_not_taken_for_the_named_one(bare):
    photo, truth = bare
    small = KnownThing("button", 19.0, 19.0, 2.0, 0.03, round=True)
    picture = with_thing(photo, truth, small, 1.0, (100.0, -40.0), 0.0)
    with pytest.raises(TargetError):
        print_scale(picture, truth.state.camera, truth.state.cam_from_sheet(0), SHEET, THINGS["euro-2"])
