"""Flow jobs in a row: every case of the variants chosen, and sweeps over one element's place, incidence or gap."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from ..assembly.assembly import Assembly, changed
from ..elements.element import Element, moved
from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..units import to_degrees, to_mm
from .job import FlowJob, RunWishes, flow_job, mid_span_contour
from .plan import TOUCHING_M, plane_gap

Floats = NDArray[np.float64]
Mounts = Sequence[tuple[str, TriMesh]]

KINDS = ("gap", "stagger", "incidence", "chords")
"""Moved up, moved aft, turned nose up about the quarter-chord line, set to a clear gap over or under another."""
UNITS: dict[str, tuple[str, Callable[[float], float]]] = {
    "gap": ("mm", to_mm),
    "stagger": ("mm", to_mm),
    "incidence": ("deg", to_degrees),
    "chords": ("chords", float),
}
"""In which people read the values of each kind."""
_SAID = {"gap": "{} mm up", "stagger": "{} mm aft", "incidence": "{} deg nose up"}
_ALONG = 400  # places along two chords at which their sections may touch
_NEAR_M = 1e-6  # to which a gap is met


@dataclass(frozen=True)
class Conditions:
    """What all jobs of a list have in common.

    Attributes:
        form: "mid-span" or "full", for elements alone and in the group; on the car it is always full.
        body: the scan in vehicle axes, None without a car.
        speed_m_s, density_kg_m3, viscosity_m2_s: of the wind; the viscosity is the kinematic one.
        wishes: cells, room and time.
    """

    form: str
    body: TriMesh | None
    speed_m_s: float
    density_kg_m3: float
    viscosity_m2_s: float
    wishes: RunWishes

    def with_walls(self, wall_function: bool) -> Conditions:
        """The same with walls to which the air clings, or of which it lets go; see ``result.WALLS``."""
        return replace(self, wishes=replace(self.wishes, wall_function=wall_function))

    def job(self, assembly: Assembly, mounts: Mounts, case: str, element: str = "") -> FlowJob:
        """One job.

        Raises:
            InputError: see ``flow_job``.
        """
        on_car = case == "on car"
        return flow_job(
            assembly,
            mounts,
            self.body if on_car else None,
            case,
            "full" if on_car else self.form,
            element,
            self.speed_m_s,
            self.density_kg_m3,
            self.viscosity_m2_s,
            self.wishes,
        )


def every_case(
    variants: Iterable[tuple[Assembly, Mounts]],
    conditions: Conditions,
    cases: Sequence[str] = ("alone", "group", "on car"),
) -> tuple[FlowJob, ...]:
    """The jobs of the cases asked for: each element alone, all together where there are two or more, on the car.

    Args:
        variants: each with its mounts.
        conditions: of all.
        cases: of "alone", "group" and "on car"; the last is left out where there is no body.

    Raises:
        InputError: nothing to run, or see ``flow_job``.
    """
    jobs: list[FlowJob] = []
    for assembly, mounts in variants:
        if "alone" in cases:
            jobs += [conditions.job(assembly, mounts, "alone", e.name) for e in assembly.elements]
        if "group" in cases and len(assembly.elements) > 1:
            jobs.append(conditions.job(assembly, mounts, "group"))
        if "on car" in cases and conditions.body is not None:
            jobs.append(conditions.job(assembly, mounts, "on car"))
    if not jobs:
        raise InputError("There is nothing to run: choose a variant with elements, and a case that it has.")
    return tuple(jobs)


@dataclass(frozen=True)
class Row:
    """Jobs that differ by one number.

    Attributes:
        what: one of ``KINDS``.
        variant, element, other, case: which element of which variant, for "chords" over or under which other one.
        values: m up, m aft, rad nose up from today's place; for "chords" the clear gap in chords.
        jobs: one a value.
    """

    what: str
    variant: str
    element: str
    other: str
    case: str
    values: tuple[float, ...]
    jobs: tuple[FlowJob, ...]


def row(
    assembly: Assembly,
    mounts: Mounts,
    conditions: Conditions,
    what: str,
    element: str,
    values: Iterable[float],
    *,
    case: str = "group",
    other: str = "",
) -> Row:
    """A sweep of one element around its place; the others, the mounts and the body stay.

    Args:
        assembly, mounts: as they are today.
        conditions: of all jobs.
        what: one of ``KINDS``.
        element: the one that is moved or turned.
        values: as in ``Row.values``, in any order.
        case: of the jobs.
        other: for "chords", the element to which the gap is measured.

    Raises:
        InputError: an unknown kind or element, no values or such that are no numbers, a pair that does not face each
            other, or a job that cannot be made, with the value at which.
    """
    if what not in KINDS:
        raise InputError(f"There is no row of runs over “{what}”; choose one of {', '.join(KINDS)}.")
    tried = sorted({float(v) for v in values})
    if not tried or not all(map(math.isfinite, tried)):
        raise InputError("A row of runs needs values, each a number; give at least one.")
    assembly.element(element)
    jobs = []
    for value in tried:
        move = (
            _move_for_gap(assembly, element, other, value)
            if what == "chords"
            else partial(moved, what=what, change=value)
        )
        name = _name(assembly.name, what, element, value)
        try:
            tried_out = changed(assembly, name, element, move) if name != assembly.name else assembly
            if _lowest(tried_out.element(element)) < 0.0 <= _lowest(assembly.element(element)):
                raise InputError(f"“{element}” would reach under the road; give values that keep it above.")
            jobs.append(conditions.job(tried_out, mounts, case, element if case == "alone" else ""))
        except InputError as problem:
            raise InputError(f"No run can be made of “{name}”: {problem}") from None
    return Row(what, assembly.name, element, other, case, tuple(tried), tuple(jobs))


def gaps(low: float, high: float, count: int) -> tuple[float, ...]:
    """``count`` gaps in chords from ``low`` to ``high``, each the same share wider than the one before.

    Raises:
        InputError: not 0 < low <= high, or fewer than one, or one where they differ.
    """
    if not 0.0 < low <= high < math.inf or count < 1 or (count == 1 and low < high):
        raise InputError(
            f"Gaps cannot go from {low:g} to {high:g} chords in {count} steps; give a low one above zero, a high one "
            "that is not below it, and two steps or more."
        )
    return tuple(float(g) for g in np.geomspace(low, high, count))


def gap_in_chords(assembly: Assembly, element: str, other: str) -> float:
    """The clear way between two elements' sections at mid-span over the longer chord there.

    Raises:
        InputError: an unknown element, or the pair does not face each other.
    """
    chord, one, two = _pair(assembly, element, other)
    return _clear(one, two, 0.0) / chord


def _name(variant: str, what: str, element: str, value: float) -> str:
    """Of the variant with the element moved; the variant's own for no move at all."""
    if what == "chords":
        return f"{variant}, {element} at a gap of {value:.4g} chords"
    said = f"{round(UNITS[what][1](value), 4) + 0.0:+.6g}".replace("-", "\N{MINUS SIGN}")
    return variant if value == 0.0 else f"{variant}, {element} {_SAID[what].format(said)}"


