"""A section fitted to the points of a cut: chord frame and shape together.

Method: least squares of the distances measured square to the contour, by Gauss-Newton with the
foot points renewed at each step, and Tukey's biweight against points that belong to something
else. What no point decides is decided by wide beliefs about wing sections, whose widths enter the
covariance; what neighbouring points share (facets, a form the weights cannot meet) enters it by
the autocorrelation of the deviations along the contour.

Sources: S. J. Ahn, "Least Squares Orthogonal Distance Fitting", Springer LNCS 3151, 2004;
P. W. Holland and R. E. Welsch, "Robust regression using iteratively reweighted least-squares",
Communications in Statistics A6(9), 1977 (4.685 for 95 % efficiency); W. K. Newey and K. D. West,
"A Simple, Positive Semi-Definite, Heteroskedasticity and Autocorrelation Consistent Covariance
Matrix", Econometrica 55(3), 1987 (covariance with correlated errors; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .shape import SectionShape, bernstein, cosine_spaced, half_thickness_basis, mean_line_basis

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

WEIGHTS = 6
"""Six and six weights leave 0.1 per mille of the chord on NACA 4-digit sections, below scanner noise."""
FINE_WEIGHTS = 12
"""The points are fitted with at least so many, and the chosen number is taken from that: what few weights cannot meet
would otherwise move the chord line, more than its error says."""
FEWEST_POINTS = 40
SCANNER_FLOOR_M = 2e-5
"""No hand-held scanner is better than 0.02 mm; keeps the robust scale from collapsing. Common practice, no source."""
THICKEST = 0.35
"""Anything thicker is a strut or a body, not a wing: handbook sections end at 24 %. Common practice, no source."""
MOST_MISSING = 0.6
"""One whole side and a fifth of the other may be unseen; with less than that, the chord line is a guess."""
USUAL_BASE_M = 2e-3
"""The thickness at which the trailing edges of road cars' wings end, give or take. Common practice, no source."""
NOSE_FORM = 5e-4
"""How well, over the chord, a form that meets the points tells how a nose goes on that they do not show: what smooth
weights leave on handbook sections of both families, several times that of ``WEIGHTS``."""
SHARE_TO_PASS = 0.95
"""A contour is within a tolerance when this share of its points is: the largest of a thousand deviations grows with
their number and says more about dirt than about the part."""


@dataclass(frozen=True)
class Measure:
    """A number and its standard error, in the same unit."""

    value: float
    se: float


@dataclass(frozen=True)
class Measures:
    """What a fitted section says about itself.

    Attributes:
        chord: m.
        incidence: rad, chord line to the cut's aft axis, positive leading edge up.
        thickness, thickness_place: largest thickness and where, over the chord.
        camber, camber_place: largest offset of the mean line, positive towards the upper side, and where, over the
            chord; without camber its place has an infinite error.
        nose_radius: m, of the circle that fits the leading edge.
        trailing_edge: m, thickness of the blunt base.
    """

    chord: Measure
    incidence: Measure
    thickness: Measure
    thickness_place: Measure
    camber: Measure
    camber_place: Measure
    nose_radius: Measure
    trailing_edge: Measure


@dataclass(frozen=True)
class SectionFit:
    """A fitted section in the plane of the cut; the plane's axes are aft and up.

    Attributes:
        shape: the section with unit chord.
        leading_edge: (2,) m (aft, up).
        chord_m: m.
        incidence_rad: positive leading edge up.
        covariance: (4 + k + j + 1)^2 of aft, up (m), incidence (rad), chord (m), the k half-thickness and j
            mean-line weights and the trailing edge (over the chord), in this order.
        measures: what people ask for, from a finer form than ``shape``: its nose may be blunter and its mean line
            more bent than the chosen weights allow.
        points: (n, 2) m, the points that were fitted.
        deviation_m: (n,) signed, positive outside the fitted contour.
        along_m: (n,) m, way along the fitted contour to the place nearest to each point: from the upper corner of
            the trailing edge over the upper side, the nose and the lower side, then up the base.
        used: (n,) bool, false for points left out as belonging to something else.
        missing: share of the contour's length farther than 2 % of the chord from any point used.
        unseen: the same in words, such as "lower side from 20 to 65 % of the chord"; empty for a whole contour.
        tail_seen: whether points lie on the blunt trailing edge; where none do, the chord ends where the sides
            come to the usual thickness of one, and its standard error is at least 1 % of the chord.
    """

    shape: SectionShape
    leading_edge: Floats
    chord_m: float
    incidence_rad: float
    covariance: Floats
    measures: Measures
    points: Floats
    deviation_m: Floats
    along_m: Floats
    used: Bools
    missing: float
    unseen: tuple[str, ...]
    tail_seen: bool

    @property
    def chord_se_m(self) -> float:
        """Standard error of the chord."""
        return math.sqrt(self.covariance[3, 3])

    @property
    def incidence_se_rad(self) -> float:
        """Standard error of the incidence."""
        return math.sqrt(self.covariance[2, 2])

    @property
    def camber_se(self) -> float:
        """Standard error of the largest camber over the chord."""
        return self.measures.camber.se

    @property
    def deviation_summary(self) -> tuple[float, float, float]:
        """Root mean square, 95th percentile and maximum of the absolute deviation, m, of the points used."""
        size = np.abs(self.deviation_m[self.used])
        return float(np.sqrt(np.mean(size**2))), float(np.percentile(size, 95.0)), float(size.max())

    @property
    def left_out(self) -> float:
        """Share of the points left out as belonging to something else."""
        return float(1.0 - self.used.mean())

    def share_within(self, tolerance_m: float) -> float:
        """Share of the points used that lie no farther than ``tolerance_m`` from the fitted contour."""
        return float((np.abs(self.deviation_m[self.used]) <= tolerance_m).mean())

    def passes(self, tolerance_m: float) -> bool:
        """Whether the section is within a tolerance: ``SHARE_TO_PASS`` of the points used lie within it."""
        return self.share_within(tolerance_m) >= SHARE_TO_PASS

    def outline(self, count: int = 120) -> Floats:
        """(2 count - 1, 2) m: the fitted contour in the plane of the cut."""
        aft, up = self.leading_edge
        return _Frame(aft, up, self.incidence_rad, self.chord_m).place(self.shape.contour(count))


