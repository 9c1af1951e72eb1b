"""How the faces of a mesh hang together, by whole-array operations."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import face_normals

Ints = NDArray[np.int32]


def connected(a: Ints, b: Ints, count: int) -> Ints:
    """Component number (count,) of each node of a graph with edges ``a[i]`` - ``b[i]``.

    Every node takes the least number of its component, by hooking and pointer jumping (Y. Zhang,
    A. Azad, Z. Hu, "FastSV", SIAM Conference on Parallel Processing, 2020).
    """
    parent = np.arange(count, dtype=np.int32)
    while len(a):
        pa, pb = parent[a], parent[b]
        apart = pa != pb
        if not apart.any():
            break
        a, b = a[apart], b[apart]
        pa, pb = pa[apart], pb[apart]
        np.minimum.at(parent, np.maximum(pa, pb), np.minimum(pa, pb))
        while True:
            up = parent[parent]
            if np.array_equal(up, parent):
                break
            parent = up
    return parent


def edge_pairs(triangles: Ints) -> tuple[Ints, Ints, NDArray[np.bool_], Ints]:
    """Faces that share an edge with exactly one other face.

    Returns:
        first, second: (k,) the two faces.
        agree: (k,) bool, whether both run round the edge in opposite senses, as neighbours on one side do.
        rim: (j, 2) the edges of a single face, as directed point pairs.
    """
    m = len(triangles)
    start = triangles.T.ravel()
    end = triangles[:, [1, 2, 0]].T.ravel()
    points = int(triangles.max(initial=0)) + 1
    key = np.minimum(start, end).astype(np.int64) * points + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    key = key[order]
    fresh = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    size = np.diff(np.concatenate([fresh, [len(key)]]))
    two, one = fresh[size == 2], fresh[size == 1]
    i, j = order[two], order[two + 1]
    single = order[one]
    return (
        (i % m).astype(np.int32),
        (j % m).astype(np.int32),
        start[i] != start[j],
        np.column_stack([start[single], end[single]]),
    )


def pieces(triangles: Ints, point_count: int) -> Ints:
    """(m,) number of the connected piece each face belongs to (faces joined through shared points)."""
    a = np.concatenate([triangles[:, 0], triangles[:, 1]])
    b = np.concatenate([triangles[:, 1], triangles[:, 2]])
    label = connected(a, b, point_count)
    return np.unique(label[triangles[:, 0]], return_inverse=True)[1].astype(np.int32)


def consistent(points: NDArray[np.float64], triangles: Ints) -> tuple[Ints, int]:
    """Triangles turned so that neighbours face the same way; each piece keeps the side most of its area had.

    Returns:
        triangles: (m, 3), turned where needed.
        count: how many were turned.
    """
    first, second, agree, _ = edge_pairs(triangles)
    patch = connected(first[agree], second[agree], len(triangles))
    names, place = np.unique(patch, return_inverse=True)
    area = np.asarray(np.bincount(place, face_normals(points[triangles])[1], len(names)), np.float64)
    a, b = place[first[~agree]], place[second[~agree]]
    # Patches meet along edges where they disagree: turn every other one, the largest first. An edge
    # inside one patch (a one-sided strip) cannot be mended and is left.
    cross = a != b
    turn = _two_colours(a[cross], b[cross], area)
    flip = turn[place]
    turned = triangles.copy()
    turned[flip] = turned[flip][:, [0, 2, 1]]
    return turned, int(flip.sum())


def _two_colours(a: NDArray[np.intp], b: NDArray[np.intp], area: NDArray[np.float64]) -> NDArray[np.bool_]:
    links: dict[int, set[int]] = {}
    for i, j in np.unique(np.column_stack([a, b]), axis=0).tolist():
        links.setdefault(i, set()).add(j)
        links.setdefault(j, set()).add(i)
    turn = np.zeros(len(area), bool)
    seen: set[int] = set()
    for start in sorted(links, key=lambda n: -area[n]):
        if start in seen:
            continue
        group, queue = [start], [start]
        seen.add(start)
        while queue:
            here = queue.pop(0)
            for there in sorted(links[here], key=lambda n: -area[n]):
                if there not in seen:
                    seen.add(there)
                    turn[there] = not turn[here]
                    group.append(there)
                    queue.append(there)
        members = np.array(group)
        if area[members[turn[members]]].sum() > area[members[~turn[members]]].sum():
            turn[members] = ~turn[members]
    return turn
