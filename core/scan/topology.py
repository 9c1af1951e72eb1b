"""How the faces of a mesh hang together, by whole-array operations.

What sorts works through blocks of ``BLOCK`` entries, which keeps memory low and lets a person call it off.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import face_normals

Ints = NDArray[np.int32]
Progress = Callable[[float], None]
"""Told the share done, 0 to 1, a few times a second; it may raise to call the work off."""
Edges = tuple[Ints, Ints, NDArray[np.bool_], Ints]

BLOCK = 1 << 20


def _quiet(_share: float) -> None:
    pass


def connected(a: Ints, b: Ints, count: int, progress: Progress = _quiet) -> Ints:
    """Component number (count,) of each node of a graph with edges ``a[i]`` - ``b[i]``.

    Every node takes the least number of its component, by hooking and pointer jumping (Y. Zhang,
    A. Azad, Z. Hu, "FastSV", SIAM Conference on Parallel Processing, 2020).
    """
    parent = np.arange(count, dtype=np.int32)
    left = 1.0
    progress(0.0)
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
            progress(1.0 - left)
        left *= 0.5
        progress(1.0 - left)
    return parent


def numbered(component: Ints) -> tuple[Ints, int]:
    """Components named by ``connected`` renamed 0, 1, ... in their order: (count,) numbers, and how many there are."""
    root = component == np.arange(len(component), dtype=np.int32)
    number = np.cumsum(root, dtype=np.int32) - np.int32(1)
    return number[component], int(root.sum())


def first_equal(rows: NDArray[np.uint32], progress: Progress = _quiet) -> Ints:
    """(n,) for each of ``rows`` (n, 3) the number of the first row equal to it, which may be itself.

    Rows are brought together by a 64-bit hash (multiply and shift) and then compared in full, so rows that
    differ are never taken for equal.
    """
    name = np.full(len(rows), 0x9E3779B97F4A7C15, np.uint64)
    for k, factor in enumerate((0xBF58476D1CE4E5B9, 0x94D049BB133111EB, 0xD6E8FEB86659FD93)):
        name ^= rows[:, k]
        name *= np.uint64(factor)
        name ^= name >> np.uint64(32)
        progress(0.05 * (k + 1))
    first = np.arange(len(rows), dtype=np.int32)
    blocks = -(-len(rows) // BLOCK)
    block = (name % np.uint64(max(blocks, 1))).astype(np.uint16)
    for here in _members(block, blocks, progress, 0.2):
        order = here[np.argsort(name[here])]
        same = (name[order][1:] == name[order][:-1]) & (rows[order[1:]] == rows[order[:-1]]).all(axis=1)
        start = np.flatnonzero(np.concatenate([[True], ~same]))
        first[order] = np.repeat(np.minimum.reduceat(order, start), np.diff(start, append=len(order)))
    return first


def edge_pairs(triangles: Ints, progress: Progress = _quiet) -> Edges:
    """Faces that share an edge with exactly one other face.

    Returns:
        first, second: (k,) the two faces.
        agree: (k,) bool, whether both run round the edge in opposite senses, as neighbours on one side do.
        rim: (j, 2) the edges of a single face, as directed point pairs.
    """
    m = len(triangles)
    low, high = np.empty((2, 3 * m), np.int32)
    for k in range(3):
        np.minimum(triangles[:, k], triangles[:, k - 2], out=low[k * m : (k + 1) * m])
        np.maximum(triangles[:, k], triangles[:, k - 2], out=high[k * m : (k + 1) * m])
    points = int(high.max(initial=0)) + 1
    # Edges go to blocks of about one size by their lower point.
    before = np.cumsum(np.bincount(low, minlength=points)) - 1
    blocks = -(-3 * m // BLOCK)
    block = (before // BLOCK).astype(np.uint16)[low]
    found: list[Edges] = [(low[:0], low[:0], np.zeros(0, bool), np.zeros((0, 2), np.int32))]
    for here in _members(block, blocks, progress, 0.1):
        key = low[here].astype(np.int64) * points + high[here]
        order = np.argsort(key)
        key, here = key[order], here[order]
        fresh = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
        size = np.diff(fresh, append=len(key))
        two, one = fresh[size == 2], here[fresh[size == 1]]
        i, j = np.minimum(here[two], here[two + 1]), np.maximum(here[two], here[two + 1])
        agree = triangles[i % m, i // m] != triangles[j % m, j // m]
        rim = np.column_stack([triangles[one % m, one // m], triangles[one % m, (one // m + 1) % 3]])
        found.append(((i % m).astype(np.int32), (j % m).astype(np.int32), agree, rim))
    first, second, agree, rim = (np.concatenate(column) for column in zip(*found, strict=True))
    return first, second, agree, rim


def pieces(triangles: Ints, point_count: int, progress: Progress = _quiet) -> Ints:
    """(m,) number of the connected piece each face belongs to (faces joined through shared points)."""
    a = np.concatenate([triangles[:, 0], triangles[:, 1]])
    b = np.concatenate([triangles[:, 1], triangles[:, 2]])
    label = connected(a, b, point_count, progress)
    # Points of no face are pieces of their own; they get no number.
    used = np.zeros(point_count, bool)
    used[label[triangles[:, 0]]] = True
    progress(1.0)
    return (np.cumsum(used, dtype=np.int32) - np.int32(1))[label[triangles[:, 0]]]


def rim_loops(points: NDArray[np.float64], rim: Ints) -> NDArray[np.float64]:
    """Lengths (k,) m of the connected groups of ``rim`` (j, 2) edges, longest first.

    Each is the rim of a hole or the border of a piece, which nothing in a mesh tells apart; loops that touch in a
    point count as one.
    """
    used, place = np.unique(rim, return_inverse=True)
    ends: Ints = place.reshape(-1, 2).astype(np.int32)
    number, count = numbered(connected(ends[:, 0], ends[:, 1], len(used)))
    length = np.linalg.norm(points[rim[:, 0]] - points[rim[:, 1]], axis=1)
    return -np.sort(-np.bincount(number[ends[:, 0]], length, count).astype(np.float64))


def consistent(
    points: NDArray[np.float64], triangles: Ints, edges: Edges | None = None, progress: Progress = _quiet
) -> tuple[Ints, int]:
    """Triangles turned so that neighbours face the same way; each piece keeps the side most of its area had.

    Faces are neighbours where an edge joins just these two: where three or more meet, each sheet keeps its own side.

    Args:
        edges: what ``edge_pairs`` says of ``triangles``, where that is known.

    Returns:
        triangles: (m, 3), turned where needed.
        count: how many were turned.
    """
    first, second, agree, _ = edges or edge_pairs(triangles)
    place, count = numbered(connected(first[agree], second[agree], len(triangles), progress))
    a, b = place[first[~agree]], place[second[~agree]]
    # Patches meet along edges where they disagree: turn every other one, the largest first. An edge
    # inside one patch (a one-sided strip) cannot be mended and is left.
    cross = a != b
    if not cross.any():
        return triangles.copy(), 0
    area = np.zeros(count)
    for start in range(0, len(triangles), BLOCK):
        here = slice(start, start + BLOCK)
        area += np.bincount(place[here], face_normals(points[triangles[here]])[1], count)
        progress(1.0)
    flip = _two_colours(a[cross], b[cross], area, progress)[place]
    turned = triangles.copy()
    turned[flip] = turned[flip][:, [0, 2, 1]]
    return turned, int(flip.sum())


def _two_colours(a: Ints, b: Ints, area: NDArray[np.float64], progress: Progress) -> NDArray[np.bool_]:
    links: dict[int, set[int]] = {}
    for i, j in np.unique(np.column_stack([a, b]), axis=0).tolist():
        links.setdefault(i, set()).add(j)
        links.setdefault(j, set()).add(i)
    progress(1.0)
    turn = np.zeros(len(area), bool)
    seen: set[int] = set()
    for start in sorted(links, key=lambda n: -area[n]):
        if start in seen:
            continue
        group, queue = [start], deque([start])
        seen.add(start)
        while queue:
            here = queue.popleft()
            for there in sorted(links[here], key=lambda n: -area[n]):
                if there not in seen:
                    seen.add(there)
                    turn[there] = not turn[here]
                    group.append(there)
                    queue.append(there)
            if len(seen) % 4096 == 0:
                progress(1.0)
        members = np.array(group)
        if area[members[turn[members]]].sum() > area[members[~turn[members]]].sum():
            turn[members] = ~turn[members]
    return turn


def _members(block: NDArray[np.uint16], blocks: int, progress: Progress, done: float) -> Iterator[NDArray[np.intp]]:
    """The entries of each block in turn; ``progress`` hears how far it is, from the share ``done`` on."""
    for number in range(blocks):
        progress(done + (1.0 - done) * number / blocks)
        here = np.flatnonzero(block == number)
        if len(here):
            yield here
    progress(1.0)
