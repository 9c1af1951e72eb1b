"""Exact distances of points and triangles from triangles, many pairs at once.

Every answer is the distance of two points that really lie on the two shapes, so rounding can only
lengthen it; the nearest points are looked for among all pairs of features (face, edge, corner), so
slivers, shapes without area and parallel shapes need no cases of their own.
Source: C. Ericson, "Real-Time Collision Detection", 2005, sections 5.1.2, 5.1.9 and 5.1.10 (from memory).
Inside, components come first, (3, ...), so that each operation runs over contiguous memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TOUCH = 1e-12
"""Triangles nearer than this share of their largest coordinate count as touching: some thousand roundings."""

_NEXT = [1, 2, 0]


def closest_on_triangles(points: Floats, corners: Floats) -> Floats:
    """The point of each triangle nearest to the point of the same row.

    Args:
        points: (n, 3) m.
        corners: (n, 3, 3) m; a triangle may have no area.

    Returns:
        (n, 3) m.
    """
    return _foot_points(_rows(points), [_rows(corners[:, k]) for k in range(3)]).T


def closest_between_triangles(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Smallest distance of each pair of triangles, and where it is.

    Args:
        a, b: (n, 3, 3) m, corners; triangles may have no area.

    Returns:
        (n,) m, 0.0 where they cross or touch; (n, 3) m on ``a``; (n, 3) m on ``b``.
    """
    a, b, origin = _local(a, b)
    count = a.shape[2]
    spread_b = [b[:, k, None] for k in range(3)]
    on_a, on_b = [a], [_foot_points(a, spread_b)]
    on_b.append(b)
    on_a.append(_foot_points(b, [a[:, k, None] for k in range(3)]))
    edge_a, edge_b = a[:, _NEXT] - a, b[:, _NEXT] - b
    s, t = _segment_shares(a[:, :, None], edge_a[:, :, None], b[:, None], edge_b[:, None])
    on_a.append((a[:, :, None] + s * edge_a[:, :, None]).reshape(3, 9, count))
    on_b.append((b[:, None] + t * edge_b[:, None]).reshape(3, 9, count))
    all_a, all_b = np.concatenate(on_a, axis=1), np.concatenate(on_b, axis=1)
    square = _square(all_a - all_b)
    best, pick = np.argmin(square, axis=0), np.arange(count)
    distance = np.sqrt(square[best, pick])
    near_a, near_b = all_a[:, best, pick], all_b[:, best, pick]
    slack = TOUCH * _largest(a, b, origin)
    pierced, where = _piercing(a, b, slack)
    near_a[:, pierced] = near_b[:, pierced] = where[:, pierced]
    distance[pierced | (distance <= slack)] = 0.0
    return distance, (near_a + origin).T, (near_b + origin).T


def triangles_meet(a: Floats, b: Floats) -> NDArray[np.bool_]:
    """Whether each pair of triangles (n, 3, 3) m, (n, 3, 3) m crosses or touches; (n,) bool."""
    local_a, local_b, origin = _local(a, b)
    meet = np.zeros(len(a), bool)
    slack = TOUCH * _largest(local_a, local_b, origin)
    rest = np.flatnonzero(~(_beyond(local_a, local_b, slack) | _beyond(local_b, local_a, slack)))
    pierced, _ = _piercing(local_a[:, :, rest], local_b[:, :, rest], slack[rest])
    meet[rest] = pierced
    rest = rest[~pierced]
    rest = rest[~_aside(local_a[:, :, rest], local_b[:, :, rest], slack[rest])]
    meet[rest] = closest_between_triangles(a[rest], b[rest])[0] == 0.0
    return meet


def cross(u: Floats, v: Floats) -> Floats:
    """Cross products of vectors (3, ...), several times faster than numpy's."""
    return np.stack([u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]])


def _rows(points: Floats) -> Floats:
    """(..., n, 3) to contiguous (3, ..., n)."""
    return np.ascontiguousarray(np.moveaxis(points, -1, 0))


def _local(a: Floats, b: Floats) -> tuple[Floats, Floats, Floats]:
    """Corners (n, 3, 3) as (3 components, 3 corners, n) about the first corner of ``a``, and that corner (3, n)."""
    first, second = np.ascontiguousarray(a.transpose(2, 1, 0)), np.ascontiguousarray(b.transpose(2, 1, 0))
    origin = first[:, 0].copy()
    return first - origin[:, None], second - origin[:, None], origin


def _largest(a: Floats, b: Floats, origin: Floats) -> Floats:
    size = np.maximum(np.abs(a).max(axis=(0, 1)), np.abs(b).max(axis=(0, 1)))
    return np.maximum(size, np.abs(origin).max(axis=0))


def _dot(u: Floats, v: Floats) -> Floats:
    return u[0] * v[0] + u[1] * v[1] + u[2] * v[2]


