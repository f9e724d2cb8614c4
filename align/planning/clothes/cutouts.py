"""Upright cut-outs: what is no box, as pictures that face whoever looks, with what is not part of them cut away.

A photo's picture of a cut-out is the upright rectangle that faces the photo. What differs there from the clothed
scene behind it is the thing itself; its outline is then refined by GrabCut (C. Rother, V. Kolmogorov, A. Blake,
GrabCut, SIGGRAPH 2004, as OpenCV has it).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bodies import Box, Cutout
from ..sightlines import blocked
from ..thresholds import CUTOUT_DIFFERS, CUTOUT_SHOWN
from .posed import PosedPhoto
from .tones import as_bytes

Array = NDArray[np.float64]
Light = NDArray[np.float32]
Flags = NDArray[np.bool_]

#: Texels along a cut-out's longer side.
_TEXELS = 180
#: Rounds of GrabCut.
_ROUNDS = 3
#: What it stands on or leans on lies within this of it [mm].
_OWN_GROUND_MM = 2.0
#: Texels over which a cut-out and the scene behind it are blurred before they are compared, and light that is added
#: to both, for noise in the dark and on ink.
_BLUR, _DARK, _PRINT_DARK = 1.2, 0.02, 0.05

#: The light (n, 3) that the scene shows behind a cut-out in a photo (by its number) along unit ways (n, 3) from the
#: photo's eye; (n,) whether it is known; (n,) whether it is the sheet's print, of which only the hue is known.
Behind = Callable[[int, Array], tuple[Light, Flags, Flags]]


@dataclass(frozen=True, eq=False)
class CutoutView:
    """A cut-out as one photo shows it.

    photo : its number; towards : (2,) unit, level, from its foot to the photo's eye
    light : (rows, columns, 3) linear, rows from the foot up; alpha : (rows, columns) 0 to 1
    quality : how well the photo sees it
    """

    photo: int
    towards: Array
    light: Light
    alpha: Light
    quality: float


@dataclass(frozen=True, eq=False)
class CutoutPicture:
    """A cut-out and the photos' views of it, the best first; none where no photo shows it."""

    cutout: Cutout
    views: tuple[CutoutView, ...]

    def met(self, starts: Array, ways: Array, seen_from: Array) -> tuple[Array, Light, Light]:
        """How far (n,) each ray goes until it meets the picture, inf: never; its light (n, 3) and alpha (n,) there.

        Parameters
        ----------
        starts, ways : (n, 3) rays, the ways of length 1
        seen_from : (n, 3) where the eye seems to be, which the picture faces: behind a mirror for a reflection
        """
        light, alpha = np.zeros((len(starts), 3), np.float32), np.zeros(len(starts), np.float32)
        facing = _level(seen_from - np.array(self.cutout.foot_mm))
        far, u, v = _card_places(self.cutout, starts, ways, facing)
        rows = np.flatnonzero(np.isfinite(far))
        if len(rows) == 0 or not self.views:
            return np.full(len(starts), np.inf), light, alpha
        likeness = facing[rows] @ np.array([view.towards for view in self.views]).T
        best = likeness.argmax(axis=1)
        # From behind it shows the other way round, as a silhouette does.
        u[rows] = np.where(likeness.max(axis=1) < 0.0, 1.0 - u[rows], u[rows])
        for number, view in enumerate(self.views):
            some = rows[best == number]
            height, width = view.alpha.shape
            x = np.clip((u[some] * width).astype(int), 0, width - 1)
            y = np.clip((v[some] * height).astype(int), 0, height - 1)
            light[some], alpha[some] = view.light[y, x], view.alpha[y, x]
        return far, light, alpha


def may_hide(cutout: Cutout, eye: Array, points: Array) -> Flags:
    """(n,) whether the rectangle of a cut-out stands before points (n, 3) as an eye (3,) sees them."""
    sight = points - eye
    far = np.linalg.norm(sight, axis=1)
    facing = np.tile(_level((eye - np.array(cutout.foot_mm))[None]), (len(points), 1))
    reach, _, _ = _card_places(cutout, np.tile(eye, (len(points), 1)), sight / far[:, None], facing)
    return np.asarray(reach < far - _OWN_GROUND_MM)


def _level(vectors: Array) -> Array:
    """(n, 2) unit vectors along the level part of (n, 3) ones."""
    level = vectors[:, :2]
    return np.asarray(level / np.maximum(np.linalg.norm(level, axis=1, keepdims=True), 1e-9))


def _card_places(cutout: Cutout, starts: Array, ways: Array, facing: Array) -> tuple[Array, Array, Array]:
    """(n,) how far to the upright rectangle that faces (n, 2), inf: missed; (n,), (n,) places on it, 0 to 1."""
    offset = np.array(cutout.foot_mm) - starts
    rate = (ways[:, :2] * facing).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        far = (offset[:, :2] * facing).sum(axis=1) / rate
        off = far[:, None] * ways - offset
        # To the right of who looks along -facing.
        u = (off[:, 1] * facing[:, 0] - off[:, 0] * facing[:, 1]) / cutout.width_mm + 0.5
        v = off[:, 2] / cutout.height_mm
        good = (far > 1e-6) & (u >= 0) & (u <= 1) & (v >= 0) & (v <= 1)
    return np.where(good, far, np.inf), np.where(good, u, 0.0), np.where(good, v, 0.0)


