"""Where else the wing could stand: heights, fore-aft places and incidences at which everything stays clear."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Part
from .surroundings import Surroundings

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SlideMap:
    """Room to spare over two of the three ways to move.

    Attributes:
        across: what the first axis is: "aft" (m, positive to the rear), "up" (m) or "turn" (rad, positive nose up).
        along: what the second axis is.
        across_values: (i,) rising, 0 is today's place.
        along_values: (j,).
        room_m: (i, j) m, the least of distance less what its zone asks for, over all parts and zones; below zero
            it is tight, and at most minus the requirement where it touches.
        touches: (i, j) bool.
        tightest: (i, j) int, number of the zone (of ``around.scan.zones``) that is tightest.
    """

    across: str
    along: str
    across_values: Floats
    along_values: Floats
    room_m: Floats
    touches: NDArray[np.bool_]
    tightest: NDArray[np.intp]

    @property
    def sentence(self) -> str:
        """How far it may go each way from today's place before something is tight, or that today's is not clear."""
        raise NotImplementedError


def slide_maps(
    around: Surroundings,
    parts: Sequence[Part],
    poses: Sequence[Floats | None],
    pivot: Floats,
    *,
    aft_m: Floats,
    up_m: Floats,
    turn_rad: Floats,
    standing: Sequence[tuple[Part, Floats | None, float]] = (),
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> tuple[SlideMap, SlideMap]:
    """Two maps through today's place: fore-aft against height, and incidence against height.

    Args:
        around: the body and its zones.
        parts: what is moved, all together and rigidly.
        poses: today's (4, 4) pose of each, or None.
        pivot: (3,) m, the point about which incidence turns (axis along y), such as the quarter-chord point.
        aft_m, up_m, turn_rad: rising values; 0 must lie among each.
        standing: parts that stay, their pose and the clearance asked to them, m; they count as zones after those of
            the body (``tightest`` goes on counting).
        tick: told how far it is (0..1); may raise to stop.

    Raises:
        InputError: no parts, or axes that are not rising or without 0.
    """
    raise NotImplementedError
