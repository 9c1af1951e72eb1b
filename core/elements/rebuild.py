"""An element's parameters from its measured sections, and how far the scan bears them.

Chord, incidence, quarter-chord point and section weights run in straight lines over the half span, fitted
robustly by weighted least squares (Huber's rule, 1.345 for 95 % efficiency). Where straight lines do not meet
the stations, inner stations are put in one by one, each where it helps most, and those found needless at the
end are taken out again.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.measure import MeasuredElement, Section
from ..sections.shape import SectionShape, cosine_spaced, half_thickness_basis, mean_line_basis
from .element import Element, InnerStation
from .plate_fit import measured_plate

Floats = NDArray[np.float64]

TOLERANCE_M = 5e-4
"""How near the element comes to the measured stations: what hand work on a moulded wing holds. Common practice,
no source."""
LONGEST_GAP_M = 0.1
"""A stretch longer than this in which all cuts failed counts as not measured."""

_ERRORS = 3.0  # a station off by less than so many of its own standard errors is met
_ALIKE = 0.25  # share of a lone station's way off its neighbours by which they stand off theirs, half in theory
_SAME_PLACE = 0.02  # share of the half span within which stations left and right stand at one place
_CLOSE = 0.2  # share of the half span between two stations up to which a straight line joins them
_SAME_REACH = 0.03  # left and right ends that reach equally far, over the farther one
_LEAST_HOLD = 0.2  # smallest singular value with which stations hold the values at the knots
_WORTH_IT = 0.7  # an inner station has to lower the misfit to this share
_STRAIGHT = 2.0  # stations off a line by less than so many of their own errors (rms) show no bend
_CONTOUR_FLOOR_M = 1e-4  # sections that are surer than this count the same
_PLACES = cosine_spaced(17)[1:]  # along the chord, where sections are compared


@dataclass(frozen=True)
class RebuiltElement:
    """An element, how well the measured sections hold it, and which of it was measured.

    Attributes:
        element: the parameters.
        chord_se_m, incidence_se_rad: standard errors of the mid-span chord and incidence. They hold the
            stations' own errors or their scatter about the lines, whichever is larger, and the part of the own
            errors that the scatter does not show, which the stations then have in common; on a bent element also
            what a bend inboard of the innermost station would do.
        covered: intervals of eta, -1 (right tip) to 1 (left tip), that were measured; the rest is completed.
        asymmetry_m: largest way between nose or tail on the left and on the right, where both were measured to
            the tolerance; None where they were nowhere.
        deviation_m: largest way between nose or tail of a station measured to the tolerance and of the element;
            None without such stations.
        sentence: what was measured, mirrored and continued, and where the centre was taken to be.
    """

    element: Element
    chord_se_m: float
    incidence_se_rad: float
    covered: tuple[tuple[float, float], ...]
    asymmetry_m: float | None
    deviation_m: float | None
    sentence: str

    def is_completed(self, eta: Floats) -> NDArray[np.bool_]:
        """(n,) whether places ``eta`` (n,) in -1..1 lie where nothing was measured."""
        return ~_inside(np.asarray(eta, np.float64), self.covered)

    @property
    def parts(self) -> tuple[float, float, float]:
        """Shares of the span measured, mirrored from the other half, and continued in straight lines."""
        ends = np.unique(np.clip([0.0, 1.0, *(abs(end) for part in self.covered for end in part)], 0.0, 1.0))
        middles, widths = 0.5 * (ends[1:] + ends[:-1]), 0.5 * np.diff(ends)
        left, right = _inside(middles, self.covered), _inside(-middles, self.covered)
        measured = float(widths @ (left.astype(float) + right))
        mirrored = float(widths @ (left ^ right))
        return measured, mirrored, 1.0 - measured - mirrored


def rebuild(
    measured: MeasuredElement,
    whole_span_m: float | None = None,
    centre_y: float | None = None,
    tolerance_m: float = TOLERANCE_M,
) -> RebuiltElement:
    """Fit an element, the same left and right, to measured sections, and complete what is missing.

    What one half lacks is taken from the other; what both lack continues their lines. Where the centre is,
    unless ``centre_y`` says so: a part that reaches less than half as far to one side of the centre plane
    (y = 0) as to the other is torn or scanned on one side; one that reaches equally far is whole, and so is
    one in between (mounted off centre) unless its short end is ragged (cuts failed there, or a good part of the
    contour is missing) or its sections are alike left and right of y = 0 rather than of its own middle.

    Args:
        measured: the sections.
        whole_span_m: tip to tip, of a part that lost both its ends; None where one end at least is a tip.
        centre_y: m, the plane about which the element is the same; None to find it.
        tolerance_m: inner stations are put in until nose, tail and contour of each station that was measured to
            this are met to this, or to three of its own standard errors.

    Raises:
        InputError: the sections stand at one place of the span; the whole span is shorter than what was
            measured; the chord comes to nothing before the tip.
    """
    who = f"“{measured.name}”"
    if not (math.isfinite(tolerance_m) and tolerance_m > 0.0):
        raise InputError(f"The tolerance for {who} is {1000.0 * tolerance_m:g} mm; give one above zero.")
    centre, span, why = _centre_and_span(measured, whole_span_m, centre_y)
    stations = _Stations.of(measured, centre, span)
    if np.ptp(stations.share) < 0.2:
        raise InputError(
            f"The sections of {who} stand too near each other to tell taper and twist; cut it over more of its span."
        )
    lines = _fewest_lines(stations, tolerance_m)
    if lines.chord.min() <= 0.0:
        raise InputError(
            f"The chord of {who} comes to nothing before the tip of a span of {1000.0 * span:.0f} mm; "
            "give a shorter whole span."
        )
    sharp = stations.sharp(tolerance_m)
    element = _element(measured.name, centre, span, lines)
    if measured.tip_plate is not None:
        element = replace(element, end_plate=measured_plate(element, measured.tip_plate, tolerance_m))
    rebuilt = RebuiltElement(
        element=element,
        chord_se_m=lines.chord_se,
        incidence_se_rad=lines.incidence_se,
        covered=_covered(measured, centre, span),
        asymmetry_m=_asymmetry(stations, sharp),
        deviation_m=_longest(_ends_off(stations, lines)[sharp]),
        sentence="",
    )
    return replace(rebuilt, sentence=_sentence(rebuilt, why))


# -- where the centre is -------------------------------------------------------------------------


def _centre_and_span(
    measured: MeasuredElement, whole_span_m: float | None, centre_y: float | None
) -> tuple[float, float, str]:
    """Centre and span in m, and the reason in words."""
    low, high, who = measured.low_y, measured.high_y, f"“{measured.name}”"
    middle = 0.5 * (low + high)
    if centre_y is not None and not math.isfinite(centre_y):
        raise InputError(f"The centre given for {who} is not a number; enter it again or leave it out.")
    if whole_span_m is not None:
        if not math.isfinite(whole_span_m):
            raise InputError(f"The whole span given for {who} is not a number; enter it again or leave it out.")
        centre = 0.0 if centre_y is None else centre_y
        if centre_y is None and abs(high - low - whole_span_m) <= _SAME_REACH * whole_span_m:
            centre = middle
        reach = max(high - centre, centre - low)
        if 2.0 * reach > (1.0 + _SAME_REACH) * whole_span_m:
            raise InputError(
                f"{who} was measured up to {1000.0 * reach:.0f} mm from its centre (y = {1000.0 * centre:.0f} mm), "
                f"more than half of the whole span of {1000.0 * whole_span_m:.0f} mm; give a larger span or its centre."
            )
        return centre, whole_span_m, f"as given, about y = {1000.0 * centre:.0f} mm"
    if centre_y is not None:
        return centre_y, 2.0 * max(high - centre_y, centre_y - low), f"about y = {1000.0 * centre_y:.0f} mm as given"
    far, near = max(high, -low), min(high, -low)
    about_zero = (0.0, 2.0 * far)
    own = (middle, high - low)
    if near < 0.5 * far:
        return *about_zero, "about the centre plane, since it reaches far to one side only"
    if far - near <= _SAME_REACH * far:
        return *own, "from end to end, since both reach equally far"
    if _ragged(measured, left=high < -low):
        return *about_zero, "about the centre plane, since its shorter end is torn"
    off = [_mean_square(_Stations.of(measured, *choice)) for choice in (about_zero, own)]
    if off[0] < 0.5 * off[1]:
        return *about_zero, "about the centre plane, since its sections are alike left and right of that"
    return *own, (
        f"from end to end, mounted off centre at y = {1000.0 * middle:.0f} mm, since nothing says that an end is torn"
    )


def _ragged(measured: MeasuredElement, left: bool) -> bool:
    """Whether the end on that side is a tear: cuts failed outboard of the last section, or it lacks much more of
    its contour than the one at the other end."""
    last, other = measured.sections[-1 if left else 0], measured.sections[0 if left else -1]
    step = float(np.median(np.diff([s.y_m for s in measured.sections])))
    failed = any((y - last.y_m) * (1.0 if left else -1.0) > 0.75 * step for y, _ in measured.skipped)
    return failed or last.fit.missing > other.fit.missing + 0.15


def _mean_square(stations: _Stations) -> float:
    """Of the stations' way off straight lines, in their own standard errors (0.1 mm at least)."""
    off = _ends_off(stations, _Lines.of(stations, np.array([0.0, 1.0])))
    return float(np.mean((off / np.maximum(stations.ends_se, 1e-4)) ** 2))


