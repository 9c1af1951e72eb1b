"""The missing half of a scan, from the half that is there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh

SNAP_M = 2e-5
"""Points this near the centre plane are moved onto it: below any hand-held scanner's noise."""


def mirror_half(mesh: TriMesh, half: str) -> TriMesh:
    """Both halves in one, joined along y = 0.

    Faces are cut where they cross the centre plane, what lies past it is left off, and the mirror
    image shares the points on the plane, so the seam is closed wherever the scan reaches it.

    Args:
        mesh: scan in vehicle axes, m.
        half: "left" (y > 0 kept) or "right".

    Raises:
        InputError: ``half`` is neither, or nothing was scanned on that side.
    """
    if half not in ("left", "right"):
        raise InputError(f"The scanned half is “left” or “right”, not “{half}”.")
    kept = _clipped(mesh, 1.0 if half == "left" else -1.0)
    if len(kept.triangles) == 0:
        raise InputError(f"None of the scan lies {half} of the centre plane, so there is nothing to mirror.")
    on_plane = kept.points[:, 1] == 0.0
    count = len(kept.points)
    image_of = np.arange(count, dtype=np.int32)
    image_of[~on_plane] = count + np.arange(count - int(on_plane.sum()), dtype=np.int32)
    image = kept.points[~on_plane] * [1.0, -1.0, 1.0]
    mirrored = image_of[kept.triangles][:, [0, 2, 1]]
    return TriMesh(np.concatenate([kept.points, image]), np.concatenate([kept.triangles, mirrored]))


def left_half(mesh: TriMesh) -> NDArray[np.bool_]:
    """(m,) bool: the faces left of the centre plane, which no face of a mirrored scan crosses."""
    return np.asarray(mesh.corners[:, :, 1].mean(axis=1) > 0.0)


def _clipped(mesh: TriMesh, sign: float) -> TriMesh:
    """The part with sign * y >= 0; triangles across the plane are cut along it."""
    points = mesh.points.copy()
    points[np.abs(points[:, 1]) < SNAP_M, 1] = 0.0
    y = sign * points[:, 1]
    inside = y > 0.0
    on = y == 0.0
    number = inside[mesh.triangles].sum(axis=1)
    lost = (~inside & ~on)[mesh.triangles].sum(axis=1)
    whole = mesh.triangles[(lost == 0) & (number > 0)]
    cut = mesh.triangles[(lost > 0) & (number > 0)]
    # Each edge from inside to outside gets one new point, shared by both its faces.
    pair = np.stack([cut, cut[:, [1, 2, 0]]], axis=2)
    crossing = inside[pair[..., 0]] & (y[pair[..., 1]] < 0.0) | (y[pair[..., 0]] < 0.0) & inside[pair[..., 1]]
    low, high = pair.min(axis=2).astype(np.int64), pair.max(axis=2).astype(np.int64)
    keys, place = np.unique((low * len(points) + high)[crossing], return_inverse=True)
    a, b = keys // len(points), keys % len(points)
    share = (y[a] / (y[a] - y[b]))[:, None]
    fresh = points[a] + share * (points[b] - points[a])
    fresh[:, 1] = 0.0
    edge_point = np.full(crossing.shape, -1, np.int64)
    edge_point[crossing] = len(points) + place
    rows = _fans(cut, inside | on, edge_point)
    every = np.concatenate([points, fresh])
    triangles = np.concatenate([whole, rows.astype(np.int32)])
    return TriMesh(every, triangles).subset(np.ones(len(triangles), bool))


def _fans(cut: np.ndarray, keep: np.ndarray, edge_point: np.ndarray) -> np.ndarray:
    """Triangles of the polygons that remain of ``cut``: kept corners and edge points in order, fanned."""
    corners = np.where(keep[cut], cut, -1)
    ring = np.stack([corners, edge_point], axis=2).reshape(-1, 6)
    # Move the -1 entries to the end of each row without changing the order of the others.
    order = np.argsort(ring < 0, axis=1, kind="stable")
    ring = np.take_along_axis(ring, order, axis=1)
    size = (ring >= 0).sum(axis=1)
    three = ring[size >= 3][:, [0, 1, 2]]
    four = ring[size >= 4][:, [0, 2, 3]]
    return np.concatenate([three, four])
