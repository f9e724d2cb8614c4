"""Random scenes for `align plan`: one, two or three mirrors, boxes, panels, things with every kind of wish."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from align.planning.bodies import Box, panel
from align.planning.scene import WANTS, Floor, Lamp, Mirror, Path, Scene, Thing, Viewers

#: Where the first mirror stands, and where others may: x, y [mm] and turn [deg].
SIDES = ((-330.0, 260.0, 80.0), (330.0, 220.0, -85.0), (-180.0, 330.0, 40.0), (200.0, 340.0, -50.0))


def random_scene(rng: np.random.Generator, mirrors: int | None = None, spacing_mm: float = 250.0) -> Scene:
    """A scene of one to three mirrors that some wishes are met in and some are not."""
    count = int(rng.integers(1, 4)) if mirrors is None else mirrors
    sides = rng.permutation(len(SIDES))[: count - 1]
    first = _mirror(rng, (rng.uniform(-40, 40), 520.0), rng.uniform(-6, 6), rng.uniform(160, 300))
    others = tuple(
        replace(
            _mirror(rng, SIDES[k][:2], SIDES[k][2] + rng.uniform(-8, 8), rng.uniform(80, 160)), name=f"side {k}"
        )
        for k in sides
    )
    things = tuple(_thing(rng, k) for k in range(int(rng.integers(1, 5))))
    return Scene(
        "Random",
        replace(first, name="end") if others else first,
        Floor((-350.0, 350.0, 0.0, 560.0), 880.0),
        Viewers((-400.0, 400.0, -900.0, -350.0), tuple(sorted(rng.uniform(950, 1700, 2))), spacing_mm),
        blockers=tuple(_body(rng, k) for k in range(int(rng.integers(1, 5)))),
        things=things,
        lamps=(Lamp("lantern", (rng.uniform(-100, 100), rng.uniform(100, 460), rng.uniform(40, 150))),),
        paths=(Path("street", np.array([[0.0, 0.0], [0.0, 500.0]]), 60.0),),
        more_mirrors=others,
        keep_clear=(Box("tram", (rng.uniform(-80, 80), 250.0), (50.0, 300.0, 60.0)),) if rng.random() < 0.3 else (),
    )


def corner_scene(angle_deg: float = 70.0, glass_mm: float = 4.0) -> Scene:
    """Two mirrors that meet at the end of a street and open towards the viewers; houses and letters before them."""
    half = math.radians(angle_deg) / 2
    mirrors = [
        Mirror(
            (side * math.sin(half) * 110.0, 520.0 - math.cos(half) * 110.0),
            220.0,
            160.0,
            turn=-side * (math.pi / 2 - half),
            glass_mm=glass_mm,
            name="left" if side < 0 else "right",
        )
        for side in (-1.0, 1.0)
    ]
    return Scene(
        "Corner",
        mirrors[0],
        Floor((-350.0, 350.0, 0.0, 560.0), 880.0),
        Viewers((-200.0, 200.0, -800.0, -400.0), (1000.0, 1300.0), 200.0),
        blockers=(Box("kiosk", (20.0, 400.0), (24.0, 24.0, 50.0), turn=0.3),),
        things=(
            Thing("sign", "not reversed", Box("sign", (-30.0, 350.0), (20.0, 4.0, 14.0), 40.0), lettering=True),
        ),
        more_mirrors=(mirrors[1],),
    )


def _mirror(rng: np.random.Generator, at: tuple[float, float], turn_deg: float, width: float) -> Mirror:
    lean = math.radians(rng.uniform(-3, 3))
    glass = float(rng.choice([0.0, 3.0, 4.0, 6.0]))
    return Mirror(
        (at[0], at[1]),
        width,
        rng.uniform(90, 200),
        0.0,
        lean,
        math.radians(turn_deg),
        glass,
        rng.uniform(1.5, 1.54),
    )


def _body(rng: np.random.Generator, number: int) -> Box:
    x, y = rng.uniform(-250, 250), rng.uniform(40, 420)
    if rng.random() < 0.5:
        angle, reach = rng.uniform(0, math.pi), rng.uniform(40, 130)
        aside = (reach * math.cos(angle), reach * math.sin(angle))
        base = float(rng.choice([0.0, rng.uniform(40, 110)]))
        return panel(f"wall {number}", (x, y), (x + aside[0], y + aside[1]), base, base + rng.uniform(40, 150))
    return Box(f"house {number}", (x, y), tuple(rng.uniform(20, 110, 3)), 0.0, rng.uniform(-1.5, 1.5))


def _thing(rng: np.random.Generator, number: int) -> Thing:
    want = WANTS[int(rng.integers(len(WANTS)))]
    size = tuple(rng.uniform(8, 40, 3))
    at = (rng.uniform(-220, 220), rng.uniform(60, 480))
    least = 1.0 if want in ("hide", "not reversed") else float(rng.choice([0.3, 0.6, 0.9]))
    body = Box(f"thing {number}", at, size, float(rng.choice([0.0, rng.uniform(10, 120)])))
    return Thing(body.name, want, body, bool(rng.random() < 0.4), least)