@dataclass(frozen=True)
class _Frame:
    """Where the section lies, and two things that a shape leaves out and that would otherwise move the chord's ends.

    Attributes:
        aft, up, incidence, chord: as in ``SectionFit``.
        lean: how far aft the base's upper end lies per height. A base cut square to the mean line leans by the mean
            line's slope; taken for one square to the chord line, its upper end would draw the chord out.
        peak: weight of x (1 - x) in the half thickness. NACA noses have such a term; the weights of the class
            sqrt(x) (1 - x) only come near it by a nose that lies 0.2 per mille of the chord too far forward.
    """

    aft: float
    up: float
    incidence: float
    chord: float
    lean: float = 0.0
    peak: float = 0.0

    @property
    def axes(self) -> Floats:
        """Rows: the chord line's direction (aft) and the section's z, in the plane of the cut."""
        c, s = math.cos(self.incidence), math.sin(self.incidence)
        return np.array([[c, -s], [s, c]])

    def place(self, section: Floats) -> Floats:
        return np.array([self.aft, self.up]) + self.chord * (section @ self.axes)

    def local(self, points: Floats) -> Floats:
        return ((points - [self.aft, self.up]) @ self.axes.T) / self.chord


@dataclass(frozen=True)
class _Feet:
    """The nearest place on the contour for each point.

    Attributes:
        root: (n,) signed root of x: positive on the upper, negative on the lower side.
        on_base: (n,) bool, on the blunt base instead; ``root`` is +-1 there.
        section: (n, 2) the place over the chord.
        normal: (n, 2) outward.
        corner: (n,) distance over the chord, along the contour, to the nearer corner of the base.
        bend: (n,) curvature times the chord, positive where the contour bulges outwards.
    """

    root: Floats
    on_base: Bools
    section: Floats
    normal: Floats
    corner: Floats
    bend: Floats


@dataclass(frozen=True)
class _Beliefs:
    """Rows that say what wing sections and their cuts are like: rows @ parameters = value, give or take one."""

    tail_beyond: float
    tail_width: float
    rows: Floats
    value: Floats

    def equations(self, frame: _Frame, shape: SectionShape, rearmost: float) -> tuple[Floats, Floats]:
        """The rows, and what is left of them at ``frame`` and ``shape``; ``rearmost`` in m along the chord line."""
        state = np.concatenate(
            [
                [frame.aft, frame.up, frame.incidence, frame.chord],
                shape.half_thickness,
                shape.mean_line,
                [shape.trailing_edge, frame.lean, frame.peak],
            ]
        )
        tail = np.zeros(len(state))
        tail[3] = 1.0
        tail[:2] = frame.axes[0]
        rows = np.vstack([self.rows, tail / self.tail_width])
        left = (rearmost + self.tail_beyond - frame.chord) / self.tail_width
        return rows, np.append(self.value - self.rows @ state, left)


