"""A wing element as the numbers that make it.

The geometry: stations stand at mid-span, at the inner stations' places and at the tips, the same left and
right. Between two neighbours chord, incidence, section weights and the quarter-chord point run in straight
lines over y. The quarter-chord points of mid-span and tips lie on one straight line a side (sweep and
dihedral); those of inner stations may stand off it, aft and up. Sections stand streamwise (y = constant),
turned about their quarter-chord points.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.shape import SectionShape, blend

Floats = NDArray[np.float64]

_NEAREST = 1e-4  # share of the half span between two stations


@dataclass(frozen=True)
class EndPlate:
    """A flat plate across each tip, in the plane of the tip section (y = constant).

    Attributes:
        above_m, below_m: how far it reaches above and below the tip's chord line.
        ahead_m, behind_m: how far it reaches ahead of the leading and behind the trailing edge.
        thickness_m: sheet thickness, laid on outboard of the tip.
        outline: (n, 2) its form, points round it scaled to the reaches: (0, 0) is the forward lower
            corner, (1, 1) the aft upper one. None for a rectangle with rounded corners.
    """

    above_m: float
    below_m: float
    ahead_m: float
    behind_m: float
    thickness_m: float
    outline: Floats | None = None


@dataclass(frozen=True)
class InnerStation:
    """A place between mid-span and tip where the element leaves the straight lines between them.

    Attributes:
        eta: share of the half span, above 0 and below 1.
        chord_m, incidence_rad: there.
        offset_m: (2,) m aft and up, of the quarter-chord point off the straight quarter-chord line.
        shape: the section there.
    """

    eta: float
    chord_m: float
    incidence_rad: float
    offset_m: Floats
    shape: SectionShape


@dataclass(frozen=True)
class Station:
    """The element's section at one place along the span, in vehicle axes.

    Attributes:
        leading_edge: (3,) m.
        chord_m: m.
        incidence_rad: chord line to the road, positive leading edge up.
        shape: the section.
    """

    leading_edge: Floats
    chord_m: float
    incidence_rad: float
    shape: SectionShape

    def place(self, contour: Floats) -> Floats:
        """Section coordinates (n, 2) over the chord to points (n, 3) m in vehicle axes, see ``place``."""
        return place(self.leading_edge, self.chord_m, self.incidence_rad, contour)


@dataclass(frozen=True)
class Element:
    """One wing element, the same left and right of the centre plane.

    Attributes:
        name: as the person calls it.
        leading_edge: (3,) m, leading edge at mid-span (y = 0 unless it is mounted off centre).
        span_m: tip to tip.
        chord_m: at mid-span.
        taper: tip chord over mid-span chord.
        sweep_rad: of the quarter-chord line, positive when the tips lie aft.
        dihedral_rad: of the quarter-chord line, positive when the tips lie higher.
        incidence_rad: at mid-span, chord line to the road, positive leading edge up.
        twist_rad: incidence of the tip less that of mid-span.
        shape, tip_shape: sections at mid-span and tip; between stations everything runs in a straight line.
        end_plate: None for plain tips.
        inner: further stations, from mid-span outwards, the same on both sides.
        rounded_tips: half-round tips in place of flat ones.
        least_edge_m: trailing edges thinner than this are thickened to it, because thinner ones cannot be made.
        skin_m: wall thickness of a hollow element; 0 for a solid one.
    """

    name: str
    leading_edge: Floats
    span_m: float
    chord_m: float
    taper: float
    sweep_rad: float
    dihedral_rad: float
    incidence_rad: float
    twist_rad: float
    shape: SectionShape
    tip_shape: SectionShape
    end_plate: EndPlate | None = None
    inner: tuple[InnerStation, ...] = ()
    rounded_tips: bool = False
    least_edge_m: float = 0.0
    skin_m: float = 0.0

    @property
    def shares(self) -> Floats:
        """(s,) shares of the half span where the straight lines meet: 0, the inner stations' places, 1."""
        return np.array([0.0, *(s.eta for s in self.inner), 1.0])

    @property
    def shapes(self) -> tuple[SectionShape, ...]:
        """The sections at ``shares``, without what ``least_edge_m`` adds."""
        return (self.shape, *(s.shape for s in self.inner), self.tip_shape)

    def station(self, eta: float) -> Station:
        """The section at ``eta`` in -1 (right tip) .. 0 (mid-span) .. 1 (left tip), its trailing edge as made."""
        leading_edge, chord, incidence = self.planform(np.array([eta]))
        segment, share = self._between(np.array([abs(eta)]))
        low, high = self.shapes[segment[0]], self.shapes[segment[0] + 1]
        shape = blend(low, high, float(share[0]))
        if self.least_edge_m > 0.0:
            shape = replace(shape, trailing_edge=max(shape.trailing_edge, self.least_edge_m / float(chord[0])))
        return Station(leading_edge[0], float(chord[0]), float(incidence[0]), shape)

    def planform(self, eta: Floats) -> tuple[Floats, Floats, Floats]:
        """Leading edges (n, 3) m, chords (n,) m and incidences (n,) rad at places ``eta`` (n,) in -1..1."""
        share = np.abs(eta)
        chord, incidence = self._straight(share)
        slope = np.array([-math.tan(self.sweep_rad), 0.0, math.tan(self.dihedral_rad)])
        quarter = self.leading_edge + 0.25 * self.chord_m * _aft(self.incidence_rad)
        quarter = quarter + 0.5 * self.span_m * (share[:, None] * slope + eta[:, None] * np.array([0.0, 1.0, 0.0]))
        if self.inner:
            off = _columns(share, self.shares, self._off_straight)
            chord, incidence = chord + off[:, 0], incidence + off[:, 1]
            quarter = quarter + off[:, [2, 2, 3]] * np.array([-1.0, 0.0, 1.0])
        return quarter - 0.25 * chord[:, None] * _aft(incidence), chord, incidence

    def surfaces(self, eta: Floats, x: Floats) -> tuple[Floats, Floats]:
        """Points of the upper and the lower surface, each (n, k, 3) m.

        Args:
            eta: (n,) places along the span, -1..1.
            x: (k,) places along the chord, 0..1.
        """
        place_of = self.planform(eta)
        segment, share = self._between(np.abs(eta))
        share = share[:, None]
        # A section is linear in its weights, so ordinates blend exactly as shapes do.
        stations = [np.array(side) for side in zip(*(s.surfaces(x) for s in self.shapes), strict=True)]
        sides = [(1.0 - share) * s[segment] + share * s[segment + 1] for s in stations]
        if self.least_edge_m > 0.0:
            edges = np.array([s.trailing_edge for s in self.shapes])
            edge = (1.0 - share[:, 0]) * edges[segment] + share[:, 0] * edges[segment + 1]
            # Half above, half below, growing from nothing at the nose as ``SectionShape.trailing_edge`` does.
            half = 0.5 * np.maximum(self.least_edge_m / place_of[1] - edge, 0.0)[:, None] * x
            sides = [sides[0] + half, sides[1] - half]
        chordwise = np.broadcast_to(x, sides[0].shape)
        up, low = (place(*place_of, np.stack([chordwise, z], axis=-1)) for z in sides)
        return up, low

    @property
    def area_m2(self) -> float:
        """Planform area, m2: span times mean chord."""
        area = self.span_m * self.chord_m * 0.5 * (1.0 + self.taper)
        if self.inner:
            off = self._off_straight[:, 0]
            area += self.span_m * float(np.sum(0.5 * np.diff(self.shares) * (off[1:] + off[:-1])))
        return area

    @property
    def mean_chord_m(self) -> float:
        """Planform area over span, m."""
        return self.area_m2 / self.span_m

    @property
    def mean_incidence_rad(self) -> float:
        """Incidence averaged over the planform area, rad."""
        _, chord, incidence = self.planform(self.shares)
        # Simpson's rule is exact for the product of two straight lines.
        ends = chord[1:] * incidence[1:] + chord[:-1] * incidence[:-1]
        middles = (chord[1:] + chord[:-1]) * (incidence[1:] + incidence[:-1])
        moment = float(np.sum(np.diff(self.shares) / 6.0 * (ends + middles)))
        return moment / self.mean_chord_m

    def _straight(self, share: Floats) -> tuple[Floats, Floats]:
        """Chord and incidence on the straight lines from mid-span to tip."""
        return self.chord_m * (1.0 + (self.taper - 1.0) * share), self.incidence_rad + self.twist_rad * share

    @property
    def _off_straight(self) -> Floats:
        """(s, 4) at ``shares``: what the stations add to those lines: chord, incidence, aft, up."""
        chord, incidence = self._straight(np.array([s.eta for s in self.inner]))
        rows = [
            (s.chord_m - c, s.incidence_rad - i, *s.offset_m)
            for s, c, i in zip(self.inner, chord, incidence, strict=True)
        ]
        return np.array([(0.0,) * 4, *rows, (0.0,) * 4])

    def _between(self, share: Floats) -> tuple[NDArray[np.intp], Floats]:
        """For each share of the half span (n,) the station inboard of it, and how far (0..1) it is to the next."""
        shares = self.shares
        segment = np.clip(np.searchsorted(shares, share, side="right") - 1, 0, len(shares) - 2)
        return segment, (share - shares[segment]) / (shares[segment + 1] - shares[segment])


