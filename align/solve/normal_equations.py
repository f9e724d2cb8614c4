"""Normal equations of the corners for the shape's search, in a basis in which rounding does no harm.

In the parameters' own units the equations' condition is some 1e12 (a camera's focal length against its distance, a
mirror's offset against its thickness), and an inverse keeps four digits. In the basis that makes the likeliest
fit's information the identity it is that of the priors' scales alone, and keeps twelve.

Source: A. Bjorck, Numerical Methods for Least Squares Problems (1996), section 2.4 (scaling and preconditioning).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Block:
    """One view's corners with a flat shape, whitened, both coordinates after one another.

    residual : (m,); jacobian : (m, p); upwards : (m,) by the height of each corner; ids : (m,) of the corners.
    """

    mirror: int
    residual: Array
    jacobian: Array
    upwards: Array
    ids: NDArray[np.int64]


def basis_of(information: Array) -> Array:
    """(p, p) columns that make a positive definite matrix nearly the identity: T^T N T = 1."""
    unit = 1.0 / np.sqrt(np.diag(information))
    scaled = information * unit[:, None] * unit[None, :]
    root = np.linalg.cholesky(scaled + 1e-13 * np.eye(len(unit)))
    return np.asarray(unit[:, None] * np.linalg.inv(root).T)


@dataclass(frozen=True, eq=False)
class Kind:
    """Normal equations of the direct, or of the reflected, corners, in the basis's own coordinates.

    jacobian : (m, q); normal : (q, q); gradient : (q,); curls : (m, c) of the catalogue's; across : (q, c);
    diagonal, slope : (c,); squares, count : of the residuals.
    """

    residual: Array
    jacobian: Array
    upwards: Array
    ids: NDArray[np.int64]
    normal: Array
    gradient: Array
    curls: Array
    across: Array
    diagonal: Array
    slope: Array
    squares: float
    count: int

    @classmethod
    def of(cls, blocks: Sequence[Block], heights: Array, entries: NDArray[np.int64], basis: Array) -> Kind:
        """heights : (n, c) of the catalogue; entries : of the vector that take part; basis : their (p, q)."""
        residual = np.concatenate([np.zeros(0), *(block.residual for block in blocks)])
        jacobian = np.concatenate([np.zeros((0, len(entries))), *(b.jacobian[:, entries] for b in blocks)]) @ basis
        upwards = np.concatenate([np.zeros(0), *(block.upwards for block in blocks)])
        ids = np.concatenate([np.zeros(0, np.int64), *(block.ids for block in blocks)])
        curls = upwards[:, None] * heights[ids]
        return cls(
            residual,
            jacobian,
            upwards,
            ids,
            normal=jacobian.T @ jacobian,
            gradient=jacobian.T @ residual,
            curls=curls,
            across=jacobian.T @ curls,
            diagonal=(curls**2).sum(axis=0),
            slope=residual @ curls,
            squares=float(residual @ residual),
            count=len(residual),
        )

    def equations(self, columns: Array) -> tuple[Array, Array]:
        """Normal matrices (k, n, n) and gradients (k, n) with heights (k, corners, c) of curls at the corners."""
        many, _, more = columns.shape
        size = len(self.gradient)
        normals = np.zeros((many, size + more, size + more))
        gradients = np.zeros((many, size + more))
        normals[:, :size, :size], gradients[:, :size] = self.normal, self.gradient
        if more:
            curls = self.upwards[None, :, None] * columns[:, self.ids]
            across = self.jacobian.T @ curls
            normals[:, :size, size:], normals[:, size:, :size] = across, across.transpose(0, 2, 1)
            normals[:, size:, size:] = curls.transpose(0, 2, 1) @ curls
            gradients[:, size:] = self.residual @ curls
        return normals, gradients

    def across_of(self, columns: Array) -> Array:
        """(q + c, catalogue) of the basis and heights (corners, c) against all curls of the catalogue."""
        own = self.upwards[:, None] * columns[self.ids]
        return np.vstack([self.across, own.T @ self.curls])