def _move_for_gap(assembly: Assembly, element: str, other: str, gap: float) -> Callable[[Element], Element]:
    """Straight up or down on the side on which the element is, until the clear way is ``gap`` chords."""
    if not gap > 0.0:
        raise InputError(f"A gap of {gap:g} chords leaves the air no way; give one above zero.")
    chord, one, two = _pair(assembly, element, other)
    asked = gap * chord
    if asked <= TOUCHING_M:
        raise InputError(
            f"A gap of {gap:g} chords is {to_mm(asked):.2g} mm here, and sections within {to_mm(TOUCHING_M):g} mm "
            "count as touching; give a wider one."
        )
    side = 1.0 if _middle(one) > _middle(two) else -1.0
    # Where they would touch, moved straight; from there on the way grows with the lift.
    low = _touching(one, two, side)
    high = low + asked + chord
    while _clear(one, two, side * high) < asked:
        high += asked
    while high - low > _NEAR_M:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _clear(one, two, side * middle) < asked else (low, middle)
    return partial(moved, what="gap", change=side * high)


def _lowest(e: Element) -> float:
    return float(e.surfaces(np.linspace(-1.0, 1.0, 9), np.linspace(0.0, 1.0, 101))[1][..., 2].min())


def _pair(assembly: Assembly, element: str, other: str) -> tuple[float, Floats, Floats]:
    """The longer chord at mid-span and both contours (n, 2) there, x aft and z up, m."""
    if element == other:
        raise InputError(f"The gap of “{element}” is one to another element; choose that.")
    one, two = assembly.element(element), assembly.element(other)
    a, b = mid_span_contour(one), mid_span_contour(two)
    if not max(a[:, 0].min(), b[:, 0].min()) < min(a[:, 0].max(), b[:, 0].max()):
        raise InputError(
            f"“{element}” is neither over nor under “{other}”, so there is no gap to set; move it fore or aft."
        )
    return max(one.station(0.0).chord_m, two.station(0.0).chord_m), a, b


def _middle(contour: Floats) -> float:
    return float(contour[:, 1].min() + contour[:, 1].max())


def _touching(one: Floats, two: Floats, side: float) -> float:
    """How far ``one`` has to be moved up (side 1) until it lies on ``two``, or down (-1) until it hangs from it."""
    left, right = max(one[:, 0].min(), two[:, 0].min()), min(one[:, 0].max(), two[:, 0].max())
    x = np.linspace(left, right, _ALONG)
    return float((_edge(two, x, side) + _edge(one, x, -side)).max())


def _edge(contour: Floats, x: Floats, side: float) -> Floats:
    """Highest z (side 1), or lowest z turned about (-1), of a closed contour at each of ``x``."""
    run = np.roll(contour, -1, axis=0) - contour
    share = (x[:, None] - contour[:, 0]) / np.where(run[:, 0] == 0.0, np.nan, run[:, 0])
    z = np.where((share >= 0.0) & (share <= 1.0), contour[:, 1] + share * run[:, 1], np.nan)
    return np.asarray(np.where(np.isnan(z), -np.inf, side * z).max(axis=1))


def _clear(one: Floats, two: Floats, up: float) -> float:
    """The clear way between two sections with the first moved up, m; 0 where they all but touch."""
    found = plane_gap([("", one + [0.0, up]), ("", two)])[0]
    return found if math.isfinite(found) else 0.0