def _square(u: Floats, axis: int = 0) -> Floats:
    x, y, z = np.moveaxis(u, axis, 0)
    return x * x + y * y + z * z


def _share(over: Floats, under: Floats) -> Floats:
    """``over / under`` held in 0 .. 1; 0 where ``under`` is 0."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        share = over / under
    return np.clip(np.where(under > 0.0, share, 0.0), 0.0, 1.0)


def _point_share(point: Floats, start: Floats, run: Floats) -> Floats:
    return _share(_dot(point - start, run), _square(run))


def _segment_shares(p: Floats, u: Floats, q: Floats, v: Floats) -> tuple[Floats, Floats]:
    """How far along ``p + s u`` and ``q + t v`` the nearest points lie."""
    r = p - q
    uu, vv, uv, ur, vr = _square(u), _square(v), _dot(u, v), _dot(u, r), _dot(v, r)
    s = _share(uv * vr - ur * vv, uu * vv - uv * uv)
    t = _share(uv * s + vr, vv)
    return _share(uv * t - ur, uu), t


def _foot_points(point: Floats, corner: list[Floats]) -> Floats:
    """Nearest points of triangles: ``point`` (3, ...), ``corner`` three arrays that broadcast with it, (3, ...)."""
    a, b, c = corner
    options = [start + _point_share(point, start, run) * run for start, run in ((a, b - a), (b, c - b), (c, a - c))]
    u, v = b - a, c - a
    d = point - a
    uu, vv, uv, du, dv = _square(u), _square(v), _dot(u, v), _dot(d, u), _dot(d, v)
    area = uu * vv - uv * uv
    s = _share(vv * du - uv * dv, area)
    t = np.minimum(_share(uu * dv - uv * du, area), 1.0 - s)
    options.append(a + s * u + t * v)
    feet = np.stack(np.broadcast_arrays(*options))
    best = np.argmin(_square(feet - point, axis=1), axis=0)
    return np.take_along_axis(feet, best[None, None], axis=0)[0]


def _piercing(a: Floats, b: Floats, slack: Floats) -> tuple[NDArray[np.bool_], Floats]:
    """Whether an edge of one triangle passes through the face of the other, and a point (3, n) where.

    The point lies on both to within ``slack``: past the short side of a needle rounding may take outside for inside.
    """
    pierced = np.zeros(a.shape[2], bool)
    where = np.zeros((3, a.shape[2]))
    for line, face in ((a, b), (b, a)):
        side = face[:, _NEXT] - face
        normal = cross(side[:, 0], side[:, 1])
        height = _dot(line - face[:, :1], normal[:, None])
        after = height[_NEXT]
        change = height - after
        passes = (height * after <= 0.0) & (change != 0.0)
        share = height / np.where(passes, change, 1.0)
        point = line + share * (line[:, _NEXT] - line)
        inside = passes
        for k in range(3):
            inside = inside & (_dot(cross(side[:, k, None], point - face[:, k, None]), normal[:, None]) >= 0.0)
        for k in range(3):
            where[:, inside[k]] = point[:, k, inside[k]]
        pierced |= inside.any(axis=0)
    found = np.flatnonzero(pierced)
    place, limit = where[:, found], slack[found] ** 2
    for face in (a, b):
        foot = _foot_points(place, [face[:, k, found] for k in range(3)])
        pierced[found] &= _square(foot - place) <= limit
    return pierced, where


def _beyond(a: Floats, b: Floats, slack: Floats) -> NDArray[np.bool_]:
    """Whether ``a`` lies wholly on one side of the plane of ``b``, off it by more than ``slack``."""
    side = b[:, 1:] - b[:, :1]
    normal = cross(side[:, 0], side[:, 1])
    height = _dot(a - b[:, :1], normal[:, None])
    # The height of a sliver's plane is not to be trusted to its last digits; leave those to the full test.
    slack = (slack + 1e-9 * np.sqrt(_square(side[:, 0]) + _square(side[:, 1]))) * np.sqrt(_square(normal))
    return (height.min(axis=0) > slack) | (height.max(axis=0) < -slack)


def _aside(a: Floats, b: Floats, slack: Floats) -> NDArray[np.bool_]:
    """Whether triangles are apart by more than ``slack`` along the normal of an edge in the plane of either."""
    apart = np.zeros(a.shape[2], bool)
    for triangle in (a, b):
        side = triangle[:, _NEXT] - triangle
        normal = cross(side[:, 0], side[:, 1])
        for k in range(3):
            out = cross(side[:, k], normal)
            one, two = _dot(a, out[:, None]), _dot(b, out[:, None])
            gap = np.maximum(one.min(axis=0) - two.max(axis=0), two.min(axis=0) - one.max(axis=0))
            apart |= gap > slack * np.sqrt(_square(out))
    return apart