def placed(element: Element, matrix: Floats) -> Element:
    """The element moved by a rigid (4, 4) ``matrix`` that turns it about the car's y axis at most.

    Raises:
        InputError: the matrix scales, mirrors, or turns about another axis: the numbers cannot tell such an element.
    """
    turn = np.asarray(matrix, np.float64)[:3, :3]
    nose_up = math.atan2(-turn[0, 2], turn[0, 0])
    about_y = np.array(
        [[math.cos(nose_up), 0.0, -math.sin(nose_up)], [0.0, 1.0, 0.0], [math.sin(nose_up), 0.0, math.cos(nose_up)]]
    )
    if not np.abs(turn - about_y).max() < 1e-5:
        raise InputError(
            f"Element “{element.name}” was scaled, or turned about another axis than the car's y; move it and turn "
            "it about y only, and set span, sweep and dihedral by their numbers."
        )
    slope = about_y @ [-math.tan(element.sweep_rad), 0.0, math.tan(element.dihedral_rad)]
    inner = []
    for station in element.inner:
        aft, up = station.offset_m
        off = about_y @ [-aft, 0.0, up]
        inner.append(
            replace(station, incidence_rad=station.incidence_rad + nose_up, offset_m=np.array([-off[0], off[2]]))
        )
    return replace(
        element,
        leading_edge=about_y @ element.leading_edge + np.asarray(matrix, np.float64)[:3, 3],
        sweep_rad=math.atan(-slope[0]),
        dihedral_rad=math.atan(slope[2]),
        incidence_rad=element.incidence_rad + nose_up,
        inner=tuple(inner),
    )


