"""The scanned body as panels that give off air, on a coarse copy of its shell.

Each panel carries an even source, so strong that no air crosses the panel from outside. The shell
may be open (holes, a missing nose): only its outside counts. Behind a blunt end the air does not
follow the body; there the wake is taken to carry the body on straight aft, so that faces which
fall away more steeply than ``ATTACHED_SLOPE`` give off nothing.

Source of the method: Hess & Smith, "Calculation of Potential Flow about Arbitrary Bodies",
Progress in Aeronautical Sciences 8, 1967. The solid angle is van Oosterom and Strackee's (1983).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh, face_normals

Floats = NDArray[np.float64]

PANELS = 1600
ROAD_CLEARANCE_M = 0.1
"""Faces below this height are left out: the floor, and sills whose flow the scan does not show."""
ATTACHED_SLOPE = math.radians(30.0)
"""Steepest fall of a rear slope that the air follows (Ahmed et al., SAE 840300: the flow leaves above 30 degrees)."""
NEAR = 4.0
"""Within this many panel sizes a panel is integrated exactly, beyond it acts as one point."""


@dataclass(frozen=True)
class BodyPanels:
    """Triangles of even source strength.

    Attributes:
        corners: (p, 3, 3) m.
        middles, normals: (p, 3) m, unit outwards.
        areas: (p,) m2.
        base: (p,) whether the face lies in the wake.
    """

    corners: Floats
    middles: Floats
    normals: Floats
    areas: Floats
    base: NDArray[np.bool_]


def body_panels(body: TriMesh, count: int = PANELS) -> BodyPanels:
    """A coarse copy of ``body`` with about ``count`` panels.

    Points are gathered in cubes and replaced by their mean. The scan's winding is not relied on:
    a face looks away from the line along the middle of the body, half as high as the body stands
    there; towards the ends the line stops a quarter of the length short, so that ends look outwards.

    Raises:
        InputError: no part of the body stands above the road.
    """
    points = np.asarray(body.points, float)
    above = points[body.triangles, 2].mean(axis=1) > ROAD_CLEARANCE_M
    triangles = body.triangles[above]
    if len(triangles) < 10:
        raise InputError(f"The body has no surface higher than {ROAD_CLEARANCE_M:g} m over the road to set panels on.")
    area = float(face_normals(points[triangles])[1].sum())
    cell = math.sqrt(2.0 * area / count)
    corners = _gathered(points, triangles, cell)
    if len(corners) > 1.1 * count or 50 < len(corners) < 0.7 * count < 0.5 * len(triangles):
        corners = _gathered(points, triangles, cell * math.sqrt(len(corners) / count))
    normals, areas = face_normals(corners)
    keep = areas > 0.02 * float(np.mean(areas))
    corners, normals, areas = corners[keep], normals[keep], areas[keep]
    middles = corners.mean(axis=1)
    away = middles - _inner_line(middles)
    normals = np.where((np.einsum("ij,ij->i", normals, away) < 0.0)[:, None], -normals, normals)
    return BodyPanels(corners, middles, normals, areas, normals[:, 0] < -math.sin(ATTACHED_SLOPE))


def source_velocity(panels: BodyPanels, at: Floats, road: bool = True) -> Floats:
    """(3, len(at), p) velocity at ``at`` (m, 3) for unit source strength of each panel.

    On a panel itself it is the value outside it. With ``road``, the mirror image under z = 0 is in.
    """
    out = _velocity(panels, at)
    if road:
        image = _velocity(panels, at * [1.0, 1.0, -1.0])
        out[:2] += image[:2]
        out[2] -= image[2]
    return out


def nose_is_missing(panels: BodyPanels) -> bool:
    """Whether the faces that look forward cover less than half of the body's height times width."""
    forward = float(np.sum(np.maximum(panels.normals[:, 0], 0.0) * panels.areas))
    _, width, height = np.ptp(panels.corners.reshape(-1, 3), axis=0)
    return forward < 0.5 * float(width * height)


