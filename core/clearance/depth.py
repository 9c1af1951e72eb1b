"""How deep a part and the body reach behind each other's surfaces where they cross: an estimate.

The depth is the larger of two: how far the deepest point of the part lies behind the body's surface, and how far the
deepest point of the body lies inside the part; each is a Hausdorff distance restricted to what has gone in, as in M.
Tang, M. Lee and Y. J. Kim, "Interactive Hausdorff Distance Computation for General Polygonal Models", ACM Transactions
on Graphics 28(3), 2009 (from memory).

Nothing is taken to be watertight. Of the part only what hangs together with the crossing counts: from patches of its
surface that cross on over those that lie behind the body, so that what hangs down past the scan's border does not. The
middle of each patch is asked, then the points that would be deepest were the body flat below each patch. The body's
points inside the part are looked for everywhere when the part is closed, a few in each box that may hold deep enough
ones, so a small zone's depth may fall short by some millimetres when most of it is within the part; an open part has no
inside, and only the body's faces that cross are asked. Parts made of shells that overlap have surface inside
themselves, to which less depth is measured. In all some thousand points are asked, whatever the sizes.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Matrix, Part
from ..geometry.forest import Forest
from ..geometry.mesh import moved
from .surroundings import Surroundings

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Slots = NDArray[np.intp]
_Item = TypeVar("_Item", bound=np.generic)

_SEEDS = 48  # corners of the crossing faces that are asked
_BUDGET = 256  # points asked in a round, at most about so many
_COARSE = 24  # so few crossing faces are large enough to be looked at inside
_BOXES = 64  # more boxes of the body than this are not opened before they are asked
_OPENED = 24  # boxes that are opened then
_FINER = 1.02  # what could be deeper by less is not looked for
_DIVISIONS = (12, 6, 4, 3, 2, 1)  # of an edge, finest first


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
    _of_part(around, part, pose, on_part, label, depth)
    _of_body(around, part, pose, np.unique(on_body), hit, depth)
    crossed = np.zeros(len(depth), bool)
    crossed[hit] = True
    return np.where(crossed, depth, 0.0)


def _of_part(around: Surroundings, part: Part, pose: Matrix, crossing: Ints, label: Ints, depth: Floats) -> None:
    """Raise ``depth`` by how deep points of the part, whose faces ``crossing`` cross ``label``, lie behind the body."""
    patches = part.patches
    reach = part.length_m

    def ask(points: Floats) -> tuple[Floats, Ints, Floats]:
        """How deep each point lies behind the body, below zero before it; its zone; the way (part's axes) to go in."""
        placed = moved(points, pose)
        found = around.surface.distance(placed, reach, beside=True)
        deep = np.where(found.face < 0, -reach, -found.distance_m)
        way = (placed - found.foot) / np.where(deep == 0.0, np.inf, deep)[:, None]
        return deep, around.scan.zone_of_face[found.face], np.nan_to_num(way) @ pose[:3, :3]

    def count(deep: Floats, zone: Ints) -> None:
        np.maximum.at(depth, zone[deep > 0.0], deep[deep > 0.0])

    many = len(patches.middle)
    seeds = _thinned(part.mesh.points[np.unique(part.mesh.triangles[crossing])], _SEEDS)
    deep, zone, way = ask(np.concatenate([patches.middle, seeds]))
    count(deep[many:], zone[many:])
    deep, zone, way = deep[:many], zone[:many], way[:many]
    # A patch may have gone in though its middle has not, so all that cross are starts; a clear one ends the way.
    reached = np.zeros(many, bool)
    reached[patches.of_face[crossing]] = True
    fresh = np.flatnonzero(reached)
    while len(fresh):
        going = np.zeros(many, bool)
        going[fresh] = True
        onward = np.unique(patches.touching[going[patches.touching[:, 0]], 1])
        fresh = onward[(deep[onward] > 0.0) & ~reached[onward]]
        reached[fresh] = True
    count(deep[reached], zone[reached])

    faces = np.flatnonzero(reached[patches.of_face])
    if len(faces) * 3 <= _BUDGET:
        points = _sampled(part.mesh.points, part.mesh.triangles[faces], _BUDGET)
    else:
        # What would be deepest were the body flat below each patch.
        own = reached[patches.of_point]
        points, patch = part.mesh.points[patches.points[own]], patches.of_point[own]
        guess = deep[patch] + ((points - patches.middle[patch]) * way[patch]).sum(axis=1)
        order = np.argsort(-guess)
        # Where zones meet, a patch may lie off several.
        holds = np.zeros((len(depth), many), bool)
        holds[zone, np.arange(many)] = holds[label, patches.of_face[crossing]] = True
        zones = np.unique(label)
        best = [np.flatnonzero(holds[k, patch[order]])[: _BUDGET // len(zones)] for k in zones]
        points = points[order[np.unique(np.concatenate(best))]]
    count(*ask(points)[:2])


def _of_body(around: Surroundings, part: Part, pose: Matrix, crossing: Ints, zones: Ints, depth: Floats) -> None:
    """Raise ``depth`` by how deep points of the body's ``zones`` lie inside the part."""
    mesh, forest, label = around.scan.mesh, around.index.forest, around.scan.zone_of_face
    turned = -1.0 if part.outward < 0 else 1.0
    if part.outward != 0:
        zones = zones[depth[zones] * _FINER < part.half_width_m]
        if len(zones) == 0:
            return

    def ask(points: Floats) -> Floats:
        local = (points - pose[:3, 3]) @ pose[:3, :3]
        return -turned * part.surface.distance(local, np.inf, beside=True).distance_m

    def sampled(faces: Ints) -> tuple[Floats, Ints]:
        # Where many faces cross they are small, and corners tell enough.
        points = _sampled(mesh.points, mesh.triangles[faces], _BUDGET if len(crossing) <= _COARSE else 3 * len(faces))
        return points, np.repeat(label[faces], len(points) // len(faces))

    points, zone = sampled(_thinned(crossing, _COARSE))
    if part.outward == 0:
        np.maximum.at(depth, zone, ask(points))
        return
    placed = moved(part.mesh.points, pose)
    low, high = placed.min(axis=0)[:, None], placed.max(axis=0)[:, None]
    group = forest.roots[np.isin(forest.root_labels, zones)]
    slot, level = _overlapping(forest, group, forest.height, low, high, _BOXES)
    slot = _thinned(slot, _BUDGET)
    box = forest.boxes.reshape(6, -1).take(slot, axis=1).astype(np.float64)
    deep = ask(np.concatenate([points, 0.5 * (box[:3] + box[3:]).T]))
    np.maximum.at(depth, zone, deep[: len(zone)])
    # Nothing below a box lies deeper than its middle by more than half its diagonal.
    bound, name = deep[len(zone) :] + 0.5 * np.linalg.norm(box[3:] - box[:3], axis=0), forest.label[slot >> 3]
    faces = [np.zeros(0, np.int32)]
    for k in zones:
        own = np.flatnonzero((name == k) & (bound > _FINER * depth[k]))
        own = own[np.argsort(-bound[own])][: _OPENED // len(zones) + 1]
        below = forest.below[slot[own]]
        if level > 1:
            below = forest.below[_overlapping(forest, below, level - 1, low, high)[0]]
        faces.append(_thinned(below, _BUDGET // (3 * len(zones))))
    chosen = np.concatenate(faces)
    if len(chosen):
        points, zone = sampled(chosen)
        np.maximum.at(depth, zone, ask(points))


def _overlapping(
    forest: Forest, group: Ints, level: int, low: Floats, high: Floats, most: float = np.inf
) -> tuple[Slots, int]:
    """Slots whose boxes reach into ``low`` .. ``high`` (3, 1), on the first level with so many or the lowest; it."""
    while True:
        slot = (8 * group.astype(np.intp)[:, None] + np.arange(8)).ravel()
        box = forest.boxes.reshape(6, -1).take(slot, axis=1)
        slot = slot[((box[:3] <= high) & (box[3:] >= low)).all(axis=0)]
        if level == 1 or len(slot) > most:
            return slot, level
        group, level = forest.below[slot], level - 1


def _sampled(points: Floats, triangles: Ints, budget: int) -> Floats:
    """Points of ``triangles`` (m, 3): on each, face after face, as fine a grid as the budget allows."""
    fits = [k for k in _DIVISIONS if (k + 1) * (k + 2) // 2 * len(triangles) <= budget]
    return np.asarray(np.einsum("sc,mcx->msx", _grid(fits[0]), points[triangles])).reshape(-1, 3)


def _grid(divisions: int) -> Floats:
    """(s, 3) weights of the corners, on a triangular grid."""
    i, j = np.meshgrid(*[np.arange(divisions + 1)] * 2, indexing="ij")
    keep = i + j <= divisions
    i, j = i[keep], j[keep]
    return np.stack([i, j, divisions - i - j], axis=1) / divisions


def _thinned(items: NDArray[_Item], most: int) -> NDArray[_Item]:
    """At most so many of ``items``, evenly spread."""
    return items[:: -(-len(items) // most)] if len(items) > most else items
