"""Cards and coins drawn into synthetic photos, with their side walls."""

from __future__ import annotations

import math

import cv2
import numpy as np

from align.sighting.known_length import KnownThing
from align.solve.simulate import Simulated

FINER = 5


def outline(thing: KnownThing, middle: tuple[float, float], turned_deg: float) -> np.ndarray:
    """(n, 2) [mm]: a circle, or a rectangle with ISO/IEC 7810's corner radius of 3.18 mm."""
    if thing.round:
        angles = np.linspace(0, 2 * math.pi, 240, endpoint=False)
        points = thing.width_mm / 2 * np.column_stack([np.cos(angles), np.sin(angles)])
    else:
        half, radius = np.array([thing.width_mm, thing.height_mm]) / 2, 3.18
        turns = [np.radians(np.linspace(a, a + 90, 12)) for a in (0, 90, 180, 270)]
        signs = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
        points = np.concatenate(
            [
                (half - radius) * s + radius * np.column_stack([np.cos(t), np.sin(t)])
                for t, s in zip(turns, signs, strict=True)
            ]
        )
    turn = math.radians(turned_deg)
    return points @ np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]]) + middle


def with_thing(
    photo: np.ndarray,
    truth: Simulated,
    thing: KnownThing,
    scale: float,
    middle: tuple[float, float],
    turned_deg: float,
) -> np.ndarray:
    """The photo of a sheet printed at a scale, with a thing lying there: a dark side wall, a bright upper face."""
    places = outline(thing, middle, turned_deg) / scale  # the sheet's own millimetres
    rotation, translation = truth.state.cam_from_sheet(0)

    def pixels(height_mm: float) -> np.ndarray:
        points = np.column_stack([places, np.full(len(places), height_mm / scale)])
        return truth.state.camera.project(points @ rotation.T + translation)

    drawn = photo.astype(np.float32)
    heights = np.linspace(0, thing.thickness_mm, 9)
    for number, height in enumerate(heights):
        share = covered(pixels(height), drawn.shape)
        drawn += share * ((205.0 if number == len(heights) - 1 else 70.0) - drawn)
    noise = np.random.default_rng(3).normal(0, 1.5, drawn.shape)
    return np.clip(cv2.GaussianBlur(drawn, (0, 0), 0.7) + noise, 0, 255).astype(np.uint8)


def covered(outline_px: np.ndarray, shape: tuple[int, ...]) -> np.ndarray:
    """How much of each pixel lies within a convex outline: exactly along x, by five lines of each pixel along y."""
    low = np.floor(outline_px.min(axis=0)).astype(int) - 1
    high = np.ceil(outline_px.max(axis=0)).astype(int) + 2
    columns, rows = high - low
    lines = low[1] - 0.5 + (np.arange(rows * FINER) + 0.5)[:, None] / FINER
    start, end = outline_px, np.roll(outline_px, -1, axis=0)
    crosses = (start[:, 1] <= lines) != (end[:, 1] <= lines)  # (lines, sides)
    along = (lines - start[:, 1]) / np.where(crosses, end[:, 1] - start[:, 1], 1.0)
    at = start[:, 0] + along * (end[:, 0] - start[:, 0])
    left = np.where(crosses, at, np.inf).min(axis=1, keepdims=True)
    right = np.where(crosses, at, -np.inf).max(axis=1, keepdims=True)
    edges = low[0] - 0.5 + np.arange(columns)
    within = np.clip(np.minimum(right - edges, 1.0) - np.maximum(left - edges, 0.0), 0.0, None)
    share = np.zeros(shape, np.float32)
    share[low[1] : high[1], low[0] : high[0]] = within.reshape(rows, FINER, columns).mean(axis=1)
    return share
