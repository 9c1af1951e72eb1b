"""What the air does at the points of a surface, from the cells around it."""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP = 0.25
"""Cells between the places that are tried along the normal."""
REACH = 4.0
"""Cells beyond which no air is looked for."""
_CHUNK = 200_000


def at_surface(
    field: NDArray[np.floating], air: Bools, origin_m: Floats, spacing_m: float, points: Floats, normals: Floats
) -> Floats:
    """(n,) of a field of cells at points of a surface, carried there along the outward normal; nan where no air is.

    Looked up trilinearly at the first place off the surface with air in all cells around it, and at one as far again;
    the straight line through both is followed to the surface, so that a linear field is met exactly. Where a gap is too
    narrow for the second place the first one's value counts, where it is too narrow for the first, the mean of the air
    cells around the place with most of them, each weighted as in the trilinear mean.

    Args:
        field: (nx, ny, nz) of cells; one along y in the plane.
        air: (nx, ny, nz) cells of air.
        origin_m: (3,) m, lowest corner of the first cell.
        spacing_m: edge of a cell.
        points: (n, 3) m, in the axes of the field; those outside the cells get nan.
        normals: (n, 3) unit, towards the air.
    """
    found = [
        _at(field, air, (points[k : k + _CHUNK] - origin_m) / spacing_m - 0.5, normals[k : k + _CHUNK])
        for k in range(0, len(points), _CHUNK)
    ]
    return np.concatenate([np.zeros(0), *found])


def _at(field: NDArray[np.floating], air: Bools, places: Floats, normals: Floats) -> Floats:
    size = np.array(field.shape)
    inside = ((places >= -0.5) & (places <= size - 0.5)).all(axis=1)
    first = np.full(len(places), np.nan)
    off = np.full(len(places), np.nan)
    best, best_share = np.full(len(places), np.nan), np.zeros(len(places))
    for distance in np.arange(STEP, REACH + 0.5 * STEP, STEP):
        rows = np.flatnonzero(inside & np.isnan(first))
        if not len(rows):
            break
        value, share = _trilinear(field, air, places[rows] + distance * normals[rows])
        whole = share > 1.0 - 1e-9
        first[rows[whole]], off[rows[whole]] = value[whole], distance
        better = share > best_share[rows] + 1e-9
        best[rows[better]], best_share[rows[better]] = value[better], share[better]
    rows = np.flatnonzero(np.isfinite(first))
    ahead = np.maximum(off[rows], 1.0)
    value, share = _trilinear(field, air, places[rows] + (off[rows] + ahead)[:, None] * normals[rows])
    line = first[rows] - (value - first[rows]) * off[rows] / ahead
    out = np.where(np.isfinite(first), first, best)
    out[rows] = np.where(share > 1.0 - 1e-9, line, first[rows])
    return out


def _trilinear(field: NDArray[np.floating], air: Bools, places: Floats) -> tuple[Floats, Floats]:
    """Mean over the air cells around each place, weights as in trilinear interpolation, and the air's share of them."""
    size = np.array(field.shape)
    low = np.floor(places).astype(np.int64)
    part = places - low
    low[:, size == 1], part[:, size == 1] = 0, 0.0
    total, weights = np.zeros(len(places)), np.zeros(len(places))
    for corner in product((0, 1), repeat=3):
        cell = low + corner
        weight = np.prod(np.where(corner, part, 1.0 - part), axis=1)
        held = ((cell >= 0) & (cell < size)).all(axis=1)
        cell[~held] = 0
        at = tuple(cell.T)
        weight = np.where(held & air[at], weight, 0.0)
        total += weight * np.where(weight > 0.0, field[at], 0.0)
        weights += weight
    with np.errstate(invalid="ignore"):
        return total / np.where(weights > 0.0, weights, np.nan), weights


def point_normals(mesh: TriMesh) -> Floats:
    """(n, 3) unit outward normals at the points of a mesh, faces weighted by area; a mesh that is inside out as a whole
    (by its volume) is turned, points without faces get zero."""
    a, b, c = mesh.corners.transpose(1, 0, 2)
    area = np.cross(b - a, c - a)
    middle = mesh.points.mean(axis=0)
    if float(np.einsum("ij,ij->", a - middle, area)) < 0.0:
        area = -area
    normals = np.zeros_like(mesh.points)
    for k in range(3):
        for axis in range(3):
            normals[:, axis] += np.bincount(mesh.triangles[:, k], area[:, axis], len(normals))
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.asarray(normals / np.where(length > 0.0, length, 1.0))


def contour_normals(contour: Floats) -> Floats:
    """(n, 2) unit outward normals at the points of a closed contour, either sense."""
    side = np.roll(contour, -1, axis=0) - contour
    area = float((contour[:, 0] * np.roll(contour[:, 1], -1) - contour[:, 1] * np.roll(contour[:, 0], -1)).sum())
    length = np.linalg.norm(side, axis=1, keepdims=True)
    unit = side / np.where(length > 0.0, length, 1.0)
    mean = unit + np.roll(unit, 1, axis=0)
    normals = np.column_stack([mean[:, 1], -mean[:, 0]]) * (1.0 if area > 0.0 else -1.0)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.asarray(normals / np.where(length > 1e-12, length, 1.0))