def cutout_picture(
    cutout: Cutout, photos: Sequence[PosedPhoto], gains: Light, bodies: Sequence[Box], behind: Behind
) -> CutoutPicture:
    """A cut-out's views from all photos that show it.

    Parameters
    ----------
    gains : (photos, 3) bring their exposures together; behind : what is behind it
    """
    views = [_view(cutout, number, photo, gains[number], bodies, behind) for number, photo in enumerate(photos)]
    shown = [view for view in views if view is not None]
    return CutoutPicture(cutout, tuple(sorted(shown, key=lambda view: -view.quality)))


def _view(
    cutout: Cutout, number: int, photo: PosedPhoto, gain: Light, bodies: Sequence[Box], behind: Behind
) -> CutoutView | None:
    towards = _level((photo.eye - np.array(cutout.foot_mm))[None])[0]
    points, shape = _card_points(cutout, towards)
    pixels = photo.project(points)
    inside = photo.inside(pixels)
    light = np.zeros((len(points), 3), np.float32)
    light[inside] = photo.sample(pixels[inside]) * gain
    # What stands before the cut-out hides it; what it stands on, or leans on, does not.
    before = points + _OWN_GROUND_MM * np.append(towards, 0.0)
    free = (inside & ~blocked(np.tile(photo.eye, (len(points), 1)), before, bodies)).reshape(shape)
    if free.mean() < CUTOUT_SHOWN:
        return None
    sight = points - photo.eye
    far = np.linalg.norm(sight, axis=1)
    ground, known, printed = behind(number, sight / far[:, None])
    pictures = light.reshape(*shape, 3), ground.reshape(*shape, 3)
    alpha = _outline(*pictures, known.reshape(shape), printed.reshape(shape), free)
    level = float(np.linalg.norm(photo.eye[:2] - cutout.foot_mm[:2]) / far.mean())
    quality = float((photo.camera.focal_px * level / far.mean()) ** 2 * free.mean())
    return CutoutView(number, towards, light.reshape(*shape, 3), alpha, quality)


def _card_points(cutout: Cutout, towards: Array) -> tuple[Array, tuple[int, int]]:
    """(n, 3) [mm] texels of the rectangle that faces (2,), from the foot up; (rows, columns)."""
    step = max(cutout.width_mm, cutout.height_mm) / _TEXELS
    rows, columns = max(4, round(cutout.height_mm / step)), max(4, round(cutout.width_mm / step))
    u, v = np.meshgrid((np.arange(columns) + 0.5) / columns - 0.5, (np.arange(rows) + 0.5) / rows)
    across = np.array([-towards[1], towards[0], 0.0]) * cutout.width_mm
    up = np.array([0.0, 0.0, cutout.height_mm])
    return np.array(cutout.foot_mm) + u.reshape(-1, 1) * across + v.reshape(-1, 1) * up, (rows, columns)


def _outline(light: Light, ground: Light, known: Flags, printed: Flags, free: Flags) -> Light:
    """(rows, columns) 0 to 1: what differs from the scene behind it, or in hue from the print behind it."""
    import cv2

    size = (0, 0)
    pair = [cv2.GaussianBlur(np.ascontiguousarray(part), size, _BLUR) for part in (light, ground)]
    differs = np.abs(np.log((np.asarray(pair[0]) + _DARK) / (np.asarray(pair[1]) + _DARK))).max(axis=2)
    if printed.any():
        hue = np.log(np.asarray(pair[0]) + _PRINT_DARK)
        hue -= hue.mean(axis=2, keepdims=True)
        off = np.abs(hue - np.median(hue[printed], axis=0)).max(axis=2)
        differs, known = np.where(printed, off, differs), known | printed
    mask = np.full(known.shape, cv2.GC_PR_BGD, np.uint8)
    mask[known & (differs > CUTOUT_DIFFERS)] = cv2.GC_PR_FGD
    mask[known & (differs > 2.0 * CUTOUT_DIFFERS)] = cv2.GC_FGD
    mask[known & (differs < 0.5 * CUTOUT_DIFFERS)] = cv2.GC_BGD
    mask[~free] = cv2.GC_BGD
    start = mask.copy()
    models = np.zeros((1, 65)), np.zeros((1, 65))
    cv2.setRNGSeed(1)
    try:
        cv2.grabCut(as_bytes(light), mask, (0, 0, 1, 1), *models, _ROUNDS, cv2.GC_INIT_WITH_MASK)
    except cv2.error:  # nothing, or all of it, differs
        mask = start
    own = ((mask == cv2.GC_FGD) | (mask == cv2.GC_PR_FGD)).astype(np.uint8)
    own = np.asarray(cv2.morphologyEx(own, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8)), np.uint8)
    return np.asarray(cv2.GaussianBlur(own.astype(np.float32), size, 0.7), np.float32)
