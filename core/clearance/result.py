"""What a clearance check answers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class ZoneClearance:
    """The nearest approach of one element to one zone.

    Attributes:
        zone: its name.
        distance_m: smallest distance, 0.0 where they touch or cross.
        on_element, on_body: (3,) m, the two points that are that near.
        collides: whether surfaces cross.
        required_m: what the zone asks for.
        verdict: "clear", "tight" (nearer than asked) or "touches".
    """

    zone: str
    distance_m: float
    on_element: NDArray[np.float64]
    on_body: NDArray[np.float64]
    collides: bool
    required_m: float
    verdict: str


@dataclass(frozen=True)
class ElementClearance:
    """All zones for one element.

    Attributes:
        element: its name.
        zones: one entry a zone, in the order of the scan's zones.
        element_hits: (faces of the element,) bool, faces that cross a zone.
        body_hits: (k,) int32, sorted numbers of the body's faces that the element crosses.
    """

    element: str
    zones: tuple[ZoneClearance, ...]
    element_hits: NDArray[np.bool_]
    body_hits: NDArray[np.int32]