def _gathered(points: Floats, triangles: NDArray[np.int32], cell: float) -> Floats:
    used = np.unique(triangles)
    place = np.floor(points[used] / cell).astype(np.int64)
    place -= place.min(axis=0)
    size = place.max(axis=0) + 1
    key = (place[:, 0] * size[1] + place[:, 1]) * size[2] + place[:, 2]
    _, cube, number = np.unique(key, return_inverse=True, return_counts=True)
    means = np.stack([np.bincount(cube, points[used, i]) for i in range(3)], axis=1) / number[:, None]
    cube_of = np.zeros(len(points), np.int64)
    cube_of[used] = cube
    faces = cube_of[triangles]
    whole = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return means[np.unique(np.sort(faces[whole], axis=1), axis=0)]


def _inner_line(middles: Floats) -> Floats:
    x = middles[:, 0]
    low, high = float(x.min()), float(x.max())
    slot = np.minimum((20.0 * (x - low) / max(high - low, 1e-9)).astype(int), 19)
    top = np.zeros(20)
    np.maximum.at(top, slot, middles[:, 2])
    bottom = np.full(20, np.inf)
    np.minimum.at(bottom, slot, middles[:, 2])
    quarter = 0.25 * (high - low)
    inner = np.clip(x, low + quarter, high - quarter)
    slot = np.minimum((20.0 * (inner - low) / max(high - low, 1e-9)).astype(int), 19)
    filled = np.isfinite(bottom)
    centres = low + (np.arange(20) + 0.5) * (high - low) / 20.0
    height = np.interp(centres, centres[filled], 0.5 * (top + bottom)[filled])
    across = 0.5 * (float(middles[:, 1].min()) + float(middles[:, 1].max()))
    return np.column_stack([inner, np.full(len(x), across), height[slot]])


def _velocity(panels: BodyPanels, at: Floats) -> Floats:
    out = np.empty((3, len(at), len(panels.areas)))
    reach2 = (NEAR * np.sqrt(((panels.corners - np.roll(panels.corners, 1, axis=1)) ** 2).sum(axis=2).max(axis=1))) ** 2
    strength = panels.areas / (4.0 * np.pi)
    x, y, z = (at[:, i, None] - panels.middles[:, i] for i in range(3))
    r2 = x * x + y * y + z * z
    target, source = np.nonzero(r2 < reach2)
    r2[target, source] = 1.0
    factor = strength / (r2 * np.sqrt(r2))
    for i, part in enumerate((x, y, z)):
        np.multiply(part, factor, out=out[i])
    out[:, target, source] = _triangle(panels.corners[source], panels.normals[source], at[target]).T
    return out


def _triangle(corners: Floats, normals: Floats, at: Floats) -> Floats:
    """(k, 3) velocity at ``at`` (k, 3) of one evenly unit-strong triangle each."""
    rays = corners - at[:, None]
    r = np.linalg.norm(rays, axis=2)
    edges = np.roll(corners, -1, axis=1) - corners
    length = np.linalg.norm(edges, axis=2)
    # Within the panel's plane, outwards across each edge, whichever way the corners run.
    across = np.cross(edges, normals[:, None])
    inward = np.einsum("kij,kij->ki", across, corners.mean(axis=1)[:, None] - corners) > 0.0
    across = np.where(inward[..., None], -across, across) / length[..., None]
    both = r + np.roll(r, -1, axis=1)
    logs = np.log((both + length) / np.maximum(both - length, 1e-12 * length))
    triple = np.abs(np.einsum("ki,ki->k", rays[:, 0], np.cross(rays[:, 1], rays[:, 2])))
    below = r.prod(axis=1) + sum(
        np.einsum("ki,ki->k", rays[:, i], rays[:, (i + 1) % 3]) * r[:, (i + 2) % 3] for i in range(3)
    )
    angle = 2.0 * np.arctan2(triple, below)
    height = np.einsum("ki,ki->k", at - corners[:, 0], normals)
    side = np.where(height >= -1e-9 * length[:, 0], 1.0, -1.0)
    return (np.einsum("ki,kij->kj", logs, across) + (side * angle)[:, None] * normals) / (4.0 * np.pi)