# -- stations and lines --------------------------------------------------------------------------


@dataclass(frozen=True)
class _Stations:
    """Measured sections as arrays, in (aft, up).

    Attributes:
        eta: (n,) -1..1, negative on the right.
        chord, incidence: (n,).
        nose: (n, 2) m.
        weights: (n, w) of the sections: half thickness, mean line, trailing edge.
        thickness_count: how many of them belong to the half thickness.
        chord_se, incidence_se: (n,); quarter_se: (n, 2) m; ends_se: (n, 4) m of nose and tail, aft and up each;
            contour_se: (n,) m, largest of the ordinates at ``_PLACES``.
    """

    eta: Floats
    chord: Floats
    incidence: Floats
    nose: Floats
    weights: Floats
    thickness_count: int
    chord_se: Floats
    incidence_se: Floats
    quarter_se: Floats
    ends_se: Floats
    contour_se: Floats

    @property
    def share(self) -> Floats:
        return np.abs(self.eta)

    @property
    def ends(self) -> Floats:
        """(n, 4) m: nose and tail, aft and up each."""
        return np.column_stack([self.nose, self.nose + self.chord[:, None] * _aft_up(self.incidence)])

    def sharp(self, tolerance_m: float) -> NDArray[np.bool_]:
        """(n,) stations whose nose and tail were measured to the tolerance."""
        return np.asarray(self.ends_se.max(axis=1) <= tolerance_m)

    def asked(self, tolerance_m: float) -> NDArray[np.bool_]:
        """(n,) stations that have to be met: the sharp ones, or all where none is, and less sharp ones inboard of them,
        where nothing else holds the line."""
        sharp = self.sharp(tolerance_m)
        return sharp | (self.share < np.min(self.share[sharp], initial=np.inf) - _SAME_PLACE)

    @classmethod
    def of(cls, measured: MeasuredElement, centre: float, span: float) -> _Stations:
        sections = _sure(measured.sections)
        fits = [s.fit for s in sections]
        chord = np.array([f.chord_m for f in fits])
        incidence = np.array([f.incidence_rad for f in fits])
        covariance = np.array([f.covariance for f in fits])
        zero, one, c, s = np.zeros(len(fits)), np.ones(len(fits)), np.cos(incidence), np.sin(incidence)

        def se(*row: Floats) -> Floats:
            """Of aft + c cos i and the like: a row of derivatives by aft, up, incidence, chord."""
            by = np.column_stack(row)
            return np.sqrt(np.maximum(np.einsum("ni,nij,nj->n", by, covariance[:, :4, :4], by), 0.0))

        thickness_count = len(fits[0].shape.half_thickness)
        basis = _ordinates(np.eye(covariance.shape[1] - 4), thickness_count)
        contour = np.einsum("iz,nij,jz->nz", basis, covariance[:, 4:, 4:], basis)
        return cls(
            eta=(np.array([s.y_m for s in sections]) - centre) / (0.5 * span),
            chord=chord,
            incidence=incidence,
            nose=np.array([f.leading_edge for f in fits]),
            weights=np.array([_weights(f.shape) for f in fits]),
            thickness_count=thickness_count,
            chord_se=np.sqrt(covariance[:, 3, 3]),
            incidence_se=np.sqrt(covariance[:, 2, 2]),
            quarter_se=np.column_stack(
                [se(one, zero, -0.25 * chord * s, zero), se(zero, one, -0.25 * chord * c, zero)]
            ),
            ends_se=np.column_stack(
                [
                    se(one, zero, zero, zero),
                    se(zero, one, zero, zero),
                    se(one, zero, -chord * s, c),
                    se(zero, one, -chord * c, -s),
                ]
            ),
            contour_se=chord * np.sqrt(np.maximum(contour, 0.0).max(axis=1)),
        )


