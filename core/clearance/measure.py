"""Smallest distances of an element to the named zones of the body, and where they collide."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh
from .result import ElementClearance, ZoneClearance


def measure_clearance(
    index: TriangleIndex,
    zone_names: Sequence[str],
    required_m: Sequence[float],
    element_name: str,
    element: TriMesh,
) -> ElementClearance:
    """The smallest distance of an element to every zone, exact over all pairs of triangles, and all collisions.

    Args:
        index: the body, labelled with each face's place in ``zone_names``; faces labelled -1 are ignored.
        zone_names: the zones.
        required_m: the clearance each asks for, m.
        element_name: for the answer.
        element: its surface in the body's axes; it may be open.

    Raises:
        InputError: a zone without faces, faces in a zone without a name, a requirement that is no
            length, or an element without faces.
    """
    if len(required_m) != len(zone_names):
        raise InputError(f"There are {len(zone_names)} zones but {len(required_m)} required clearances.")
    present = set(index.forest.root_labels.tolist())
    for k, (zone, required) in enumerate(zip(zone_names, required_m, strict=True)):
        if k not in present:
            raise InputError(f"Zone “{zone}” holds no faces of the body; mark its faces or take the zone out.")
        if not 0.0 <= required < np.inf:
            raise InputError(f"The clearance asked for at zone “{zone}” must be a length of 0 mm or more.")
    if max(present) >= len(zone_names):
        raise InputError(
            f"Faces are marked as zone number {max(present)}, but only {len(zone_names)} zones have names."
        )
    if len(element.triangles) == 0:
        raise InputError(f"Element “{element_name}” holds no faces, so it has no clearance.")
    moving = TriangleIndex.build(element)
    on_element, on_body, label = index.crossings(moving)
    crossed = set(label.tolist())
    near = index.approaches(moving)
    zones = tuple(
        ZoneClearance(
            zone=zone,
            distance_m=near[k].distance_m,
            on_element=near[k].on_other,
            on_body=near[k].on_body,
            collides=k in crossed,
            required_m=float(required),
            verdict="touches" if k in crossed else "tight" if near[k].distance_m < required else "clear",
        )
        for k, (zone, required) in enumerate(zip(zone_names, required_m, strict=True))
    )
    hits = np.zeros(len(element.triangles), bool)
    hits[on_element] = True
    return ElementClearance(element_name, zones, hits, np.unique(on_body))


def per_vertex_clearance(index: TriangleIndex, element: TriMesh, reach_m: float) -> NDArray[np.float64]:
    """Distance of each of the element's points to the nearest zone, for colouring.

    Args:
        index: the body; faces labelled -1 are ignored.
        element: its surface in the body's axes.
        reach_m: points farther than this get inf.

    Returns:
        (points of the element,) m.

    Raises:
        InputError: a body without zones, or a reach that is no length.
    """
    if not reach_m > 0.0:
        raise InputError("The reach of the clearance map must be a length above 0 mm.")
    return index.nearest(element.points, reach_m, labelled_only=True)[0]
