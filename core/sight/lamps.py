"""Whether a lamp is seen from all the angles the rules ask for, past the wing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Part
from ..geometry.mesh import TriMesh

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LampRule:
    """The field from which a kind of lamp must be seen.

    Attributes:
        market: "UN R48" or "FMVSS 108".
        kind: such as "rear position"; see ``KINDS``.
        paragraph: where it stands, with "(from memory)" where it was not read.
        inward_rad, outward_rad: toward and away from the car's median plane.
        up_rad, down_rad: vertical angles.
        low_down_rad: the vertical angle below for a lamp mounted below ``low_m``.
        low_m: m above the road; 0 when there is no such rule.
        least_area_m2: lens area that must be seen from each direction, where the rule asks for one; else 0.
        note: what else the rule asks for that this check does not look at.
    """

    market: str
    kind: str
    paragraph: str
    inward_rad: float
    outward_rad: float
    up_rad: float
    down_rad: float
    low_down_rad: float
    low_m: float
    least_area_m2: float
    note: str


KINDS = ("rear position", "stop", "direction indicator", "high-level stop", "rear fog", "reversing", "plate")
MARKETS = ("UN R48", "FMVSS 108")
RULES: tuple[LampRule, ...] = ()


@dataclass(frozen=True)
class LampSight:
    """What is seen of one lamp.

    Attributes:
        zone: the lamp's zone.
        rule: what was asked.
        left: whether the lamp is on the left (outward is to the left); a lamp in the middle takes the wider side both
            ways.
        height_m: of its lower edge above the road.
        across_rad: (h,) horizontal angles, positive to the car's left, seen from behind the car.
        up_rad: (v,) vertical angles, positive up.
        seen: (v, h) share 0..1 of the lamp's surface that faces the direction and is seen from it.
        blocker: (v, h) int, number in ``blockers`` of the part that hides most of it; -1 where nothing does.
        blockers: names.
        share: share of the required field (by solid angle and lamp surface) that is seen.
        least: smallest of ``seen``.
        worst: (2,) rad, horizontal and vertical angle where that is.
        verdict: "clear", "partly hidden" or "hidden".
        sentence: in words, with the deference to local code.
    """

    zone: str
    rule: LampRule
    left: bool
    height_m: float
    across_rad: Floats
    up_rad: Floats
    seen: Floats
    blocker: NDArray[np.intp]
    blockers: tuple[str, ...]
    share: float
    least: float
    worst: Floats
    verdict: str
    sentence: str


def rule_for(market: str, kind: str) -> LampRule:
    """The rule of a market for a kind of lamp.

    Raises:
        InputError: no such market or kind, or a kind that the market sets no angles for.
    """
    raise NotImplementedError


def lamp_sight(
    zone: str,
    lamp: TriMesh,
    rule: LampRule,
    parts: Sequence[Part],
    poses: Sequence[Floats | None],
    *,
    step_rad: float = np.radians(2.5),
    samples: int = 64,
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> LampSight:
    """Parallel rays (an observer far away) from points spread evenly over the lamp, over the field asked for.

    The lamp's own car is left out: what hid it when it was approved does not count.

    Args:
        zone: its name.
        lamp: the faces of its zone in vehicle axes; open.
        rule: the field.
        parts: what may hide it; poses (4, 4) or None each.
        step_rad: between directions; both ends of the field are among them.
        samples: points on the lamp.
        tick: told how far it is (0..1).

    Raises:
        InputError: a lamp without faces.
    """
    raise NotImplementedError