def _sure(sections: tuple[Section, ...]) -> tuple[Section, ...]:
    """Those whose trailing edge was seen, if they are enough to hold straight lines; otherwise all."""
    seen = tuple(s for s in sections if s.fit.tail_seen)
    wide = len(seen) >= 4 and np.ptp([s.y_m for s in seen]) > 0.6 * np.ptp([s.y_m for s in sections])
    return seen if wide else sections


@dataclass(frozen=True)
class _Lines:
    """Values at the ends of the straight lines, ``knots`` (m,) shares of the half span from 0 to 1."""

    knots: Floats
    chord: Floats
    incidence: Floats
    quarter: Floats
    weights: Floats
    thickness_count: int
    chord_se: float
    incidence_se: float

    @classmethod
    def of(cls, stations: _Stations, knots: Floats) -> _Lines:
        basis = _hats(stations.share, knots)
        chord, chord_se = _robust(basis, stations.chord, stations.chord_se)
        incidence, incidence_se = _robust(basis, stations.incidence, stations.incidence_se)
        # Each section's own quarter point scatters with its chord; the fitted chord holds it better.
        measured = stations.nose + 0.25 * (basis @ chord)[:, None] * _aft_up(stations.incidence)
        quarter = [_robust(basis, measured[:, k], stations.quarter_se[:, k])[0] for k in (0, 1)]
        root = 1.0 / np.maximum(stations.contour_se, _CONTOUR_FLOOR_M)[:, None]
        weights = np.asarray(np.linalg.lstsq(basis * root, stations.weights * root, rcond=None)[0], np.float64)
        first = stations.sharp(TOLERANCE_M) & (stations.share <= knots[1] + _SAME_PLACE)
        inmost = float(stations.share[stations.asked(TOLERANCE_M)].min())

        def unseen_bend(values: Floats, line: Floats, errors: Floats) -> float:
            """Three places on the first line, straight within their errors, would show a bend inboard of them."""
            off = ((values - basis @ line) / errors)[first]
            shown = len(_places(stations.share[first])) >= 3 and float(np.mean(off**2)) < _STRAIGHT**2
            return 0.0 if shown else _unseen_bend(knots, line, inmost)

        return cls(
            knots=knots,
            chord=chord,
            incidence=incidence,
            quarter=np.column_stack(quarter),
            weights=weights,
            thickness_count=stations.thickness_count,
            chord_se=math.hypot(chord_se, unseen_bend(stations.chord, chord, stations.chord_se)),
            incidence_se=math.hypot(incidence_se, unseen_bend(stations.incidence, incidence, stations.incidence_se)),
        )


