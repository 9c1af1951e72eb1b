"""How deep a part and the body reach behind each other's surfaces where they cross: an estimate.

The depth is the larger of two: how far the deepest point of the part lies behind the body's surface, and how far the
deepest point of the body lies inside the part; each is a Hausdorff distance restricted to what has gone in, as in M.
Tang, M. Lee and Y. J. Kim, "Interactive Hausdorff Distance Computation for General Polygonal Models", ACM Transactions
on Graphics 28(3), 2009 (from memory). No point's distance changes faster than the point moves, so a piece whose middle
is not deep enough for its size is left out.

Nothing is taken to be watertight. Of the part only what hangs together with the crossing through places behind the body
counts: on from there, over patches of its surface. The body's inside of the part is looked for everywhere when the part
is closed; when it is open, it has no inside, and only the faces that cross are asked.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Matrix, Part
from ..geometry.index import TriangleIndex
from ..geometry.mesh import moved
from .surroundings import Surroundings

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

_SEEDS = 96  # corners of crossing faces that are asked on each side
_BUDGET = 384  # points asked in a round
_BEAM = 24  # boxes of the body that are opened in a round
_FINER = 1.02  # what could be deeper by less is not looked for
_DIVISIONS = (12, 6, 4, 3, 2)


def crossing_depths(
    around: Surroundings, part: Part, pose: Matrix | None, on_part: Ints, on_body: Ints, label: Ints
) -> Floats:
    """How deep the part and each zone reach behind each other.

    Args:
        around: the body and its zones.
        part, pose: as in ``measure_clearance``.
        on_part, on_body, label: (k,) the pairs of faces that cross and their zones, as the index gives them.

    Returns:
        (zones,) m, 0.0 for zones without crossing. A point counts for the zone that is nearest to it.
    """
    pose = np.eye(4) if pose is None else pose
    depth = np.zeros(len(around.scan.zones))
    if len(label) == 0:
        return depth
    hit = np.unique(label)
    _of_part(around, part, pose, np.unique(on_part), hit, depth)
    _of_body(around, part, pose, np.unique(on_body), hit, depth)
    crossed = np.zeros(len(depth), bool)
    crossed[hit] = True
    return np.where(crossed, depth, 0.0)


def _of_part(
    around: Surroundings, part: Part, pose: Matrix, crossing: Ints, zones: Ints, depth: Floats
) -> None:
    """Raise ``depth`` by how deep points of the part lie behind the body."""
    patches = part.patches
    reach = float(np.linalg.norm(np.ptp(part.mesh.points, axis=0)))

    def ask(points: Floats) -> tuple[Floats, Ints]:
        """How deep each point lies behind the body, below zero before it, and the zone it is nearest to."""
        found = around.surface.distance(moved(points, pose), reach, beside=True)
        return np.where(found.face < 0, -reach, -found.distance_m), around.scan.zone_of_face[found.face]

    count = len(patches.middle)
    seeds = _thinned(part.mesh.points[np.unique(part.mesh.triangles[crossing])], _SEEDS)
    deep, zone = ask(np.concatenate([patches.middle, seeds]))
    # A patch may have gone in though its middle has not, so all that cross are starts; a clear one ends the way.
    reached = np.zeros(count, bool)
    reached[patches.of_face[crossing]] = True
    fresh = np.flatnonzero(reached)
    sunk = deep[:count] > 0.0
    while len(fresh):
        going = np.zeros(count, bool)
        going[fresh] = True
        onward = np.unique(patches.touching[going[patches.touching[:, 0]], 1])
        fresh = onward[sunk[onward] & ~reached[onward]]
        reached[fresh] = True
    counts = np.concatenate([reached, np.ones(len(seeds), bool)]) & (deep > 0.0)
    np.maximum.at(depth, zone[counts], deep[counts])

    bound, zone = np.where(reached, deep[:count] + patches.radius, 0.0), zone[:count]
    chosen = []
    for k in zones:
        order = np.flatnonzero((zone == k) & (bound > _FINER * depth[k]))
        order = order[np.argsort(-bound[order])]
        run = np.cumsum(np.diff(patches.first)[order])
        chosen.extend(order[: max(int(np.searchsorted(run, 2 * _BUDGET // len(zones))), 1)].tolist())
    if chosen:
        faces = np.concatenate([patches.faces[patches.first[k] : patches.first[k + 1]] for k in chosen])
        deep, zone = ask(_sampled(part.mesh.points, part.mesh.triangles[faces]))
        np.maximum.at(depth, zone[deep > 0.0], deep[deep > 0.0])


def _of_body(around: Surroundings, part: Part, pose: Matrix, crossing: Ints, zones: Ints, depth: Floats) -> None:
    """Raise ``depth`` by how deep points of the body's ``zones`` lie inside the part."""
    mesh, index, turned = around.scan.mesh, around.index, -1.0 if part.outward < 0 else 1.0

    def ask(points: Floats) -> Floats:
        local = (points - pose[:3, 3]) @ pose[:3, :3]
        return turned * part.surface.distance(local, np.inf, beside=True).distance_m

    def take(faces: Ints) -> None:
        points = _sampled(mesh.points, mesh.triangles[faces])
        label = np.repeat(around.scan.zone_of_face[faces], len(points) // len(faces))
        np.maximum.at(depth, label, -ask(points))

    take(_thinned(crossing, _SEEDS // 3))
    if part.outward == 0:
        return
    placed = moved(part.mesh.points, pose)
    low, high = placed.min(axis=0), placed.max(axis=0)
    forest, level = index.forest, index.forest.height
    group = forest.roots[np.isin(forest.root_labels, zones)]
    while len(group):
        box = forest.boxes.take(group, axis=1)
        near = (box[:3] <= high[:, None, None]).all(axis=0) & (box[3:] >= low[:, None, None]).all(axis=0)
        row, place = np.nonzero(near)
        slot, box = 8 * group[row].astype(np.intp) + place, box[:, row, place].astype(np.float64)
        if len(slot) > _BEAM:
            bound = 0.5 * np.linalg.norm(box[3:] - box[:3], axis=0) - ask(0.5 * (box[:3] + box[3:]).T)
            order = np.argsort(-bound)[:_BEAM]
            slot = slot[order[bound[order] > _FINER * depth[forest.label[slot[order] >> 3]]]]
        group, level = forest.below[slot], level - 1
        if level == 0:
            if len(group):
                take(group)
            return


def _sampled(points: Floats, triangles: Ints) -> Floats:
    """Points of ``triangles`` (m, 3): so fine a grid on each, face after face, as the budget allows, or some corners."""
    fits = [k for k in _DIVISIONS if (k + 1) * (k + 2) // 2 * len(triangles) <= _BUDGET]
    if not fits:
        return _thinned(points[np.unique(triangles)], _BUDGET)
    return np.asarray(np.einsum("sc,mcx->msx", _grid(fits[0]), points[triangles])).reshape(-1, 3)


def _grid(divisions: int) -> Floats:
    """(s, 3) weights of the corners, on a triangular grid."""
    i, j = np.meshgrid(*[np.arange(divisions + 1)] * 2, indexing="ij")
    keep = i + j <= divisions
    i, j = i[keep], j[keep]
    return np.stack([i, j, divisions - i - j], axis=1) / divisions


def _thinned(items: NDArray[np.generic], most: int) -> NDArray[np.generic]:
    """At most so many of ``items``, evenly spread."""
    return items[:: -(-len(items) // most)] if len(items) > most else items
