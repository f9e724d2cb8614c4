"""From a scene description to a finished photo and its truth: the one call that scripts and tests use."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np

from .daylight import lit_world
from .phone import PhoneSpec, develop, save
from .spec import SceneSpec
from .trace import ALL_ORDERS, DAY_ORDERS, picture
from .truth import truth_of


def linear_picture(spec: SceneSpec, *, grid: int = 4, light_rays: int = 512) -> np.ndarray:
    """(h, w, 3) float32 linear radiance of `spec`, baked and traced."""
    world = lit_world(spec, light_rays)
    if spec.lamps:
        return picture(world, spec.camera, grid, ghost_grid=grid, orders=ALL_ORDERS)
    return picture(world, spec.camera, grid, orders=DAY_ORDERS)


def photograph(
    spec: SceneSpec, path: Path, phone: PhoneSpec, *, grid: int = 4, light_rays: int = 512
) -> dict[str, object]:
    """Take one photo: writes `path` and `path` with the suffix .truth.json; returns the truth."""
    started = time.time()
    radiance = linear_picture(spec, grid=grid, light_rays=light_rays)
    save(develop(radiance, phone, spec.seed), path, phone)
    truth = truth_of(spec, phone)
    path.with_suffix(".truth.json").write_text(json.dumps(truth, indent=1) + "\n")
    print(f"{path.name}: {time.time() - started:.0f} s, {path.stat().st_size / 1e6:.2f} MB", flush=True)
    return truth
