"""The forward model of a bent mirror, ray by ray against a tracer with both faces curved, and its derivatives."""

from __future__ import annotations

import math

import numpy as np
import pytest

from align.optics.geometry import mirror_normal
from align.solve.forward_model import Layout, State, bow_basis, offset_of_distance, predict
from align.solve.reflection import BEND_PARAMETERS, Face, bent_mirror_image, face_axes, mirror_image
from align.solve.simulate import look_at
from align.target.sheets import SHEETS, corners_target

SHEET = SHEETS["a5"]
POINTS = corners_target(SHEET)
HALF = (SHEET.squares_x * SHEET.square_mm / 2, SHEET.squares_y * SHEET.square_mm / 2)
BASIS = bow_basis(POINTS, HALF, -SHEET.contact_margin_mm - HALF[1])
FACE = Face(5.0, 55.0, 90.0, 45.0)


class BentGlass:
    """Two faces, each the mean plane with a paraboloid on it, found by Newton's method along each ray."""

    def __init__(self, mirror, bend, index):
        lean, turn, self.offset, self.thickness = mirror
        self.normal, (self.right, self.up) = mirror_normal(lean, turn), face_axes(lean, turn)
        self.bend, self.index = bend, index

    def height(self, place, depth):
        """Height over the face `depth` behind the front one, and the unit normal there."""
        u = (place @ self.right - FACE.u_mm) / FACE.half_u_mm
        v = (place @ self.up - FACE.v_mm) / FACE.half_v_mm
        across, upright, twist, *_ = self.bend
        rise = across * (1 / 3 - u * u) + upright * (1 / 3 - v * v) + twist * u * v
        by_u = (-2 * across * u + twist * v) / FACE.half_u_mm
        by_v = (-2 * upright * v + twist * u) / FACE.half_v_mm
        normal = self.normal - by_u * self.right - by_v * self.up
        return place @ self.normal + self.offset + depth - rise, normal / np.linalg.norm(normal)

    def run_to(self, place, way, depth):
        for _ in range(30):
            height, normal = self.height(place, depth)
            place = place - way * height * (normal @ self.normal) / (way @ normal)
        assert abs(self.height(place, depth)[0]) < 1e-10
        return place

    def trace(self, eye, way):
        """Into the glass, back from the silvering and out again; with no thickness, off the front face."""
        place = self.run_to(eye, way, 0.0)
        _, normal = self.height(place, 0.0)
        if self.thickness == 0:
            return place, way - 2 * (way @ normal) * normal
        way = refracted(way, normal, 1 / self.index)
        place = self.run_to(place, way, self.thickness)
        _, normal = self.height(place, self.thickness)
        way = way - 2 * (way @ normal) * normal
        place = self.run_to(place, way, 0.0)
        _, normal = self.height(place, 0.0)
        return place, refracted(way, -normal, self.index)


def refracted(direction, normal, ratio):
    cosine = -direction @ normal
    return ratio * direction + (ratio * cosine - math.sqrt(1 - ratio**2 * (1 - cosine**2))) * normal


@pytest.mark.parametrize("thickness", [0.0, 2.0, 5.0])
@pytest.mark.parametrize("bend", [(0.12, 0.0, 0.0), (0.0, -0.08, 0.0), (0.0, 0.0, 0.1), (-0.15, 0.05, 0.04)])
def test_each_line_of_sight_traced_through_curved_faces_meets_its_corner(bend, thickness):
    """Exactly, behind glass to a micrometre on the print; a flat mirror in its place misses by 100 and more."""
    mirror = np.array([0.02, -0.04, offset_of_distance(0.02, -0.04, 25.0), thickness])
    eye = np.array([90.0, -520.0, 310.0])
    glass = BentGlass(mirror, bend, 1.52)
    seen, _ = bent_mirror_image(POINTS, eye, mirror, 1.52, FACE, np.array([*bend, *[0.0] * 9]))
    flat, _ = mirror_image(POINTS, eye, mirror, 1.52)
    misses, flat_misses = [], []
    for images, into in ((seen, misses), (flat, flat_misses)):
        for point, image in zip(POINTS, images, strict=True):
            place, way = glass.trace(eye, (image - eye) / np.linalg.norm(image - eye))
            to_point = point - place
            into.append(np.linalg.norm(to_point - (to_point @ way) * way))
    assert max(misses) < (1e-6 if thickness == 0 else 1e-3)
    assert max(flat_misses) > 0.1


def bent_state(bend, mirrors=2):
    layout = Layout(mirrors, 1, curls=2, print_faults=2, faces=(FACE,) * mirrors)
    vector = np.zeros(layout.size)
    vector[layout.camera] = [math.log(3000), 1990, 1510, 0.05, -0.03, 5e-4, -4e-4, 0.01]
    vector[layout.index] = 1.52
    vector[layout.bow], vector[layout.curl] = [0.4, -0.7, 0.3], [0.2, 0.1]
    vector[layout.print_fault] = [0.001, -0.002]
    for mirror in range(mirrors):
        vector[layout.mirror(mirror)] = [0.03 - 0.05 * mirror, 0.02, 30.0, 4.0]
        vector[layout.bend(mirror)][:3] = bend
    rotation, translation = look_at(np.array([80.0, -520.0, 310.0]), np.array([0.0, -30.0, 0.0]))
    vector[layout.pose(0)] = [0, 0, 0, *translation]
    return State(layout, vector, (rotation,))


CURLS = np.column_stack([BASIS, (POINTS[:, 0] / 90) ** 3, (POINTS[:, 1] / 90) ** 3])
SHIFTS = np.stack([POINTS[:, :2] * [0.5, -0.5], POINTS[:, 1::-1] * [1.0, 0.0]], axis=2)


@pytest.mark.slow
@pytest.mark.parametrize("mirror", [-1, 0, 1])
@pytest.mark.parametrize(
    ("bend", "within"), [((0.0, 0.0, 0.0), 2e-7), ((0.02, -0.02, 0.01), 2e-6), ((0.12, -0.08, 0.1), 1e-4)]
)
def test_derivatives_are_finite_differences(bend, within, mirror):
    """Of a bent mirror too: where a ray is reflected moves with every parameter, and with it the plane there."""
    state = bent_state(bend)
    _, jacobian = predict(state, 0, mirror, POINTS, CURLS, in_plane=SHIFTS)
    for number, name in enumerate(state.layout.names):
        step = np.zeros(state.layout.size)
        step[number] = 1e-3 if "mm" in name or "px" in name else 1e-5
        ahead, _ = predict(state.stepped(step), 0, mirror, POINTS, CURLS, in_plane=SHIFTS)
        behind, _ = predict(state.stepped(-step), 0, mirror, POINTS, CURLS, in_plane=SHIFTS)
        numeric = (ahead - behind) / (2 * step[number])
        scale = max(np.abs(numeric).max(), 1.0)
        np.testing.assert_allclose(jacobian[:, :, number] / scale, numeric / scale, atol=within, err_msg=name)


def test_every_parameter_has_one_place():
    layout = bent_state((0, 0, 0)).layout
    places = [*range(layout.size)[layout.curl], *range(layout.size)[layout.print_fault]]
    places += [*range(layout.size)[layout.bend(0)], *range(layout.size)[layout.bend(1)]]
    assert places == list(range(layout.motions[-1].stop, layout.size))
    assert len(set(layout.names)) == layout.size == len(layout.names)
    assert layout.names[layout.bend(1).start] == f"{BEND_PARAMETERS[0]}[1]"