def moved(element: Element, what: str, change: float) -> Element:
    """The element moved in one of the three ways in which a wing is set.

    Args:
        what: "gap" moves it up by ``change`` m, "stagger" aft by ``change`` m, "incidence" turns it nose up by
            ``change`` rad about its quarter-chord point at mid-span.
    """
    matrix = np.eye(4)
    if what == "incidence":
        cos, sin = math.cos(change), math.sin(change)
        matrix[:3, :3] = [[cos, 0.0, -sin], [0.0, 1.0, 0.0], [sin, 0.0, cos]]
        quarter = element.leading_edge + 0.25 * element.chord_m * _aft(element.incidence_rad)
        matrix[:3, 3] = quarter - matrix[:3, :3] @ quarter
    else:
        matrix[:3, 3] = [0.0, 0.0, change] if what == "gap" else [-change, 0.0, 0.0]
    return placed(element, matrix)


def turned_over(element: Element, mirror_incidence: bool = False) -> Element:
    """The element with each section reflected in its own chord line; the leading edge stays forward.

    The leading edge at mid-span and the run of the quarter-chord line stay, inner stations' offsets too; an
    end plate changes its upper and its lower half.

    Args:
        element: the element as mounted.
        mirror_incidence: also change the sign of incidence and twist, as if the whole part were
            turned about its leading edge; otherwise it keeps the angle of its mounts.
    """
    sign = -1.0 if mirror_incidence else 1.0
    inner = tuple(replace(s, shape=s.shape.turned_over(), incidence_rad=sign * s.incidence_rad) for s in element.inner)
    flipped = replace(
        element, shape=element.shape.turned_over(), tip_shape=element.tip_shape.turned_over(), inner=inner
    )
    if mirror_incidence:
        flipped = replace(flipped, incidence_rad=-element.incidence_rad, twist_rad=-element.twist_rad)
    if element.end_plate is not None:
        plate = element.end_plate
        # Backwards, so that it still runs round the same way.
        outline = None if plate.outline is None else plate.outline[::-1] * [1.0, -1.0] + [0.0, 1.0]
        flipped = replace(
            flipped, end_plate=replace(plate, above_m=plate.below_m, below_m=plate.above_m, outline=outline)
        )
    return flipped