def _fewest_lines(stations: _Stations, tolerance_m: float) -> _Lines:
    """The lines with the fewest knots that meet the stations, found greedily.

    Those asked for (``_Stations.asked``) have to be met; not one that stands alone.
    """
    asked, sharp = stations.asked(tolerance_m), stations.sharp(tolerance_m)
    asked = asked & ~_alone(stations, sharp, tolerance_m)

    def misfit(knots: Floats) -> float:
        if not _held(knots, stations.share[asked]):
            return math.inf
        return float((_unmet(stations, _Lines.of(stations, knots), tolerance_m)[asked] ** 2).sum())

    def worst(knots: Floats) -> float:
        return float(_unmet(stations, _Lines.of(stations, knots), tolerance_m)[asked].max())

    places = _places(stations.share)
    knots = np.array([0.0, 1.0])
    while worst(knots) > 1.0:
        choices = [np.sort(np.append(knots, place)) for place in places]
        best = _settled(min(choices, key=misfit), places, misfit)
        if not math.isfinite(misfit(best)) or misfit(best) > _WORTH_IT * misfit(knots):
            break
        knots = best
    reached, knot = max(worst(knots), 1.0), 1
    while knot < len(knots) - 1:
        fewer = np.delete(knots, knot)
        if worst(fewer) <= reached:
            knots = fewer
        else:
            knot += 1
    return _Lines.of(stations, knots)


