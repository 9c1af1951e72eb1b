"""Smallest distances of a part to the named zones of the body, and where they collide."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Matrix, Part, rigid
from ..errors import InputError
from ..geometry.mesh import moved
from ..geometry.pairs import closest_between_triangles
from .allowance import check_allowance
from .depth import crossing_depths
from .result import PartClearance, ZoneClearance
from .surroundings import Surroundings

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


def measure_clearance(
    around: Surroundings, part: Part, pose: Matrix | None = None, allowance_m: float = 0.0
) -> PartClearance:
    """The smallest distance of a part to every zone, exact over all pairs of triangles, and all collisions.

    Distances and collisions are those of the surfaces as they are: open, holed, crossing themselves or turned inside
    out makes no difference. A part that crosses nothing may still lie wholly behind the surface: it does when its point
    nearest to a zone lies behind it (as ``clearance_map`` tells sides, so not beside a border) and not before a nearer
    face that is in no zone. That zone gets ``behind`` and counts as touched, while its distance stays that from behind.

    Where the part crosses a zone, the two points are a place of the crossing near its middle, and ``depth_m`` estimates
    how deep the two reach behind each other; ``clearance.depth`` says how it is found. It is the depth of a point that
    really lies so deep, the deepest of those that were asked: corners, and a grid on large faces. It is not the way by
    which the part comes free. Which side is behind is told by the nearest face of a zone: where a rough scan has faces
    turned over, what stands before them counts as deep (and the other way round), and below an open shell all counts
    that hangs together with the crossing there, as far as it reaches. Neither touches distances and collisions.

    Args:
        around: the body and its zones.
        part: what is moved.
        pose: rigid (4, 4), where to; None leaves it where it is.
        allowance_m: taken off every distance: room for what may move either, in any direction.

    Raises:
        InputError: an allowance that is no length, or a pose that is not rigid.
    """
    check_allowance(allowance_m)
    moving = part.placed(pose)
    on_part, on_body, label, near = around.index.meets(moving)
    places = _crossing_places(around, part, pose, on_part, on_body, label)
    depth = crossing_depths(around, part, pose, on_part, on_body, label)
    nearest = min(near, key=lambda k: near[k].distance_m)
    hidden = not places and around.behind(near[nearest].on_other, near[nearest].distance_m)
    zones = []
    for k, zone in enumerate(around.scan.zones):
        collides = k in places
        room = 0.0 if collides else max(near[k].distance_m - allowance_m, 0.0)
        points = places[k] if collides else (near[k].on_other, near[k].on_body)
        behind = hidden and k == nearest
        zones.append(
            ZoneClearance(
                zone=zone.name,
                distance_m=room,
                on_part=points[0],
                on_body=points[1],
                collides=collides,
                required_m=zone.required_m,
                verdict="touches" if room == 0.0 or behind else "tight" if room < zone.required_m else "clear",
                depth_m=float(depth[k]),
                behind=behind,
            )
        )
    hits = np.zeros(len(part.mesh.triangles), bool)
    hits[on_part] = True
    return PartClearance(part.name, tuple(zones), hits, np.unique(on_body), allowance_m)


def clearance_map(around: Surroundings, part: Part, pose: Matrix | None = None, reach_m: float = 0.1) -> Floats:
    """Signed distance of each of the part's points to the nearest zone, for colouring.

    The side is told by the angle-weighted normals of the nearest face, edge or corner (``geometry.signed``). It is as
    right as the nearest faces: behind an open shell points count as behind it however deep they lie, where a rough
    scan has faces turned over the sign is turned over as well, and beside the border of the zones' surface (seen from
    there at less than 45 degrees to it) there is no side, so the distance is given plain, above zero.

    Args:
        around: the body and its zones; faces in no zone are ignored.
        part: what is coloured.
        pose: rigid (4, 4), where it stands; None leaves it where it is.
        reach_m: points farther off get inf.

    Returns:
        (points of the part,) m; below zero behind the body's surface, as its nearest face tells.

    Raises:
        InputError: a reach that is no length, or a pose that is not rigid.
    """
    if not reach_m > 0.0:
        raise InputError("The reach of the clearance map must be a length above 0 mm.")
    points = part.mesh.points if pose is None else moved(part.mesh.points, rigid(pose, part.name))
    found = around.surface.distance(points, reach_m, beside=True)
    return np.where(found.face < 0, np.inf, found.distance_m)


def _crossing_places(
    around: Surroundings, part: Part, pose: Matrix | None, on_part: Ints, on_body: Ints, label: Ints
) -> dict[int, tuple[Floats, Floats]]:
    """For each zone that the part crosses a place (3,), (3,) of the crossing on the part and on the body."""
    zones, first = np.unique(label, return_index=True)
    if len(zones) == 0:
        return {}
    theirs = part.mesh.points[part.mesh.triangles[on_part]]
    theirs = theirs if pose is None else moved(theirs, pose)
    ours = around.scan.mesh.points[around.scan.mesh.triangles[on_body]]
    middle = theirs.mean(axis=1) + ours.mean(axis=1)
    for place, k in enumerate(zones):
        own = np.flatnonzero(label == k)
        first[place] = own[np.argmin(((middle[own] - middle[own].mean(axis=0)) ** 2).sum(axis=1))]
    _, a, b = closest_between_triangles(theirs[first], ours[first])
    return {int(k): (a[place], b[place]) for place, k in enumerate(zones)}