def with_station(element: Element, eta: float) -> Element:
    """The element with one more inner station at the share ``eta`` of the half span; its form does not change.

    Raises:
        InputError: ``eta`` is not between 0 and 1, or a station stands there.
    """
    shares = element.shares
    if not 0.0 < eta < 1.0:
        raise InputError(
            f"Element “{element.name}” takes inner stations between 0 and 1 of the half span; {eta:g} lies outside."
        )
    if np.abs(shares - eta).min() < _NEAREST:
        raise InputError(f"Element “{element.name}” has a station at {eta:g} of the half span; choose another place.")
    _, chord, incidence = element.planform(np.array([eta]))
    offset = _columns(np.array([eta]), shares, element._off_straight)[0, 2:]
    shape = replace(element, least_edge_m=0.0).station(eta).shape
    station = InnerStation(eta, float(chord[0]), float(incidence[0]), offset, shape)
    return replace(element, inner=tuple(sorted((*element.inner, station), key=lambda s: s.eta)))


def without_station(element: Element, index: int) -> Element:
    """The element without its inner station ``index``: its neighbours are joined by straight lines.

    Raises:
        InputError: there is no such station.
    """
    _inner(element, index)
    return replace(element, inner=element.inner[:index] + element.inner[index + 1 :])


def changed_station(
    element: Element,
    index: int,
    *,
    chord_m: float | None = None,
    incidence_rad: float | None = None,
    offset_m: Floats | None = None,
    shape: SectionShape | None = None,
) -> Element:
    """The element with other numbers at its inner station ``index``; what is None stays.

    Raises:
        InputError: there is no such station.
    """
    old = _inner(element, index)
    new = replace(
        old,
        chord_m=old.chord_m if chord_m is None else chord_m,
        incidence_rad=old.incidence_rad if incidence_rad is None else incidence_rad,
        offset_m=old.offset_m if offset_m is None else offset_m,
        shape=old.shape if shape is None else shape,
    )
    return replace(element, inner=(*element.inner[:index], new, *element.inner[index + 1 :]))


def with_section(element: Element, shape: SectionShape, where: int | None = None) -> Element:
    """The element with a new section; chords, incidences and places stay.

    Args:
        where: number of the one station that gets it, 0 at mid-span and outwards to the tip; None for all.

    Raises:
        InputError: there is no such station.
    """
    count = len(element.shapes)
    if where is not None and not 0 <= where < count:
        raise InputError(f"Element “{element.name}” has {count} stations; there is no number {where}.")
    shapes = [shape if where in (None, i) else old for i, old in enumerate(element.shapes)]
    inner = tuple(replace(s, shape=new) for s, new in zip(element.inner, shapes[1:-1], strict=True))
    return replace(element, shape=shapes[0], tip_shape=shapes[-1], inner=inner)


