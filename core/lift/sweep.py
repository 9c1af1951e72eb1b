"""What if: the forces over a row of heights, fore-aft places, incidences or speeds."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..assembly.assembly import Assembly, changed
from ..elements.element import moved
from ..errors import InputError
from ..units import to_degrees, to_kmh, to_mm
from .result import Band, LiftEstimate

Floats = NDArray[np.float64]
Bands = tuple[Band | None, ...]
Estimate = Callable[[Assembly], LiftEstimate]

KINDS = ("gap", "stagger", "incidence", "speed")
"""Moved up, moved aft, turned nose up about the quarter-chord line, driven faster."""
_UNITS: dict[str, tuple[str, Callable[[float], float]]] = {
    "gap": ("mm", to_mm),
    "stagger": ("mm", to_mm),
    "incidence": ("deg", to_degrees),
    "speed": ("km/h", to_kmh),
}


@dataclass(frozen=True)
class Sweep:
    """Forces over one change, everything else as it is today.

    Attributes:
        what: one of ``KINDS``.
        element: what is moved or turned; empty for the speed.
        case: "on car", or "group" where no car was given.
        values: (n,) change from today's, rising, 0 among them: m up, m aft, rad nose up, or m/s.
        today: what the change counts from: incidence at mid-span in rad, speed in m/s; nan for places.
        elements: names.
        bands: one entry an element: its force in N at each of the values, None where it was not worked out.
        totals: the same of all together.
        reasons: one a value: why it was not worked out; empty where it was.
    """

    what: str
    element: str
    case: str
    values: Floats
    today: float
    elements: tuple[str, ...]
    bands: tuple[Bands, ...]
    totals: Bands
    reasons: tuple[str, ...]

    @property
    def now(self) -> int:
        """Number of the value that is today's."""
        return int(np.argmin(np.abs(self.values)))

    @property
    def sentence(self) -> str:
        """What the sum does from end to end, where it is least, and what was not worked out."""
        known = [(float(v), b) for v, b in zip(self.values, self.totals, strict=True) if b is not None]
        subject = "Driven slower or faster:" if self.what == "speed" else f"“{self.element}” {_DONE[self.what]}:"
        subject += " all together" if len(self.elements) > 1 else ""
        (a, first), (b, last) = known[0], known[-1]
        text = f"{subject} {_newtons(first)} at {self.said(a)}, {_newtons(last)} at {self.said(b)}"
        today = self.totals[self.now]
        text += ", not worked out as it is today." if today is None else f"; as it is today {_newtons(today)}."
        least = min(known, key=lambda pair: pair[1].value)
        if least[1].value < min(first.value, last.value, 0.0):
            text += f" Most downforce at {self.said(least[0])}: {_newtons(least[1])}."
        missing: dict[str, list[str]] = {}
        for value, reason in zip(self.values, self.reasons, strict=True):
            if reason:
                missing.setdefault(reason, []).append(self.said(float(value)))
        return text + "".join(f" Not worked out at {', '.join(at)}: {reason}" for reason, at in missing.items())

    def said(self, change: float) -> str:
        """A value for people: the speed itself, or the change of anything else."""
        unit, convert = _UNITS[self.what]
        if self.what == "speed":
            return f"{convert(self.today + change):.4g} {unit}"
        return f"{_signed(convert(change), 1)} {unit}"


def _signed(value: float, digits: int) -> str:
    """Rounded, with its sign, zero without one; no more decimals than it takes."""
    rounded = round(value, digits)
    return f"{rounded:+.6g}".replace("-", "\N{MINUS SIGN}") if rounded else "0"


def _newtons(band: Band) -> str:
    return f"{_signed(band.value, 0)} N"


_NOUNS = {"gap": "Height", "stagger": "Fore-aft place", "incidence": "Incidence", "speed": "Speed"}
_DONE = {"gap": "lowered or raised", "stagger": "moved forward or aft", "incidence": "turned nose down or up"}


