"""Films with known truth: a hand-held camera before a mirror that is moved, drawn frame by frame.

    python -m tests.support.film FOLDER [SEED] [FRAMES_A_SECOND] [SECONDS]    writes one

A film is a folder of JPEG frames with `truth.json`.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from align.optics.camera_model import prior_from_focal
from align.solve.simulate import Simulated, phone_camera
from align.target.sheets import SHEETS
from tests.support.synthetic import EQUIVALENT_MM, synthetic_photo

SIZE = (1920, 1080)
#: How long a move of the mirror takes [s].
MOVE_S = 0.6


@dataclass(frozen=True)
class Scene:
    """What stands still while a film is taken, and how the mirror is moved.

    stands : (lean, turn [deg], distance [mm]) of the mirror, one after the other; moves_s : when each next begins
    swing_mm : how far the hand sways; mounted camera: 0
    """

    stands: tuple[tuple[float, float, float], ...]
    moves_s: tuple[float, ...]
    thickness_mm: float
    camera: tuple[float, ...]
    bow_mm: tuple[float, float, float]
    eye: tuple[float, float, float]
    swing_mm: float = 5.0
    phases: tuple[float, ...] = ()

    def mirror(self, time_s: float) -> tuple[float, float, float]:
        """The mirror at a time: it stands, or is on its way by a smooth step."""
        at = np.array(self.stands[0])
        for begin, stand in zip(self.moves_s, self.stands[1:], strict=True):
            share = min(max((time_s - begin) / MOVE_S, 0.0), 1.0)
            at = at + (np.array(stand) - at) * (share * share * (3 - 2 * share))
        return float(at[0]), float(at[1]), float(at[2])

    def hand(self, time_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where the camera is and where it aims [mm]: it sways at some 0.3 Hz and trembles at 1 to 5 Hz."""
        phases = np.array(self.phases).reshape(6, 3)
        sway = np.array([math.sin(2 * math.pi * f * time_s + p) for f, p in zip((0.31, 0.23, 0.27), phases[0])])  # noqa: B905
        sway += 0.4 * np.sin(2 * math.pi * 0.9 * time_s + phases[1])
        tremble = 0.06 * np.sin(2 * math.pi * 4.1 * time_s + phases[2])
        aim = 0.5 * np.sin(2 * math.pi * 0.4 * time_s + phases[3]) + 0.15 * np.sin(
            2 * math.pi * 1.7 * time_s + phases[4]
        )
        aim = aim + 0.03 * np.sin(2 * math.pi * 4.7 * time_s + phases[5])
        points = np.array([0.0, -40.0, 10.0]) + self.swing_mm * aim
        return np.array(self.eye) + self.swing_mm * (sway + tremble), points


def drawn_scene(seed: int, moves_s: Sequence[float] = (5.0, 10.0), swing_mm: float = 5.0) -> Scene:
    """A scene drawn at random: a leaning mirror, packed twice, the second time nearly true."""
    rng = np.random.default_rng(seed)
    camera = phone_camera(rng, prior_from_focal(SIZE, EQUIVALENT_MM))
    first = rng.normal(0, 0.7, 2)
    stands = [first, first + rng.choice([-1, 1], 2) * rng.uniform(0.08, 0.4, 2), rng.normal(0, 0.04, 2)]
    gaps = rng.uniform(25, 50) + np.array([0.0, *rng.normal(0, 0.3, 2)])
    return Scene(
        tuple((float(s[0]), float(s[1]), float(g)) for s, g in zip(stands[: len(moves_s) + 1], gaps, strict=False)),
        tuple(moves_s),
        float(rng.choice([0.0, 3.0, 4.0])),
        tuple(float(value) for value in camera),
        (float(rng.normal(0, 0.1)), float(rng.normal(0, 0.1)), float(rng.normal(0, 0.1))),
        (float(rng.uniform(-80, 80)), float(rng.uniform(-520, -430)), float(rng.uniform(230, 320))),
        swing_mm,
        tuple(float(value) for value in rng.uniform(0, 2 * math.pi, 18)),
    )