def place(leading_edge: Floats, chord: Floats | float, incidence: Floats | float, contour: Floats) -> Floats:
    """Section coordinates (..., k, 2) over the chord to points (..., k, 3) m in vehicle axes.

    The chord line runs aft, (-cos i, 0, -sin i); the section's z is (-sin i, 0, cos i).

    Args:
        leading_edge: (..., 3) m; chord: (...) m; incidence: (...) rad.
    """
    aft = _aft(incidence)[..., None, :]
    up = aft[..., [2, 1, 0]] * np.array([1.0, 1.0, -1.0])
    local = contour[..., :1] * aft + contour[..., 1:] * up
    return leading_edge[..., None, :] + np.asarray(chord)[..., None, None] * local


def check_element(element: Element) -> None:
    """Refuse numbers that make no solid wing.

    Raises:
        InputError: a number is not finite; span, chord, taper or a plate's thickness is not above
            zero; an angle stands square to its plane; inner stations are out of order; a section's
            surfaces cross, or sections have different numbers of weights;
            a plate is turned inside out, or its outline crosses itself or leaves its reaches.
    """
    e, who = element, f"Element “{element.name}”"
    numbers: dict[str, float] = {
        "span": e.span_m, "chord": e.chord_m, "taper": e.taper, "sweep": e.sweep_rad,
        "dihedral": e.dihedral_rad, "incidence": e.incidence_rad, "twist": e.twist_rad,
        "least trailing edge": e.least_edge_m, "skin": e.skin_m,
    }  # fmt: skip
    places = dict(zip(("leading edge x", "leading edge y", "leading edge z"), e.leading_edge, strict=True))
    for what, number in {**places, **numbers}.items():
        if not math.isfinite(number):
            raise InputError(f"{who} has a {what} that is not a number; enter it again.")
    for what in ("span", "chord", "taper"):
        if numbers[what] <= 0.0:
            raise InputError(f"{who} has a {what} of {numbers[what]:g}; it must be above zero.")
    for what in ("least trailing edge", "skin"):
        if numbers[what] < 0.0:
            raise InputError(f"{who} has a {what} of {1000.0 * numbers[what]:g} mm; it must not be negative.")
    for what in ("sweep", "dihedral"):
        if abs(numbers[what]) > math.radians(80.0):
            raise InputError(f"{who} has a {what} of {math.degrees(numbers[what]):.0f}°; keep it within 80°.")
    _check_inner(e, who)
    _check_sections(e, who)
    if e.end_plate is not None:
        _check_plate(e.end_plate, e.chord_m * e.taper, who)


def _check_inner(e: Element, who: str) -> None:
    before = 0.0
    for number, s in enumerate(e.inner, 1):
        where = f"{who}, inner station {number}"
        offset = np.asarray(s.offset_m, np.float64)
        if offset.shape != (2,):
            raise InputError(f"{where} has an offset of {offset.size} numbers; give two, aft and up.")
        if not np.isfinite([s.eta, s.chord_m, s.incidence_rad, *offset]).all():
            raise InputError(f"{where} has a place, chord, incidence or offset that is not a number; enter it again.")
        if not 0.0 < s.eta < 1.0:
            raise InputError(f"{where} stands at {s.eta:g} of the half span; keep it between 0 and 1.")
        if s.eta - before < _NEAREST:
            raise InputError(
                f"{where} stands at {s.eta:g} of the half span, not outboard of the one before at {before:g}; "
                "give the stations from mid-span outwards."
            )
        if s.chord_m <= 0.0:
            raise InputError(f"{where} has a chord of {s.chord_m:g}; it must be above zero.")
        before = s.eta
    if e.inner and 1.0 - before < _NEAREST:
        raise InputError(f"{who}, inner station {len(e.inner)} stands on the tip; move it inboard.")