def _settled(knots: Floats, places: Floats, misfit: Callable[[Floats], float]) -> Floats:
    """Each inner knot moved to the best of the places between the stations next to it."""
    for k in range(1, len(knots) - 1):
        beside = np.interp(
            np.interp(knots[k], places, np.arange(len(places))) + np.linspace(-1.0, 1.0, 13),
            np.arange(len(places)),
            places,
        )
        choices = [np.sort(np.append(np.delete(knots, k), place)) for place in beside]
        knots = min([knots, *choices], key=misfit)
    return knots


def _unmet(stations: _Stations, lines: _Lines, tolerance_m: float) -> Floats:
    """(n, 5) how far nose, tail and contour stand off the lines, over what is allowed."""
    rows = stations.weights - _hats(stations.share, lines.knots) @ lines.weights
    contour = stations.chord * np.abs(_ordinates(rows, stations.thickness_count)).max(axis=1)
    errors = np.column_stack([stations.ends_se, stations.contour_se])
    off = np.column_stack([np.abs(_ends_off(stations, lines)), contour])
    return np.asarray(off / np.maximum(tolerance_m, _ERRORS * errors))


def _alone(stations: _Stations, sharp: NDArray[np.bool_], tolerance_m: float) -> NDArray[np.bool_]:
    """(n,) stations that tell of something on the wing there and not of its form.

    Such a one stands off the line between its neighbours, and they off theirs to the other side, because it is an
    end of those. On a bend neighbours stand off to the same side, beside a kink hardly at all.
    """
    places, values = _grouped(stations.share, stations.ends, sharp)
    alone = np.zeros(len(sharp), np.bool_)
    if len(places) < 4:
        return alone
    part = ((places[1:-1] - places[:-2]) / (places[2:] - places[:-2]))[:, None]
    off = np.zeros(values.shape)
    off[1:-1] = values[1:-1] - (1.0 - part) * values[:-2] - part * values[2:]
    for k in range(1, len(places) - 1):
        column = int(np.argmax(np.abs(off[k])))
        here = off[k, column]
        beside = [off[j, column] for j in (k - 1, k + 1) if 0 < j < len(places) - 1]
        if abs(here) > tolerance_m and all(-d * np.sign(here) > _ALIKE * abs(here) for d in beside):
            alone |= sharp & (np.abs(stations.share - places[k]) <= _SAME_PLACE)
    return alone


def _ends_off(stations: _Stations, lines: _Lines) -> Floats:
    """(n, 4) m: measured nose and tail less those of the lines, aft and up each."""
    basis = _hats(stations.share, lines.knots)
    run = (basis @ lines.chord)[:, None] * _aft_up(basis @ lines.incidence)
    nose = basis @ lines.quarter - 0.25 * run
    return stations.ends - np.column_stack([nose, nose + run])


def _places(share: Floats) -> Floats:
    """Shares at which stations stand; left and right ones, and others as near, count as one."""
    return _grouped(share, share[:, None], np.ones(len(share), np.bool_))[0]