def frame_at(scene: Scene, time_s: float, seed: int, size: tuple[int, int] = SIZE) -> NDArray[np.uint8]:
    """One grey frame."""
    return frame_and_truth(scene, time_s, seed, size)[0]


def frame_and_truth(
    scene: Scene, time_s: float, seed: int, size: tuple[int, int] = SIZE
) -> tuple[NDArray[np.uint8], Simulated]:
    """One grey frame, and what is where in it."""
    lean, turn, gap = scene.mirror(time_s)
    eye, aim = scene.hand(time_s)
    return synthetic_photo(
        SHEETS["a5"],
        eye,
        [np.array([math.radians(lean), math.radians(turn), gap, scene.thickness_mm])],
        camera=scaled_camera(scene.camera, size),
        size=size,
        blur=0.8,
        noise=0.02,
        rng=np.random.default_rng(1),
        aim=aim,
        mirror_size_mm=(300.0, 150.0),
        bow_mm=scene.bow_mm,
        grain=np.random.default_rng(seed),
    )


def scaled_camera(camera: Sequence[float], size: tuple[int, int]) -> NDArray[np.float64]:
    """The scene's camera for smaller pictures."""
    factor = size[0] / SIZE[0]
    parameters = np.array(camera)
    parameters[0] += math.log(factor)
    parameters[1:3] = (parameters[1:3] + 0.5) * factor - 0.5
    return parameters


@dataclass(frozen=True, eq=False)
class Film:
    """A film, its frames as JPEG data; b"" for those that were not drawn."""

    frames: tuple[bytes, ...]
    fps: float
    scene: Scene

    def pixels(self, number: int) -> NDArray[np.uint8]:
        """One frame's grey pixels."""
        data = np.frombuffer(self.frames[number], np.uint8)
        return np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)


def write_film(
    folder: Path,
    scene: Scene,
    seed: int,
    fps: float,
    seconds: float,
    say: Callable[[str], None] = lambda _: None,
    only: Callable[[int], bool] = lambda _: True,
) -> None:
    """Draw a film into a folder; frames that are there already stay; only : those whose numbers it likes."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "truth.json").write_text(json.dumps({"fps": fps, "scene": scene.__dict__}))
    for number in range(round(fps * seconds)):
        path = folder / f"frame-{number:04d}.jpg"
        if path.exists() or not only(number):
            continue
        frame = frame_at(scene, number / fps, 1000 * seed + number)
        cv2.imwrite(str(path), frame, [cv2.IMWRITE_JPEG_QUALITY, 92])
        if number % 30 == 0:
            say(f"frame {number}")


def read_film(folder: Path) -> Film:
    """A film as `write_film` left it."""
    raw: dict[str, Any] = json.loads((folder / "truth.json").read_text())
    facts = {key: tuple(value) if isinstance(value, list) else value for key, value in raw["scene"].items()}
    facts["stands"] = tuple(tuple(stand) for stand in facts["stands"])
    paths = {int(path.stem[-4:]): path for path in folder.glob("frame-*.jpg")}
    frames = tuple(paths[n].read_bytes() if n in paths else b"" for n in range(max(paths) + 1))
    return Film(frames, float(raw["fps"]), Scene(**facts))


def main(folder: Path, seed: int, fps: float, seconds: float) -> None:
    """Write one film."""
    write_film(folder, drawn_scene(seed), seed, fps, seconds, lambda words: print(words, flush=True))


if __name__ == "__main__":
    numbers = [float(word) for word in sys.argv[2:]]
    chosen = numbers + [1.0, 24.0, 15.0][len(numbers) :]
    main(Path(sys.argv[1]), int(chosen[0]), chosen[1], chosen[2])
