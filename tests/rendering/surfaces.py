"""Painted surfaces as grids of vertices: the only kind of thing, mirrors apart, that a scene is made of.

Each patch is a parallelogram with outward normal edge_u x edge_v. Its vertices carry the baked light, so
`spacing_mm` sets how fine a shadow can be.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Patch:
    """A parallelogram: corner + a edge_u + b edge_v, a and b in 0..1; reflectance `colour` (linear RGB).

    taper: 1 draws the v side in to a point over the middle of edge_u, which makes a gable;
    mottle: relative spread of a blotchy tint, as of hand-painted card.
    """

    corner_mm: Array
    edge_u_mm: Array
    edge_v_mm: Array
    colour: Array
    spacing_mm: float = 6.0
    mottle: float = 0.03
    taper: float = 0.0

    def points(self, ab: Array) -> Array:
        """(n, 3) places of (n, 2) patch coordinates [mm]."""
        a, b = ab[:, :1], ab[:, 1:]
        a = a + self.taper * b * (0.5 - a)
        return self.corner_mm + a * self.edge_u_mm + b * self.edge_v_mm

    @property
    def grid(self) -> tuple[int, int]:
        """Vertices along u and along v."""
        lengths = np.linalg.norm([self.edge_u_mm, self.edge_v_mm], axis=1)
        return tuple(int(np.clip(math.ceil(length / self.spacing_mm), 1, 160)) + 1 for length in lengths)

    @property
    def normal(self) -> Array:
        """Outward unit normal."""
        cross = np.cross(self.edge_u_mm, self.edge_v_mm)
        return cross / np.linalg.norm(cross)


def patch(corner, edge_u, edge_v, colour, **options: float) -> Patch:
    """A `Patch` from any sequences."""
    arrays = (np.asarray(values, float) for values in (corner, edge_u, edge_v, colour))
    return Patch(*arrays, **options)


def box(corner, size, colour, *, spacing_mm: float = 6.0, mottle: float = 0.03, faces="xXyYZ") -> list[Patch]:
    """A box on its lower corner. faces: which sides are made; lower case = the low side of that axis."""
    corner, size = np.asarray(corner, float), np.asarray(size, float)
    dx, dy, dz = np.diag(size)
    sides = {
        "x": (corner, dz, dy),
        "X": (corner + dx, dy, dz),
        "y": (corner, dx, dz),
        "Y": (corner + dy, dz, dx),
        "z": (corner, dy, dx),
        "Z": (corner + dz, dx, dy),
    }
    return [patch(*sides[face], colour, spacing_mm=spacing_mm, mottle=mottle) for face in faces]


def post(foot, radius: float, height: float, colour, *, sides: int = 12, mottle: float = 0.03) -> list[Patch]:
    """An upright prism with a flat top."""
    foot = np.asarray(foot, float)
    angles = np.linspace(0, 2 * math.pi, sides + 1)
    rim = foot + radius * np.column_stack([np.cos(angles), np.sin(angles), np.zeros_like(angles)])
    up = np.array([0.0, 0.0, height])
    walls = [patch(a, b - a, up, colour, mottle=mottle) for a, b in pairwise(rim)]
    # The top: thin parallelograms would overlap, a square inside the rim is enough at this size.
    half = radius * 0.98 / math.sqrt(2)
    top = patch(foot + up + [-half, -half, 0], [2 * half, 0, 0], [0, 2 * half, 0], colour, mottle=mottle)
    return [*walls, top]


@dataclass(frozen=True, eq=False)
class PatchMesh:
    """Many patches as one triangle mesh.

    vertices (n, 3), colours (n, 3), faces (m, 3); probes (n, 3) are the vertices drawn a little towards the
    middle of their patch, where light is measured; normals (n, 3); grids: (first vertex, columns, rows).
    """

    vertices: Array
    colours: Array
    faces: NDArray[np.uint32]
    probes: Array
    normals: Array
    grids: tuple[tuple[int, int, int], ...]


def mesh_of(patches: list[Patch], seed: int = 0) -> PatchMesh:
    """Join patches into one mesh."""
    rng = np.random.default_rng(seed)
    vertices, colours, faces, probes, normals, grids = [], [], [], [], [], []
    first = 0
    for piece in patches:
        columns, rows = piece.grid
        a, b = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
        ab = np.column_stack([a.ravel(), b.ravel()])
        vertices.append(piece.points(ab))
        inset = np.minimum(0.3, 1.2 / np.linalg.norm([piece.edge_u_mm, piece.edge_v_mm], axis=1))
        probes.append(piece.points(np.clip(ab, inset, 1 - inset)))
        normals.append(np.tile(piece.normal, (len(ab), 1)))
        tint = 1 + piece.mottle * rng.standard_normal((len(ab), 1))
        colours.append(np.clip(piece.colour * tint, 0.01, 0.95))
        faces.append(grid_faces(columns, rows) + first)
        grids.append((first, columns, rows))
        first += len(ab)
    return PatchMesh(
        np.concatenate(vertices),
        np.concatenate(colours),
        np.concatenate(faces).astype(np.uint32),
        np.concatenate(probes),
        np.concatenate(normals),
        tuple(grids),
    )


def grid_faces(columns: int, rows: int) -> NDArray[np.int64]:
    """(m, 3) triangles of a row-major vertex grid, wound so that u x v is outward."""
    index = np.arange(columns * rows).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    return np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