def _grouped(share: Floats, values: Floats, among: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Places (p,) where stations stand and the means (p, c) of their ``values`` (n, c) there."""
    order = np.flatnonzero(among)[np.argsort(share[among], kind="stable")]
    if len(order) == 0:
        return np.empty(0), np.empty((0, values.shape[1]))
    starts = np.concatenate([[0], np.flatnonzero(np.diff(share[order]) > _SAME_PLACE) + 1])
    count = np.diff(np.append(starts, len(order)))
    means = np.add.reduceat(np.column_stack([share, values])[order], starts) / count[:, None]
    return means[:, 0], means[:, 1:]


def _held(knots: Floats, share: Floats) -> bool:
    """Whether stations hold the values at all knots."""
    if np.diff(knots).min() < _SAME_PLACE:
        return False
    return bool(np.linalg.svd(_hats(_places(share), knots), compute_uv=False)[-1] > _LEAST_HOLD)


def _robust(basis: Floats, values: Floats, errors: Floats) -> tuple[Floats, float]:
    """Values at the knots of the best lines, and the standard error of the first.

    Weighted by the values' own errors and, repeatedly, by Huber's rule. Scatter that the own errors of the better
    stations do not explain is added to all of them alike. Smaller scatter than chance allows (5 %, chi squared by
    Wilson and Hilferty's cube) tells that the own errors are mostly the same at all stations; that part does not
    shrink with their number.
    """
    count, knots = basis.shape
    free = max(count - knots, 1)
    own = np.maximum(errors, 1e-9) ** 2
    line, weight, added = np.zeros(knots), 1.0 / own, 0.0
    for _ in range(8):
        root = np.sqrt(weight)
        line = np.asarray(np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0], np.float64)
        off = np.abs(values - basis @ line) / np.sqrt(own + added)
        scale = 1.4826 * float(np.median(off)) * math.sqrt(count / free)
        added = max(added + (scale**2 - 1.0) * float(np.quantile(own + added, 0.25)), 0.0)
        weight = np.minimum(1.0, 1.345 * max(scale, 1.0) / np.maximum(off, 1e-12)) / (own + added)
    ratio = float(weight @ (values - basis @ line) ** 2) / free
    covariance = np.linalg.pinv((basis * weight[:, None]).T @ basis)
    least = max(1.0 - 2.0 / (9.0 * free) - 1.645 * math.sqrt(2.0 / (9.0 * free)), 0.05) ** 3
    common = float(weight @ own / weight.sum()) * max(1.0 - ratio / least, 0.0)
    return line, math.sqrt(max(ratio, 1.0) * float(covariance[0, 0]) + common)


def _unseen_bend(knots: Floats, values: Floats, inward: float) -> float:
    """What a bend like the first would make at mid-span, were it half-way to the innermost station at ``inward``."""
    slopes = np.diff(values) / np.diff(knots)
    return 0.5 * inward * abs(float(slopes[1] - slopes[0])) if len(slopes) > 1 else 0.0


def _hats(share: Floats, knots: Floats) -> Floats:
    """(n, m) weights of the knots' values in the straight lines between them."""
    return np.column_stack([np.interp(share, knots, unit) for unit in np.eye(len(knots))])


def _aft_up(incidence: Floats) -> Floats:
    return np.column_stack([np.cos(incidence), -np.sin(incidence)])


def _weights(shape: SectionShape) -> Floats:
    return np.concatenate([shape.half_thickness, shape.mean_line, [shape.trailing_edge]])


def _shape(weights: Floats, thickness_count: int) -> SectionShape:
    return SectionShape(
        half_thickness=weights[:thickness_count],
        mean_line=weights[thickness_count:-1],
        trailing_edge=max(float(weights[-1]), 0.0),
    )


# -- the answer ----------------------------------------------------------------------------------


def _element(name: str, centre: float, span: float, lines: _Lines) -> Element:
    chord, incidence, quarter, knots = lines.chord, lines.incidence, lines.quarter, lines.knots
    shapes = [_shape(row, lines.thickness_count) for row in lines.weights]
    nose = quarter[0] - 0.25 * chord[0] * _aft_up(incidence[:1])[0]
    straight = quarter[0] + knots[:, None] * (quarter[-1] - quarter[0])
    slope = (quarter[-1] - quarter[0]) / (0.5 * span)
    return Element(
        name=name,
        leading_edge=np.array([-nose[0], centre, nose[1]]),
        span_m=span,
        chord_m=float(chord[0]),
        taper=float(chord[-1] / chord[0]),
        sweep_rad=math.atan(slope[0]),
        dihedral_rad=math.atan(slope[1]),
        incidence_rad=float(incidence[0]),
        twist_rad=float(incidence[-1] - incidence[0]),
        shape=shapes[0],
        tip_shape=shapes[-1],
        inner=tuple(
            InnerStation(float(knots[i]), float(chord[i]), float(incidence[i]), quarter[i] - straight[i], shapes[i])
            for i in range(1, len(knots) - 1)
        ),
    )


def _covered(measured: MeasuredElement, centre: float, span: float) -> tuple[tuple[float, float], ...]:
    """Intervals of eta between the measured ends, without long stretches in which all cuts failed.

    A stretch ends half-way between a cut that failed and the next that did not.
    """
    cuts = sorted([*((s.y_m, True) for s in measured.sections), *((y, False) for y, _ in measured.skipped)])
    y = np.array([at for at, _ in cuts])
    stops = np.concatenate([[measured.low_y], 0.5 * (y[1:] + y[:-1]), [measured.high_y]])
    good = np.array([fits for _, fits in cuts])
    change = np.concatenate([[0], np.flatnonzero(np.diff(good)) + 1, [len(good)]])
    parts: list[tuple[float, float]] = []
    for first, last in zip(change[:-1], change[1:], strict=True):
        start, end = (float((stops[k] - centre) / (0.5 * span)) for k in (first, last))
        if good[first] or 0.5 * span * (end - start) <= LONGEST_GAP_M:
            parts.append((parts.pop()[0] if parts and parts[-1][1] == start else start, end))
    # A hundredth short of the tip is the tip.
    return tuple((-1.0 if a < -0.99 else a, 1.0 if b > 0.99 else b) for a, b in parts)


def _inside(eta: Floats, parts: tuple[tuple[float, float], ...]) -> NDArray[np.bool_]:
    hits = [(eta >= a - 1e-9) & (eta <= b + 1e-9) for a, b in parts]
    return np.any(hits, axis=0) if hits else np.zeros(len(eta), np.bool_)


def _asymmetry(stations: _Stations, sharp: NDArray[np.bool_]) -> float | None:
    """Right stations against the left ones' nose and tail, joined in straight lines where they stand close."""
    ends = stations.ends
    left, right = sharp & (stations.eta > _SAME_PLACE), sharp & (stations.eta < -_SAME_PLACE)
    if not (left.any() and right.any()):
        return None
    order = np.argsort(stations.eta[left])
    places, values = stations.eta[left][order], ends[left][order]
    at = -stations.eta[right]
    after = np.clip(np.searchsorted(places, at), 1, max(len(places) - 1, 1))
    closest = np.abs(places - at[:, None]).min(axis=1) <= _SAME_PLACE
    if len(places) > 1:
        inside = (at >= places[0]) & (at <= places[-1])
        closest |= inside & (places[after] - places[after - 1] <= _CLOSE)
    across = np.column_stack([np.interp(at, places, column) for column in values.T])
    return _longest((ends[right] - across)[closest])


def _longest(ways: Floats) -> float | None:
    """Of ways (n, 2 k) in m, aft and up in turn; None without any."""
    return float(np.hypot(*ways.reshape(-1, 2).T).max()) if len(ways) else None


def _sentence(rebuilt: RebuiltElement, why: str) -> str:
    e = rebuilt.element
    measured, mirrored, continued = (100.0 * part for part in rebuilt.parts)
    text = f"“{e.name}”: {measured:.0f} % of the span was measured"
    if mirrored >= 0.5:
        text += f", {mirrored:.0f} % is mirrored from the other half"
    if continued >= 0.5:
        text += f", {continued:.0f} % continues the measured stations in straight lines"
    text += f". Its span of {1000.0 * e.span_m:.0f} mm is taken {why}."
    if e.inner:
        count = len(e.inner)
        text += f" {count} inner station{'s' * (count > 1)} a side meet{'s' * (count == 1)} its form."
    return text


def _ordinates(rows: Floats, thickness_count: int) -> Floats:
    """(n, 2 k) ordinates over the chord of both sides at ``_PLACES`` for rows of section weights (n, w)."""
    half = rows[:, :thickness_count] @ half_thickness_basis(_PLACES, thickness_count).T + 0.5 * rows[:, -1:] * _PLACES
    mean_count = rows.shape[1] - thickness_count - 1
    mean = rows[:, thickness_count:-1] @ mean_line_basis(_PLACES, mean_count).T
    return np.hstack([mean + half, mean - half])