def fit_section(
    points: Floats,
    iterations: int = 150,
    weights: int = WEIGHTS,
    facet: Floats | None = None,
) -> SectionFit:
    """Fit chord line and shape to the points of one cut.

    A contour of which one side is missing is fitted too, the one there is taken to bulge outwards: chord line and
    incidence with wider errors, while thickness and camber then rest on what wing sections are like, and their
    errors say so.

    Args:
        points: (n, 2) m, aft and up, in any order; the leading edge lies at the forward end.
        iterations: the most Gauss-Newton steps.
        weights: how many for the half thickness, and as many for the mean line, 3 to 12.
        facet: (n,) m, by which points of plane facets lie beneath the curved surface they stand for: curvature
            times ``facet`` squared / 8. The facet's length in its middle, 0 at its corners. Without it the points
            are taken to lie on the surface.

    Raises:
        InputError: fewer than 40 points, coordinates that are not finite, a number of weights out of range, or
            points that do not look like a section: no two sides nor one that bulges, more than 60 % missing,
            thicker than 35 %, or far from any section.
    """
    if not 3 <= weights <= 12:
        raise InputError(f"A section of {weights} weights cannot be fitted; choose 3 to 12.")
    if len(points) < FEWEST_POINTS:
        raise InputError(f"The cut gives only {len(points)} points; a section needs at least {FEWEST_POINTS}.")
    if not np.isfinite(points).all():
        raise InputError("The cut has points whose coordinates are not numbers; clean the scan first.")
    frame = _first_frame(points)
    if not 0.01 < frame.chord < 3.0:
        raise InputError(f"The cut is {frame.chord * 1000.0:.1f} mm long; that is no wing section.")
    frame, ahead, behind, width = _drawn_out(points, frame)
    first, fine = frame, max(weights, FINE_WEIGHTS)
    shape = _first_shape(points, frame, fine)
    beliefs = _beliefs(frame, fine, ahead, behind, width)
    # The first steps move far: all points stay in until the shape has found its place. Points are only left out
    # once it rests, or the few on the base, which alone tell where the chord ends, go while it still moves.
    cut, alike, tail_seen, last = 0.05 * frame.chord, 1.0, True, np.zeros(len(points))
    beneath = np.zeros(len(points)) if facet is None else 0.125 * facet**2
    for step in range(iterations):
        feet = _feet(frame.local(points), shape, frame.lean, frame.peak)
        residual, jacobian = _linearise(points, frame, shape, feet, beneath)
        residual -= _skew_off(frame, shape, feet)
        scale = max(1.4826 * float(np.median(np.abs(residual))), SCANNER_FLOOR_M)
        final = cut <= 4.685 * scale
        # Later on it follows the scatter down only, unless that outgrows it: then the shape has lost its place.
        cut = max(cut, (4.685 if step < iterations // 2 else 3.0) * scale)
        weight = np.clip(1.0 - (residual / cut) ** 2, 0.0, None) ** 2
        held = weight * _clear_of_corners(feet, scale / frame.chord, shape)
        # Some fits swing to and fro, mostly where a few points are now on a base and now not.
        late = step >= 25
        tail_seen = _on_a_base(feet, held, shape) and (tail_seen or step < 60)
        held = held if tail_seen else np.where(feet.on_base, 0.0, held)
        # Of all points: those left out while the tail still lies too far ahead must not keep it there.
        rearmost = float(frame.local(points)[:, 0].max()) * frame.chord
        rows, left = beliefs.equations(frame, shape, rearmost)
        variance = max(float((weight * residual**2).sum() / max(weight.sum(), 1.0)), SCANNER_FLOOR_M**2) * alike
        normal = (jacobian.T * (held / variance)) @ jacobian + rows.T @ rows
        change = _solved(normal, rows.T @ left - jacobian.T @ (held / variance * residual))
        run = jacobian @ change
        change *= 0.5 if late and run @ last < 0.0 else 1.0
        last = run
        frame, shape = _moved(frame, shape, change)
        if not 0.6 < frame.chord / first.chord < 1.5:
            raise InputError("The cut does not look like a wing section: no chord line could be fitted.")
        shift = float(np.abs(run)[weight > 0.0].max(initial=0.0))
        if final and shift < 0.05 * scale:
            break
        if shift < max(0.2 * scale, 0.01 * cut):
            cut = max(0.25 * cut, 4.685 * scale)
            alike = _runs(_autocorrelation(feet, residual, weight > 0.0))
    feet = _feet(frame.local(points), shape, frame.lean, frame.peak)
    residual, jacobian = _linearise(points, frame, shape, feet, beneath)
    used = weight > 0.0
    rms = float(np.sqrt(np.mean(residual[used] ** 2))) if used.any() else math.inf
    if not held.any() or used.mean() < 0.5 or rms > 0.01 * frame.chord:
        raise InputError(
            f"The cut does not look like a wing section: {100.0 * used.mean():.0f} % of its points lie near a fitted "
            f"one, {rms * 1000.0:.1f} mm (rms) away from it."
        )
    skew = _skew_off(frame, shape, feet)
    # The less noise, the more the points seem to tell of a nose beyond them, but its form is no better known. So it
    # is with a nose that the form cannot meet, whose points were left out (mean lines that bend within 5 to 10 %).
    nose = used[feet.root**2 <= 0.01]
    nose_seen = len(nose) > 0 and float(nose.mean()) > 0.8
    least = SCANNER_FLOOR_M if nose_seen else max(SCANNER_FLOOR_M, NOSE_FORM * frame.chord)
    covariance = _covariance(jacobian, residual - skew, held, feet, rows, skew, least)
    if not tail_seen:
        # The sides' smooth run, which is no more than believed, must not tell where they end.
        tail = np.append(rows[-1], 0.0)
        moved = covariance @ tail / (tail @ covariance @ tail)
        covariance = covariance + np.outer(moved, moved)
    measures = _measures(shape, frame, covariance)
    shape, covariance = _in_class(shape, frame, covariance, weights)
    feet = _feet(frame.local(points), shape, 0.0, 0.0)
    residual, _ = _linearise(points, frame, shape, feet, beneath)
    thickness = measures.thickness.value
    if thickness > THICKEST:
        raise InputError(
            f"The cut does not look like a wing section: it is {100.0 * thickness:.0f} % as thick as it is long; "
            f"wing sections stay below {100.0 * THICKEST:.0f} %."
        )
    missing, unseen = _unseen(points[used], frame, shape, tail_seen)
    if missing > MOST_MISSING:
        raise InputError(
            f"The cut shows only {100.0 * (1.0 - missing):.0f} % of a wing section's contour; "
            f"{100.0 * (1.0 - MOST_MISSING):.0f} % are needed. Scan more of it or cut elsewhere."
        )
    return SectionFit(
        shape=shape,
        measures=measures,
        leading_edge=np.array([frame.aft, frame.up]),
        chord_m=frame.chord,
        incidence_rad=frame.incidence,
        covariance=covariance,
        points=points,
        deviation_m=residual,
        along_m=_along(feet, shape) * frame.chord,
        used=used,
        missing=missing,
        unseen=unseen,
        tail_seen=tail_seen,
    )


def _farthest_pair(points: Floats) -> tuple[Floats, Floats]:
    angle = np.linspace(0.0, np.pi, 181)
    along = points @ np.array([np.cos(angle), np.sin(angle)])
    extreme = points[np.unique(np.concatenate([along.argmax(axis=0), along.argmin(axis=0)]))]
    apart = np.linalg.norm(extreme[:, None] - extreme[None], axis=2)
    i, j = np.unravel_index(int(apart.argmax()), apart.shape)
    return extreme[i], extreme[j]


def _first_frame(points: Floats) -> _Frame:
    a, b = _farthest_pair(points)
    nose, tail = (a, b) if a[0] < b[0] else (b, a)
    run = tail - nose
    return _Frame(nose[0], nose[1], math.atan2(-run[1], run[0]), float(np.hypot(*run)))


def _slices(local: Floats) -> tuple[Floats, Floats, Floats]:
    """Places x of those of 20 slices along the chord that hold two sides, and their upper and lower ordinates."""
    edges = np.linspace(0.02, 0.98, 21)
    where = np.digitize(local[:, 0], edges) - 1
    found = []
    for k in range(20):
        z = np.sort(local[where == k, 1])
        # One side alone, however steep, leaves no gap.
        if len(z) >= 2 and np.diff(z).max() > max(0.006, 0.3 * (z[-1] - z[0])):
            found.append((0.5 * (edges[k] + edges[k + 1]), z[-1], z[0]))
    x, up, low = np.array(found).reshape(-1, 3).T
    return x, up, low


def _first_shape(points: Floats, frame: _Frame, count: int) -> SectionShape:
    """A thickness form and mean line to start from; an ordinary thickness where one side is missing."""
    local = frame.local(points)
    x, up, low = _slices(local)
    usual = np.full(3, 0.15)
    if len(x) >= 4:
        thick = _ridged(half_thickness_basis(x, 3), 0.5 * (up - low))
        line = _ridged(mean_line_basis(x, 3), 0.5 * (up + low))
    else:
        x, z = local[(local[:, 0] > 0.0) & (local[:, 0] < 1.0)].T
        smooth = np.column_stack([np.sqrt(x), np.ones_like(x), x, x**2, x**3])
        off = z - smooth @ np.linalg.lstsq(smooth, z, rcond=None)[0] if len(x) else z
        if len(x) < FEWEST_POINTS or np.ptp(z) < 0.02 or float(np.sqrt(np.mean(off**2))) > 0.01:
            raise InputError("The cut does not look like a wing section: it has no two sides nor one that bulges.")
        side = 1.0 if z.sum() >= 0.0 else -1.0
        thick = usual
        line = _ridged(mean_line_basis(x, 3), z - side * half_thickness_basis(x, 3) @ usual)
    # Low degree first, then raised to the degree of the fit: a start, not yet a result.
    fine = cosine_spaced(60)[1:-1]
    return SectionShape(
        half_thickness=_raised(half_thickness_basis, fine, thick, count),
        mean_line=_raised(mean_line_basis, fine, line, count),
        trailing_edge=USUAL_BASE_M / frame.chord,
    )


def _ridged(basis: Floats, values: Floats) -> Floats:
    count = basis.shape[1]
    matrix, target = np.vstack([basis, 0.05 * np.eye(count)]), np.concatenate([values, np.zeros(count)])
    return np.asarray(np.linalg.lstsq(matrix, target, rcond=None)[0], np.float64)


def _raised(basis: Callable[[Floats, int], Floats], x: Floats, weights: Floats, count: int) -> Floats:
    values = basis(x, len(weights)) @ weights
    return np.asarray(np.linalg.lstsq(basis(x, count), values, rcond=None)[0], np.float64)


def _drawn_out(points: Floats, frame: _Frame) -> tuple[_Frame, float, float, float]:
    """The frame, drawn out to where the nose must lie when it was not scanned; how far, and how far the tail lies
    beyond the points, give or take what, m.

    The half thickness runs into the nose like a parabola and, on a straight line, into a base of the usual height.
    The frame's tail stays at the rearmost points: from farther out, a base that was scanned would not be found.
    """
    local = frame.local(points)
    x, up, low = _slices(local)
    usual = 0.011 * frame.chord
    if len(x) < 4:
        return frame, 0.0, 0.0, usual
    half, mean = 0.5 * (up - low), 0.5 * (up + low)
    front, rear = float(local[:, 0].min()), float(local[:, 0].max())
    # The outermost points lie at that edge of a slice where it is thicker.
    gain = half[1] ** 2 - half[0] ** 2
    nose = x[0] + 0.024 - half[0] ** 2 * (x[1] - x[0]) / gain if gain > 0.0 else front
    fall = (half[-3] - half[-1]) / (x[-1] - x[-3])
    tail = x[-1] - 0.024 + (half[-1] - 0.5 * USUAL_BASE_M / frame.chord) / fall if fall > 0.02 else rear
    ahead, behind = float(np.clip(front - nose, 0.0, 0.3)), float(np.clip(tail - rear, 0.0, 0.4))
    # A scanned end is found better by the farthest pair of points.
    ahead, behind = (ahead if ahead > 0.03 else 0.0), (behind if behind > 0.03 else 0.0)
    if ahead > 0.0:
        height = mean[0] - (mean[1] - mean[0]) / (x[1] - x[0]) * (x[0] - front + ahead)
        tip, end = frame.place(np.array([[front - ahead, height], [1.0, 0.0]]))
        run = end - tip
        drawn = _Frame(tip[0], tip[1], math.atan2(-run[1], run[0]), float(np.hypot(*run)))
    else:
        drawn = frame
    width = max(0.5 * behind * frame.chord, usual)
    # Where one side alone reaches far back, it may well end at the base.
    behind = behind if x[-1] > rear - 0.08 else 0.0
    return drawn, ahead * frame.chord, behind * frame.chord, width


def _beliefs(first: _Frame, count: int, ahead: float, behind: float, tail_width: float) -> _Beliefs:
    """Beliefs of the width of all handbook sections; a few points on a part outweigh them there a thousand times.

    The frame is near the first one, thickness about 13 %, mean line flat, weights in a smooth row, the base about
    as thick as usual. Common practice, no source.
    """
    size = 7 + 2 * count
    rows: list[Floats] = []
    value: list[float] = []

    def add(row: Floats, expected: float, width: float) -> None:
        rows.append(row / width)
        value.append(expected / width)

    unit = np.eye(size)
    chord = first.chord
    place = np.array([first.aft, first.up])
    along = np.concatenate([first.axes[0], np.zeros(size - 2)])
    across = np.concatenate([first.axes[1], np.zeros(size - 2)])
    add(along, float(first.axes[0] @ place), 0.03 * chord + 0.4 * ahead)
    add(across, float(first.axes[1] @ place), 0.05 * chord + 0.3 * ahead)
    add(unit[2], first.incidence, 0.15)
    # Weights stand for a curve; the more of them, the less each may leave the line of its neighbours.
    step = (5.0 / (count - 1)) ** 2
    for start, expected, width, bend in ((4, 0.15, 0.15, 0.1 * step), (4 + count, 0.0, 0.3, 0.15 * step)):
        for k in range(start, start + count):
            add(unit[k], expected, width)
        for k in range(start, start + count - 2):
            add(unit[k] - 2.0 * unit[k + 1] + unit[k + 2], 0.0, bend)
    add(unit[-3], USUAL_BASE_M / chord, 1.5 * USUAL_BASE_M / chord)
    add(unit[-2], 0.0, 0.2)
    add(unit[-1], -0.05, 0.07)
    return _Beliefs(behind, tail_width, np.array(rows), np.array(value))


def _feet(local: Floats, shape: SectionShape, lean: float, peak: float) -> _Feet:
    """The nearest place on the whole contour (upper side, lower side, base) for each point ``local`` (n, 2).

    With s the signed root of x both sides are one polynomial z(s) over -1..1; the nearest of a few of its points,
    then Newton's method.
    """
    power, edge = _root_polynomial(shape), shape.trailing_edge
    slope = power[1:] * np.arange(1, len(power))
    bend = slope[1:] * np.arange(1, len(slope))
    coarse = np.sin(np.linspace(-0.5 * np.pi, 0.5 * np.pi, 121))
    vertex = np.column_stack(
        [coarse**2, _horner(power, coarse) + (0.5 * edge + peak * (1.0 - coarse**2)) * coarse * np.abs(coarse)]
    )
    # |p - v|^2 less |p|^2, which is the same for all.
    nearest = np.argmin((vertex**2).sum(axis=1) - 2.0 * local @ vertex.T, axis=1)
    low, high = coarse[np.maximum(nearest - 1, 0)], coarse[np.minimum(nearest + 1, len(coarse) - 1)]
    s = coarse[nearest]
    for _ in range(4):
        size = np.abs(s)
        off_x = s * s - local[:, 0]
        off_z = _horner(power, s) + (0.5 * edge + peak * (1.0 - s * s)) * s * size - local[:, 1]
        rise = _horner(slope, s) + (edge + peak * (2.0 - 4.0 * s * s)) * size
        gain = 2.0 * s * off_x + rise * off_z
        least = 4.0 * s * s + rise * rise
        curve = least + 2.0 * off_x + off_z * (_horner(bend, s) + (edge + peak * (2.0 - 12.0 * s * s)) * np.sign(s))
        s = np.clip(s - gain / np.maximum(curve, 0.3 * least + 1e-12), low, high)
    rise = _horner(slope, s) + (edge + peak * (2.0 - 4.0 * s * s)) * np.abs(s)
    foot = np.column_stack([s * s, _horner(power, s) + (0.5 * edge + peak * (1.0 - s * s)) * s * np.abs(s)])
    normal = np.column_stack([-rise, 2.0 * s])
    speed = np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-12)
    normal /= speed[:, None]
    turning = _horner(bend, s) + (edge + peak * (2.0 - 12.0 * s * s)) * np.sign(s)
    height = np.clip((local[:, 1] + lean * (local[:, 0] - 1.0)) / (1.0 + lean**2), -0.5 * edge, 0.5 * edge)
    base = np.column_stack([1.0 + lean * height, height])
    on_base = ((local - base) ** 2).sum(axis=1) <= ((local - foot) ** 2).sum(axis=1)
    corner = np.where(on_base, 0.5 * edge - np.abs(base[:, 1]), 1.0 - s * s)
    return _Feet(
        root=np.where(on_base, np.where(local[:, 1] < 0.0, -1.0, 1.0), s),
        on_base=on_base,
        section=np.where(on_base[:, None], base, foot),
        normal=np.where(on_base[:, None], np.array([1.0, -lean]) / math.hypot(1.0, lean), normal),
        corner=corner,
        bend=np.where(on_base, 0.0, 2.0 * (rise - s * turning) / speed**3),
    )


def _root_polynomial(shape: SectionShape) -> Floats:
    """Power coefficients of z(s), x = s^2, less the base's wedge: odd ones thickness, even ones mean line."""
    thick, line = _powers(len(shape.half_thickness)), _powers(len(shape.mean_line))
    out = np.zeros(2 * max(len(shape.half_thickness) + 1, len(shape.mean_line) + 2))
    half, mean = shape.half_thickness @ thick, shape.mean_line @ line
    # sqrt(x) (1 - x) and x (1 - x) times the Bernstein sums.
    out[1 : 2 * len(half) : 2] += half
    out[3 : 2 * len(half) + 2 : 2] -= half
    out[2 : 2 * len(mean) + 1 : 2] += mean
    out[4 : 2 * len(mean) + 3 : 2] -= mean
    return out


@lru_cache(maxsize=16)
def _powers(count: int) -> Floats:
    """(count, count): row k holds the power coefficients of the k-th Bernstein polynomial."""
    degree = count - 1
    out = np.zeros((count, count))
    for k in range(count):
        for i in range(k, count):
            out[k, i] = (-1) ** (i - k) * math.comb(degree, i) * math.comb(i, k)
    return out


def _horner(power: Floats, s: Floats) -> Floats:
    total = np.full(len(s), power[-1])
    for c in power[-2::-1]:
        total *= s
        total += c
    return total


def _linearise(
    points: Floats, frame: _Frame, shape: SectionShape, feet: _Feet, beneath: Floats
) -> tuple[Floats, Floats]:
    """Signed distances (n,) m and their derivatives (n, 6 + weights): frame, thickness, mean line, base, lean.

    ``beneath`` (n,) m^2 times the curvature is how far each point lies beneath the surface it stands for.
    """
    axes, chord = frame.axes, frame.chord
    normal = feet.normal @ axes
    residual = ((points - frame.place(feet.section)) * normal).sum(axis=1) + feet.bend / chord * beneath
    turn = np.array([[axes[0, 1], -axes[0, 0]], [axes[1, 1], -axes[1, 0]]])
    lift = chord * np.where(feet.on_base, 0.0, feet.normal[:, 1])
    size, x = np.abs(feet.root), feet.root**2
    side = np.where(feet.root < 0.0, -1.0, 1.0)
    form = ((1.0 - x) * lift)[:, None] * bernstein(x, len(shape.half_thickness))
    line = (
        form
        if len(shape.mean_line) == len(shape.half_thickness)
        else ((1.0 - x) * lift)[:, None] * bernstein(x, len(shape.mean_line))
    )
    columns = [
        -normal,
        -chord * ((feet.section @ turn) * normal).sum(axis=1)[:, None],
        -((feet.section @ axes) * normal).sum(axis=1)[:, None],
        -(side * size)[:, None] * form,
        -x[:, None] * line,
        -(lift * side * 0.5 * x)[:, None],
        -np.where(feet.on_base, chord * feet.section[:, 1] * feet.normal[:, 0], 0.0)[:, None],
        -(lift * side * x * (1.0 - x))[:, None],
    ]
    return residual, np.hstack(columns)


def _clear_of_corners(feet: _Feet, scale: float, shape: SectionShape) -> Bools:
    """False for points so near a corner of the base that their noise decides which face they are laid to.

    Such a choice favours the base for points that lie behind it, which draws the chord out.
    """
    return feet.corner > min(2.5 * scale, 0.2 * shape.trailing_edge)


def _on_a_base(feet: _Feet, held: Floats, shape: SectionShape) -> bool:
    """Whether points lie across the base: a single one, or the end of one side, does not tell where the chord ends."""
    height = feet.section[feet.on_base & (held > 0.0), 1]
    return len(height) >= 2 and float(np.ptp(height)) >= 0.25 * shape.trailing_edge


def _solved(matrix: Floats, target: Floats) -> Floats:
    """Solution of a positive definite system whose rows differ much in size."""
    size = 1.0 / np.sqrt(np.diag(matrix))
    return size * np.linalg.solve(matrix * size * size[:, None], size * target)


def _moved(frame: _Frame, shape: SectionShape, change: Floats) -> tuple[_Frame, SectionShape]:
    thickness = len(shape.half_thickness)
    place = np.array([frame.aft, frame.up, frame.incidence, frame.chord, frame.lean, frame.peak])
    turned = _Frame(*(place + change[[0, 1, 2, 3, -2, -1]]).tolist())
    return turned, replace(
        shape,
        half_thickness=shape.half_thickness + change[4 : 4 + thickness],
        mean_line=shape.mean_line + change[4 + thickness : -3],
        trailing_edge=max(shape.trailing_edge + float(change[-3]), 0.0),
    )


def _order(feet: _Feet) -> NDArray[np.intp]:
    """The points in order along the contour, upper side first, base last."""
    return np.argsort(np.where(feet.on_base, 2.0 + feet.section[:, 1], -feet.root), kind="stable")


def _autocorrelation(feet: _Feet, residual: Floats, used: Bools) -> Floats:
    """(k,) correlations of the deviations of neighbours along the contour, from 1 to the last that is positive.

    Facets, points spread between measured ones, and a shape that the weights cannot meet make neighbours deviate
    alike. Cut at the first that is not positive (C. J. Geyer, Statistical Science 7(4), 1992, simplified; from
    memory).
    """
    order = _order(feet)
    ordered = residual[order[used[order]]]
    if len(ordered) < 8:
        return np.ones(1)
    ordered = ordered - ordered.mean()
    spectrum = np.abs(np.fft.rfft(ordered, 2 * len(ordered))) ** 2
    correlation = np.fft.irfft(spectrum)[: len(ordered) // 4]
    end = np.flatnonzero(correlation <= 0.0)
    return np.asarray(correlation[: end[0] if len(end) else None] / max(float(correlation[0]), 1e-30), np.float64)


def _runs(correlation: Floats) -> float:
    """How many neighbours on the contour tell as much as one point: 1 for pure noise."""
    return 1.0 + 2.0 * float(correlation[1:].sum())


def _skewed(x: Floats, shape: SectionShape) -> Floats:
    """(n,) how far the mean line of a nose drawn about a sloping line lies from one that the weights can meet.

    The leading edge of such a nose, farthest from the tail, lies beside the mean line's start by half the weight
    times the slope in the root of x; there the handbook thickness form, 0.63 t x in the half thickness (NACA
    Report 460, which lays it off square to the mean line; from memory), bends. To a form in the chord frame this is
    a mean line that starts like the root of x, which the points hardly tell from a nose that lies lower. Left out,
    it turns the chord line of cambered handbook sections by 0.02 degrees.
    """
    beside = 0.5 * shape.half_thickness[0] * shape.mean_line[0]
    size = 2.0 * beside * 0.63 * shape.thickness()[0]
    return np.asarray(-size * np.sqrt(x) * (1.0 - x), np.float64)


def _skew_off(frame: _Frame, shape: SectionShape, feet: _Feet) -> Floats:
    """(n,) m how far a surface lies outside its form when its nose is drawn about a sloping line."""
    return np.asarray(
        frame.chord * np.where(feet.on_base, 0.0, feet.normal[:, 1]) * _skewed(feet.root**2, shape), np.float64
    )


def _covariance(
    jacobian: Floats, residual: Floats, weight: Floats, feet: _Feet, beliefs: Floats, unmet: Floats, least_m: float
) -> Floats:
    """Of all parameters: what the scatter of the points, alike along the contour, and the beliefs leave open.

    ``unmet`` (n,) m is one that the form cannot meet: the last parameter, taken to be 1 and believed give or take one.
    ``least_m`` is what the points scatter at least.
    """
    order = _order(feet)
    order = order[weight[order] > 0.0]
    correlation = _autocorrelation(feet, residual, weight > 0.0)
    rows = jacobian[order]
    pulled = rows * weight[order, None]
    spread = pulled.T @ pulled
    for lag, share in enumerate(correlation[1:], 1):
        both = pulled[:-lag].T @ pulled[lag:]
        spread += share * (both + both.T)
    alike = _runs(correlation)
    information, prior = pulled.T @ rows, beliefs.T @ beliefs
    size = 1.0 / np.sqrt(np.diag(information) + np.diag(prior))
    scaled = size * size[:, None]
    squares = float((residual[order] ** 2).sum())
    variance = max(squares / max(len(order), 1), least_m**2)
    for _ in range(3):
        inverse = np.linalg.inv((information / (variance * alike) + prior) * scaled) * scaled
        # What the parameters took out of the scatter.
        taken = float(np.trace(inverse @ spread)) / (variance * alike)
        variance = max(squares / max(len(order) - taken, 0.1 * len(order)), least_m**2)
    out = inverse @ (spread / (variance * alike**2) + prior) @ inverse
    drawn = inverse @ (pulled.T @ unmet[order]) / (variance * alike)
    out = np.block([[out + np.outer(drawn, drawn), drawn[:, None]], [drawn, np.ones(1)]])
    return np.asarray(0.5 * (out + out.T), np.float64)


def _in_class(shape: SectionShape, frame: _Frame, covariance: Floats, count: int) -> tuple[SectionShape, Floats]:
    """The shape of ``count`` weights each that lies nearest to the fine one, and the covariance of its numbers."""
    fine = len(shape.half_thickness)
    x = np.linspace(0.0, 1.0, 200) ** 2
    half, line = half_thickness_basis(x, fine), mean_line_basis(x, fine)
    to_half = np.linalg.lstsq(half_thickness_basis(x, count), np.column_stack([half, x * (1.0 - x)]), rcond=None)[0]
    lines = np.column_stack([line, _skewed(x, shape)])
    to_line = np.linalg.lstsq(mean_line_basis(x, count), lines, rcond=None)[0]
    carry = np.zeros((5 + 2 * count, len(covariance)))
    carry[:4, :4] = np.eye(4)
    carry[4 : 4 + count, 4 : 4 + fine] = to_half[:, :-1]
    carry[4 : 4 + count, -2] = to_half[:, -1]
    carry[4 + count : -1, 4 + fine : -4] = to_line[:, :-1]
    carry[4 + count : -1, -1] = to_line[:, -1]
    carry[-1, -4] = 1.0
    near = SectionShape(
        half_thickness=to_half @ np.append(shape.half_thickness, frame.peak),
        mean_line=to_line @ np.append(shape.mean_line, 1.0),
        trailing_edge=shape.trailing_edge,
    )
    return near, carry @ covariance @ carry.T


def _measures(shape: SectionShape, frame: _Frame, covariance: Floats) -> Measures:
    """Numbers of the fine form, with errors carried over from its covariance to first order.

    A place of a largest ordinate moves by -(change of slope) / (curvature) there: the implicit function rule.
    The nose is a parabola z^2 = w0^2 x, so its radius is w0^2 / 2 of the chord (Kulfan 2008).
    """
    count, chord, edge = len(shape.half_thickness), frame.chord, shape.trailing_edge
    half_part, line_part = slice(4, 4 + count), slice(4 + count, 4 + 2 * count)

    def error(**parts: Floats | float) -> float:
        row = np.zeros(len(covariance))
        places: dict[str, int | slice] = {
            "incidence": 2,
            "chord": 3,
            "half": half_part,
            "line": line_part,
            "edge": -4,
            "peak": -2,
            "skew": -1,
        }
        for name, part in parts.items():
            row[places[name]] = np.squeeze(part)
        return math.sqrt(max(float(row @ covariance @ row), 0.0))

    x = cosine_spaced(801)
    half = half_thickness_basis(x, count) @ shape.half_thickness + x * (0.5 * edge + frame.peak * (1.0 - x))
    line = mean_line_basis(x, count) @ shape.mean_line + _skewed(x, shape)
    t_place, t, t_bend = _summit(x, 2.0 * half)
    c_place, c, c_bend = _summit(x, line)
    t_rows, t_slopes = _with_slope(half_thickness_basis, count, t_place)
    c_rows, c_slopes = _with_slope(mean_line_basis, count, c_place)
    skew, skew_slope = _with_slope(lambda places, _: _skewed(places, shape)[:, None], 1, c_place)
    c_se, nose = error(line=c_rows, skew=skew), float(shape.half_thickness[0])
    bent = 2.0 / t_bend
    return Measures(
        chord=Measure(chord, error(chord=1.0)),
        incidence=Measure(frame.incidence, error(incidence=1.0)),
        thickness=Measure(t, error(half=2.0 * t_rows, edge=t_place, peak=2.0 * t_place * (1.0 - t_place))),
        thickness_place=Measure(
            t_place, error(half=bent * t_slopes, edge=0.5 * bent, peak=bent * (1.0 - 2.0 * t_place))
        ),
        camber=Measure(c, c_se),
        camber_place=Measure(
            c_place, error(line=c_slopes / c_bend, skew=skew_slope / c_bend) if abs(c) > c_se else math.inf
        ),
        nose_radius=Measure(0.5 * nose**2 * chord, error(half=np.eye(count)[0] * nose * chord, chord=0.5 * nose**2)),
        trailing_edge=Measure(edge * chord, error(edge=chord, chord=edge)),
    )


def _summit(x: Floats, z: Floats) -> tuple[float, float, float]:
    """Place, ordinate and bend of the largest ``z`` in size, from the parabola through its neighbours."""
    i = int(np.clip(np.argmax(np.abs(z)), 1, len(x) - 2))
    c, b, a = np.polynomial.polynomial.polyfit(x[i - 1 : i + 2] - x[i], z[i - 1 : i + 2], 2)
    if abs(a) < 1e-12:
        return float(x[i]), float(z[i]), 1e-12
    off = float(np.clip(-0.5 * b / a, x[i - 1] - x[i], x[i + 1] - x[i]))
    return float(x[i]) + off, float(c + b * off + a * off * off), float(2.0 * a)


def _with_slope(basis: Callable[[Floats, int], Floats], count: int, x: float) -> tuple[Floats, Floats]:
    """A basis at ``x`` and its slope there, by differences."""
    step = min(1e-3, 0.5 * x, 0.5 * (1.0 - x))
    low, here, high = basis(np.array([x - step, x, x + step]), count)
    return here, (high - low) / (2.0 * step)


def _along(feet: _Feet, shape: SectionShape) -> Floats:
    """Way over the chord from the upper corner of the base to each foot, see ``SectionFit.along_m``."""
    root = np.sin(np.linspace(-0.5 * np.pi, 0.5 * np.pi, 401))
    up, low = shape.surfaces(root**2)
    line = np.column_stack([root**2, np.where(root < 0.0, low, up)])
    way = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    over = way[-1] - np.interp(feet.root, root, way)
    return np.where(feet.on_base, way[-1] + feet.section[:, 1] + 0.5 * shape.trailing_edge, over)


def _unseen(points: Floats, frame: _Frame, shape: SectionShape, tail_seen: bool) -> tuple[float, tuple[str, ...]]:
    """Share of the contour far from all ``points``, and which parts that are."""
    outline = shape.contour(120)
    step = np.hypot(*np.diff(outline, axis=0).T)
    middle = 0.5 * (outline[1:] + outline[:-1])
    local = frame.local(points)
    square = (middle**2).sum(axis=1)[:, None] - 2.0 * middle @ local.T + (local**2).sum(axis=1)
    far = square.min(axis=1) > 0.02**2
    words = ["leading edge"] if far[118:120].any() else []
    words += [] if tail_seen else ["trailing edge"]
    for name, part in (("upper side", slice(118, None, -1)), ("lower side", slice(119, None))):
        x, gone = middle[part, 0], far[part]
        if step[part][gone].sum() > 0.9 * step[part].sum():
            words.append(name)
            continue
        ends = np.flatnonzero(np.diff(np.concatenate([[0], gone.astype(int), [0]])))
        for start, stop in ends.reshape(-1, 2):
            low, high = 100.0 * x[start], 100.0 * x[stop - 1]
            if high - low >= 3.0:
                words.append(f"{name} from {low:.0f} to {high:.0f} % of the chord")
    return float(step[far].sum() / step.sum()), tuple(words)
