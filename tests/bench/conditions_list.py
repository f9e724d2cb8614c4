"""The conditions of docs/conditions.md: which scenes, what befalls the photo, what the user tells `align check`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.bench.conditions_finish import PHONE, darkened, defocused, dirtied, glaring, shaken
from tests.bench.conditions_scenes import SCENES, Scene
from tests.rendering.phone import develop

Light = NDArray[np.float32]
Pixels = NDArray[np.uint8]
Finish = Callable[[Light, Scene, int, np.random.Generator], Pixels]


@dataclass(frozen=True)
class Condition:
    """One row of the table: ten scenes of a kind, finished alike; options : words for the command line."""

    name: str
    kind: str
    finish: Finish
    options: Callable[[Scene], list[str]] = lambda _: []
    same_photo_as: str = ""


def _seed(rng: np.random.Generator) -> int:
    """A seed for the noise: drawn anew for each photo, for one draw in all conditions would err alike in all."""
    return int(rng.integers(2**31))


def _developed(light: Light, scene: Scene, number: int, rng: np.random.Generator) -> Pixels:
    return develop(light, PHONE, _seed(rng))


def _shaken(length_px: float) -> Finish:
    def finish(light: Light, scene: Scene, number: int, rng: np.random.Generator) -> Pixels:
        angle = math.pi * (number + float(rng.uniform(0, 1))) / SCENES
        return develop(shaken(light, length_px, angle, rng), PHONE, _seed(rng))

    return finish


def _defocused(diameter_px: float) -> Finish:
    def finish(light: Light, scene: Scene, number: int, rng: np.random.Generator) -> Pixels:
        return develop(defocused(light, scene.spec, diameter_px, near=number % 2 == 0), PHONE, _seed(rng))

    return finish


def _dark(white: float, noise: float) -> Finish:
    return lambda light, scene, number, rng: darkened(light, white, noise, _seed(rng))


def _glaring(light: Light, scene: Scene, number: int, rng: np.random.Generator) -> Pixels:
    return develop(glaring(light, scene.spec, rng), PHONE, _seed(rng))


def _dirty(strength: float) -> Finish:
    return lambda light, scene, number, rng: develop(dirtied(light, scene.spec, strength, rng), PHONE, _seed(rng))


def _want_turn(turn_deg: float) -> Callable[[Scene], list[str]]:
    """The turn that the user wants, with the sign that the sheet's lie gives it."""
    return lambda scene: ["--want-turn", f"{math.copysign(turn_deg, scene.truth.turn_deg):g}"]


STRAIGHT = "as the guide asks"
CONDITIONS: tuple[Condition, ...] = (
    Condition("as the guide asks", STRAIGHT, _developed),
    Condition("shaken, 2 px", STRAIGHT, _shaken(2)),
    Condition("shaken, 4 px", STRAIGHT, _shaken(4)),
    Condition("shaken, 8 px", STRAIGHT, _shaken(8)),
    Condition("shaken, 14 px", STRAIGHT, _shaken(14)),
    Condition("out of focus, 3 px", STRAIGHT, _defocused(3)),
    Condition("out of focus, 6 px", STRAIGHT, _defocused(6)),
    Condition("out of focus, 12 px", STRAIGHT, _defocused(12)),
    Condition("dark", STRAIGHT, _dark(0.20, 0.03)),
    Condition("very dark", STRAIGHT, _dark(0.06, 0.05)),
    Condition("glare on the sheet", STRAIGHT, _glaring),
    Condition("a hand over a corner", "a hand", _developed),
    Condition("sheet upside down", "upside down", _developed),
    Condition("upside down, --want-turn ±180", "upside down", _developed, _want_turn(180), "sheet upside down"),
    Condition("sheet at 45°", "at 45 degrees", _developed),
    Condition("at 45°, --want-turn ±45", "at 45 degrees", _developed, _want_turn(45), "sheet at 45°"),
    Condition("half of the reflection outside the mirror", "half outside", _developed),
    Condition("printed at 97 %", "printed at 97 %", _developed),
    Condition(
        "printed at 97 %, --rule 97", "printed at 97 %", _developed, lambda _: ["--rule", "97"], "printed at 97 %"
    ),
    Condition("printed in grey", "printed in grey", _developed),
    Condition("dirty mirror", STRAIGHT, _dirty(0.5)),
    Condition("very dirty mirror", STRAIGHT, _dirty(1.0)),
    Condition("three rows in the mirror", "three rows", _developed),
)
