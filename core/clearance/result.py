"""What a clearance check answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class ZoneClearance:
    """The nearest approach of one part to one zone.

    Attributes:
        zone: its name.
        distance_m: smallest distance less the allowance, never below 0.0; 0.0 where they touch or cross. Where the part
            lies behind the surface, measured from there.
        on_part, on_body: (3,) m, the two points that are nearest (where they cross, one such place).
        collides: whether surfaces cross or touch.
        required_m: what the zone asks for.
        verdict: "clear", "tight" (nearer than asked) or "touches" (crosses, lies behind the surface, or not even the
            allowance is left).
        depth_m: an estimate of how far the deepest point of either lies behind the other's surface; 0.0 without
            collision.
        behind: whether the part crosses nothing and yet lies behind the body's surface, this being its nearest zone.
    """

    zone: str
    distance_m: float
    on_part: NDArray[np.float64]
    on_body: NDArray[np.float64]
    collides: bool
    required_m: float
    verdict: str
    depth_m: float = 0.0
    behind: bool = False


@dataclass(frozen=True)
class PartClearance:
    """All zones for one part.

    Attributes:
        part: its name.
        zones: one entry a zone, in the order of the scan's zones.
        part_hits: (faces of the part,) bool, faces that cross a zone.
        body_hits: (k,) int32, sorted numbers of the body's faces that the part crosses.
        allowance_m: what was taken off every distance, for deflection and tolerance in any direction.
    """

    part: str
    zones: tuple[ZoneClearance, ...]
    part_hits: NDArray[np.bool_]
    body_hits: NDArray[np.int32]
    allowance_m: float = 0.0
