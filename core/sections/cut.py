"""Contours where a plane cuts a triangle mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh


@dataclass(frozen=True)
class Contour:
    """One chain of points on a cutting plane.

    Attributes:
        points: (n, 3) m, in order; a closed chain does not repeat its first point.
        closed: whether the last point joins the first.
    """

    points: NDArray[np.float64]
    closed: bool


def cut_mesh(mesh: TriMesh, origin: NDArray[np.float64], normal: NDArray[np.float64]) -> list[Contour]:
    """All contours in which a plane cuts ``mesh``, longest (by number of points) first.

    Open surfaces give open contours, holes break them, several bodies give several; where more
    than two faces meet at an edge, a contour ends.

    Args:
        mesh: any triangle mesh.
        origin: (3,) m, a point of the plane.
        normal: (3,) its normal, of any length.
    """
    side = (mesh.points - origin) @ normal
    # A point exactly on the plane counts as above it, so that each crossing lies inside an edge.
    above = side >= 0.0
    pattern = above[mesh.triangles]
    count = pattern.sum(axis=1)
    crossing = np.flatnonzero((count == 1) | (count == 2))
    if len(crossing) == 0:
        return []
    triangles = mesh.triangles[crossing]
    pattern = pattern[crossing]
    # The corner alone on its side; the plane crosses the two edges that leave it.
    alone = np.argmax(pattern == (count[crossing] == 1)[:, None], axis=1)
    rows = np.arange(len(crossing))
    tip = triangles[rows, alone]
    ends = np.concatenate([triangles[rows, (alone + 1) % 3], triangles[rows, (alone + 2) % 3]])
    starts = np.concatenate([tip, tip])
    low, high = np.minimum(starts, ends).astype(np.int64), np.maximum(starts, ends).astype(np.int64)
    keys, node = np.unique(low * len(mesh.points) + high, return_inverse=True)
    low, high = keys // len(mesh.points), keys % len(mesh.points)
    share = side[low] / (side[low] - side[high])
    points = mesh.points[low] + share[:, None] * (mesh.points[high] - mesh.points[low])
    chains = _chain(node[: len(rows)], node[len(rows) :], len(keys))
    contours = [Contour(points[chain], closed) for chain, closed in chains]
    return sorted(contours, key=lambda c: -len(c.points))


def _chain(a: NDArray[np.int64], b: NDArray[np.int64], count: int) -> list[tuple[list[int], bool]]:
    """Chains of node numbers from segments a-b; True where a chain closes on itself."""
    degree = np.bincount(a, minlength=count) + np.bincount(b, minlength=count)
    links: list[list[int]] = [[] for _ in range(count)]
    for i, j in zip(a.tolist(), b.tolist(), strict=True):
        if degree[i] <= 2 and degree[j] <= 2:
            links[i].append(j)
            links[j].append(i)
    seen = [False] * count
    chains = []
    ends_first = sorted(range(count), key=lambda n: len(links[n]) != 1)
    for start in ends_first:
        if seen[start] or not links[start]:
            continue
        chain = [start]
        seen[start] = True
        onward = [n for n in links[start] if not seen[n]]
        while onward:
            chain.append(onward[0])
            seen[onward[0]] = True
            onward = [n for n in links[onward[0]] if not seen[n]]
        chains.append((chain, len(chain) > 2 and start in links[chain[-1]] and len(links[start]) == 2))
    return chains
