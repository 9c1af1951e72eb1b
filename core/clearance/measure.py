"""Smallest distances of a part to the named zones of the body, and where they collide."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Matrix, Part
from ..errors import InputError
from .result import PartClearance, ZoneClearance
from .surroundings import Surroundings

Floats = NDArray[np.float64]


def measure_clearance(
    around: Surroundings, part: Part, pose: Matrix | None = None, allowance_m: float = 0.0
) -> PartClearance:
    """The smallest distance of a part to every zone, exact over all pairs of triangles, and all collisions.

    Args:
        around: the body and its zones.
        part: what is moved.
        pose: rigid (4, 4), where to; None leaves it where it is.
        allowance_m: taken off every distance: room for what may move either, in any direction.

    Raises:
        InputError: an allowance that is no length.
    """
    if not 0.0 <= allowance_m < np.inf:
        raise InputError("The allowance must be a length of 0 mm or more.")
    moving = part.placed(pose)
    on_part, on_body, label = around.index.crossings(moving)
    crossed = set(label.tolist())
    near = around.index.approaches(moving)
    zones = []
    for k, zone in enumerate(around.scan.zones):
        room = max(near[k].distance_m - allowance_m, 0.0)
        touches = k in crossed or room == 0.0
        zones.append(
            ZoneClearance(
                zone=zone.name,
                distance_m=room,
                on_part=near[k].on_other,
                on_body=near[k].on_body,
                collides=k in crossed,
                required_m=zone.required_m,
                verdict="touches" if touches else "tight" if room < zone.required_m else "clear",
            )
        )
    hits = np.zeros(len(part.mesh.triangles), bool)
    hits[on_part] = True
    return PartClearance(part.name, tuple(zones), hits, np.unique(on_body), allowance_m)


def clearance_map(around: Surroundings, part: Part, pose: Matrix | None = None, reach_m: float = 0.1) -> Floats:
    """Signed distance of each of the part's points to the nearest zone, for colouring.

    Args:
        around: the body and its zones.
        part: what is coloured.
        pose: rigid (4, 4), where it stands; None leaves it where it is.
        reach_m: points farther off get inf.

    Returns:
        (points of the part,) m; below zero behind the body's surface, as its nearest face tells.

    Raises:
        InputError: a reach that is no length.
    """
    raise NotImplementedError
