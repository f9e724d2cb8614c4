"""Figures with intervals: every quantity of a tree combined, whatever the moved trees lack."""

from __future__ import annotations

import pytest

from align.planning.figures import (
    Figures,
    GhostFigures,
    MaskFigures,
    MirrorFigures,
    SeamFigures,
    ThingShares,
    with_intervals,
)
from align.quantity import Quantity, exactly


def tree(value: float, mask: bool = True) -> Figures:
    """Figures that all have one value; a mask only if wished."""
    q = exactly(value)
    return Figures(
        own_face_share=q,
        things={"cart": ThingShares(q, q, q)},
        paths={},
        mirrors=(
            MirrorFigures(
                edges={"left": q},
                seams={None: SeamFigures(q, q, q), 2.0: SeamFigures(q, q, q)},
                mask=MaskFigures(q, q) if mask else None,
                ghosts={("lantern", None): GhostFigures(q, q, q)},
            ),
        ),
    )


def test_every_quantity_of_the_tree_gets_its_interval() -> None:
    found = with_intervals(tree(10.0), [(tree(7.0), tree(13.0)), (tree(6.0), tree(14.0))])
    expected = Quantity(10.0, 5.0, 15.0)  # 3 and 4 in squares
    assert found.own_face_share == found.things["cart"].mirrored == expected
    assert found.mirrors[0].seams[2.0].most_arcmin == expected
    assert found.mirrors[0].ghosts["lantern", None].seen_share == expected
    assert found.mirrors[0].mask is not None
    assert found.mirrors[0].mask.height_mm == expected


def test_what_a_moved_tree_lacks_counts_as_not_moved() -> None:
    without = Figures(exactly(7.0), {}, {}, (MirrorFigures({}, {}, None, {}),))
    found = with_intervals(tree(10.0), [(without, tree(12.0))])
    assert found.own_face_share.low == pytest.approx(7.0)
    assert found.mirrors[0].mask is not None
    assert found.mirrors[0].mask.height_mm == Quantity(10.0, 10.0, 12.0)
    assert found.mirrors[0].seams[None].least_mm == Quantity(10.0, 10.0, 12.0)


def test_a_scene_without_uncertainty_keeps_its_points() -> None:
    assert with_intervals(tree(3.0, mask=False), []) == tree(3.0, mask=False)