def _check_sections(e: Element, who: str) -> None:
    names = ["mid-span", *(f"inner station {i}" for i in range(1, len(e.inner) + 1)), "the tip"]
    x = np.linspace(0.0, 1.0, 101)
    for where, shape in zip(names, e.shapes, strict=True):
        up, low = shape.surfaces(x)
        if not (up - low)[1:-1].min() > 0.0:
            at = 100.0 * x[1 + int(np.argmin((up - low)[1:-1]))]
            raise InputError(
                f"{who} has a section at {where} whose upper and lower surfaces cross at {at:.0f} % of the chord; "
                "make it thicker there."
            )
        if (len(shape.half_thickness), len(shape.mean_line)) != (len(e.shape.half_thickness), len(e.shape.mean_line)):
            raise InputError(
                f"{who} has a section at {where} with other numbers of weights than at mid-span, so they cannot "
                "be blended; fit it with the same numbers."
            )


def _check_plate(plate: EndPlate, tip_chord: float, who: str) -> None:
    sizes = (plate.above_m, plate.below_m, plate.ahead_m, plate.behind_m, plate.thickness_m)
    if not np.isfinite(sizes).all() or plate.thickness_m <= 0.0:
        raise InputError(f"{who} has an end plate with a thickness of {plate.thickness_m:g} m; it must be above zero.")
    length = plate.ahead_m + plate.behind_m + tip_chord
    if plate.above_m + plate.below_m <= 0.0 or length <= 0.0:
        raise InputError(f"{who} has an end plate without height or length; give it more reach.")
    if plate.outline is None:
        return
    outline = np.asarray(plate.outline, np.float64)
    if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) < 3:
        raise InputError(f"{who} has an end plate whose outline has fewer than 3 points; draw it again.")
    if not (np.isfinite(outline).all() and outline.min() >= 0.0 and outline.max() <= 1.0):
        raise InputError(
            f"{who} has an end plate whose outline leaves its reaches; keep its points between 0 and 1 or widen them."
        )
    if _crosses_itself(outline):
        raise InputError(
            f"{who} has an end plate whose outline crosses or touches itself; put its points in order round the plate."
        )


def _crosses_itself(outline: Floats) -> bool:
    """Whether two sides of a polygon (n, 2) have a point in common that is not the corner between them."""
    start, end = outline, np.roll(outline, -1, axis=0)
    run = end - start
    if not np.any(run, axis=1).all():
        return True
    after = np.roll(run, -1, axis=0)
    if ((_turn(run, after) == 0.0) & ((run * after).sum(axis=1) < 0.0)).any():
        return True

    def between(points: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """(sides, points): which hand of each side each point lies on, and whether in the side's box."""
        low, high = np.minimum(start, end)[:, None], np.maximum(start, end)[:, None]
        boxed = np.asarray(((low <= points) & (points <= high)).all(axis=-1), np.bool_)
        return np.sign(_turn(run[:, None], points - start[:, None])), boxed

    (first, in_first), (second, in_second) = between(start), between(end)
    proper = (first * second < 0.0) & ((first * second < 0.0).T)
    touching = ((first == 0.0) & in_first) | ((second == 0.0) & in_second)
    count = len(outline)
    gap = (np.arange(count) - np.arange(count)[:, None]) % count
    apart = (gap > 1) & (gap < count - 1)
    return bool(((proper | touching) & apart).any())


def _turn(a: Floats, b: Floats) -> Floats:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _inner(element: Element, index: int) -> InnerStation:
    if not 0 <= index < len(element.inner):
        raise InputError(
            f"Element “{element.name}” has {len(element.inner)} inner stations; there is no number {index}."
        )
    return element.inner[index]


def _columns(at: Floats, places: Floats, values: Floats) -> Floats:
    """(n, c): each column of ``values`` (s, c) over ``places`` (s,), in straight lines, ``at`` (n,)."""
    return np.column_stack([np.interp(at, places, column) for column in values.T])


def _aft(incidence: Floats | float) -> Floats:
    return np.stack([-np.cos(incidence), np.zeros_like(incidence), -np.sin(incidence)], axis=-1)