def sweep(
    assembly: Assembly,
    what: str,
    element: str,
    values: ArrayLike,
    estimate: Estimate,
    *,
    at_speed: Callable[[Assembly, float], LiftEstimate] | None = None,
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> Sweep:
    """Estimate the variant at each value; one that cannot be worked out leaves a gap with its reason.

    Args:
        assembly: as it is today.
        what: one of ``KINDS``.
        element: the one to move or turn; not looked at for the speed.
        values: (n,) changes as in ``Sweep.values``, in any order; 0 is added where it lacks.
        estimate: the forces of a variant at today's speed, such as ``estimate_lift``; an ``InputError`` of its is the
            reason for a gap.
        at_speed: the same at a given speed in m/s. Without it forces go with the square of the speed, the Reynolds
            number left as it is today.
        tick: told how far it is (0..1); may raise to stop.

    Raises:
        InputError: an unknown kind or element, values that are no numbers, or none that could be worked out.
    """
    if what not in KINDS:
        raise InputError(f"Forces cannot be plotted over “{what}”; choose one of {', '.join(KINDS)}.")
    changes = np.asarray(values, np.float64).reshape(-1)
    if not np.isfinite(changes).all():
        raise InputError("The values to try must be numbers; one of them is none.")
    changes = np.unique(np.append(changes, 0.0))
    if what == "speed":
        trials, moved, today = _speeds(assembly, changes, estimate, at_speed)
    else:
        trials, moved = _places(assembly, what, element, changes, estimate), element
        today = assembly.element(element).incidence_rad if what == "incidence" else math.nan
    found: list[LiftEstimate | None] = []
    reasons: list[str] = []
    for k, trial in enumerate(trials):
        tick(k / len(trials), f"{_NOUNS[what]} {k + 1} of {len(trials)}")
        try:
            found.append(trial())
            reasons.append("")
        except InputError as error:
            found.append(None)
            reasons.append(str(error))
    worked = [one for one in found if one is not None]
    if not worked:
        raise InputError(f"None of the values to try could be worked out: {reasons[0]}")
    on_car = any(one.on_car_total_n is not None for one in worked)
    for k, one in enumerate(found):
        if one is not None and on_car and one.on_car_total_n is None:
            found[k], reasons[k] = None, next(iter(one.warnings), "There is no force on the car.")
    names = tuple(e.name for e in assembly.elements)
    return Sweep(
        what=what,
        element=moved,
        case="on car" if on_car else "group",
        values=changes,
        today=today,
        elements=names,
        bands=tuple(tuple(None if one is None else _band(one, name, on_car) for one in found) for name in names),
        totals=tuple(None if one is None else one.on_car_total_n if on_car else one.group_total_n for one in found),
        reasons=tuple(reasons),
    )


def _places(
    assembly: Assembly, what: str, element: str, changes: Floats, estimate: Estimate
) -> list[Callable[[], LiftEstimate]]:
    """Whatever is not the speed, one trial a change."""
    assembly.element(element)

    def trial(change: float) -> Callable[[], LiftEstimate]:
        return lambda: estimate(
            changed(assembly, assembly.name, element, lambda e: moved(e, what, change)) if change else assembly
        )

    return [trial(float(change)) for change in changes]


def _speeds(
    assembly: Assembly,
    changes: Floats,
    estimate: Estimate,
    at_speed: Callable[[Assembly, float], LiftEstimate] | None,
) -> tuple[list[Callable[[], LiftEstimate]], str, float]:
    """One trial a speed, no element's name, and today's speed."""
    base = estimate(assembly)

    def trial(speed: float) -> Callable[[], LiftEstimate]:
        def run() -> LiftEstimate:
            if not speed > 0.0:
                raise InputError(f"A speed of {to_kmh(speed):g} km/h blows no wind at the wing; try one above zero.")
            if speed == base.speed_m_s:
                return base
            return _at_speed(base, speed) if at_speed is None else at_speed(assembly, speed)

        return run

    return [trial(base.speed_m_s + float(change)) for change in changes], "", base.speed_m_s


def _at_speed(base: LiftEstimate, speed_m_s: float) -> LiftEstimate:
    """The sums and the forces in the group and on the car at another speed, by the square law; nothing else changes."""
    share = (speed_m_s / base.speed_m_s) ** 2

    def scaled(band: Band) -> Band:
        return Band(share * band.value, share * band.low, share * band.high)

    elements = tuple(
        replace(e, group_n=scaled(e.group_n), on_car_n=e.on_car_n and scaled(e.on_car_n)) for e in base.elements
    )
    return replace(
        base,
        speed_m_s=speed_m_s,
        elements=elements,
        group_total_n=scaled(base.group_total_n),
        on_car_total_n=base.on_car_total_n and scaled(base.on_car_total_n),
    )


def _band(one: LiftEstimate, name: str, on_car: bool) -> Band | None:
    lift = next((e for e in one.elements if e.element == name), None)
    if lift is None:
        raise InputError(f"The forces hold none for element “{name}”; estimate those of this variant.")
    return lift.on_car_n if on_car else lift.group_n
