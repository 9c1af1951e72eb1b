"""A section fitted to the points of a cut: chord frame and shape together.

Method: least squares of the distances measured square to the contour, by Gauss-Newton with the
foot points renewed at each step, and Tukey's biweight against points that belong to something
else. Sources: S. J. Ahn, "Least Squares Orthogonal Distance Fitting", Springer LNCS 3151, 2004;
P. W. Holland and R. E. Welsch, "Robust regression using iteratively reweighted least-squares",
Communications in Statistics A6(9), 1977 (4.685 for 95 % efficiency).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .shape import SectionShape, cosine_spaced, half_thickness_basis, mean_line_basis

Floats = NDArray[np.float64]

THICKNESS_WEIGHTS = 6
"""Six and six weights leave 0.1 per mille of the chord on NACA 4-digit sections, below scanner noise."""
MEAN_WEIGHTS = 6
SCANNER_FLOOR_M = 2e-5
"""No hand-held scanner is better than 0.02 mm; keeps the robust scale from collapsing. Common practice, no source."""
THICKEST = 0.35
"""Anything thicker is a strut or a body, not a wing: handbook sections end at 24 %. Common practice, no source."""
_BASE = 0
"""Side number of the blunt base; +1 and -1 are the upper and lower side."""


@dataclass(frozen=True)
class SectionFit:
    """A fitted section in the plane of the cut; the plane's axes are aft and up.

    Attributes:
        shape: the section with unit chord.
        leading_edge: (2,) m (aft, up).
        chord_m: m.
        incidence_rad: positive leading edge up.
        points: (n, 2) m, the points that were fitted.
        deviation_m: (n,) signed, positive outside the fitted contour.
        used: (n,) bool, false for points left out as belonging to something else.
        missing: share of the contour's length farther than 2 % of the chord from any point used.
        tail_seen: whether points lie on the blunt trailing edge; where none do, the chord ends at the
            rearmost points and its standard error is at least 1 % of the chord.
        chord_se_m, incidence_se_rad, camber_se: standard errors from the fit's covariance.
    """

    shape: SectionShape
    leading_edge: Floats
    chord_m: float
    incidence_rad: float
    points: Floats
    deviation_m: Floats
    used: NDArray[np.bool_]
    missing: float
    tail_seen: bool
    chord_se_m: float
    incidence_se_rad: float
    camber_se: float

    @property
    def deviation_summary(self) -> tuple[float, float, float]:
        """Root mean square, 95th percentile and maximum of the absolute deviation, m, of the points used."""
        size = np.abs(self.deviation_m[self.used])
        return float(np.sqrt(np.mean(size**2))), float(np.percentile(size, 95.0)), float(size.max())

    def outline(self, count: int = 120) -> Floats:
        """(2 count - 1, 2) m: the fitted contour in the plane of the cut."""
        aft, up = self.leading_edge
        return _Frame(aft, up, self.incidence_rad, self.chord_m).place(self.shape.contour(count))


@dataclass(frozen=True)
class _Frame:
    aft: float
    up: float
    incidence: float
    chord: float

    @property
    def axes(self) -> Floats:
        """Rows: the chord line's direction (aft) and the section's z, in the plane of the cut."""
        c, s = math.cos(self.incidence), math.sin(self.incidence)
        return np.array([[c, -s], [s, c]])

    def place(self, section: Floats) -> Floats:
        return np.array([self.aft, self.up]) + self.chord * (section @ self.axes)


@dataclass(frozen=True)
class _FootPoints:
    x: Floats
    z: Floats
    normal: Floats
    side: NDArray[np.int64]


def fit_section(points: Floats, iterations: int = 40) -> SectionFit:
    """Fit chord line and shape to the points of one cut.

    Args:
        points: (n, 2) m, aft and up, in any order; the leading edge lies at the forward end.
        iterations: the most Gauss-Newton steps.

    Raises:
        InputError: fewer than 40 points, coordinates that are not finite, or points that do not look like a section.
    """
    if len(points) < 40:
        raise InputError(f"The cut gives only {len(points)} points; a section needs at least 40.")
    if not np.isfinite(points).all():
        raise InputError("The cut has points whose coordinates are not numbers; clean the scan first.")
    frame = first = _first_frame(points)
    if not 0.01 < frame.chord < 3.0:
        raise InputError(f"The cut is {frame.chord * 1000.0:.1f} mm long; that is no wing section.")
    shape = _first_shape(points, frame)
    weight = np.ones(len(points))
    for step in range(iterations):
        residual, jacobian = _linearise(points, frame, shape, _foot_points(points, frame, shape))
        scale = max(1.4826 * float(np.median(np.abs(residual))), SCANNER_FLOOR_M)
        # The first steps move far: keep all points near the shape until it has found its place.
        cut = max(4.685 * scale, 0.05 * frame.chord * 0.5**step)
        weight = np.clip(1.0 - (residual / cut) ** 2, 0.0, None) ** 2
        change = _solve(jacobian, residual, weight, frame, first)
        frame, shape = _moved(frame, shape, change)
        if not 0.7 < frame.chord / first.chord < 1.3:
            raise InputError("The cut does not look like a wing section: no chord line could be fitted.")
        if np.abs(change[:4] / np.array([frame.chord, frame.chord, 1.0, frame.chord])).max() < 1e-7:
            break
    foot = _foot_points(points, frame, shape)
    residual, jacobian = _linearise(points, frame, shape, foot)
    thickness = shape.thickness()[0]
    if thickness > THICKEST:
        raise InputError(
            f"The cut does not look like a wing section: it is {100.0 * thickness:.0f} % as thick as it is long; "
            f"wing sections stay below {100.0 * THICKEST:.0f} %."
        )
    used = weight > 0.0
    tail_seen = int(((foot.side == _BASE) & used).sum()) >= 2
    rms = float(np.sqrt(np.mean(residual[used] ** 2)))
    if used.mean() < 0.5 or rms > 0.01 * frame.chord:
        raise InputError(
            f"The cut does not look like a wing section: a fitted one stays {rms * 1000.0:.1f} mm (rms) away from it."
        )
    errors = _standard_errors(jacobian[used], residual[used], shape, _runs(foot, residual, used))
    return SectionFit(
        shape=shape,
        leading_edge=np.array([frame.aft, frame.up]),
        chord_m=frame.chord,
        incidence_rad=frame.incidence,
        points=points,
        deviation_m=residual,
        used=used,
        missing=_missing(points[used], frame, shape),
        tail_seen=tail_seen,
        chord_se_m=errors[0] if tail_seen else max(errors[0], 0.01 * frame.chord),
        incidence_se_rad=errors[1],
        camber_se=errors[2],
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


def _first_shape(points: Floats, frame: _Frame) -> SectionShape:
    """A thickness form and mean line from the outermost points of 20 slices along the chord."""
    local = ((points - [frame.aft, frame.up]) @ frame.axes.T) / frame.chord
    edges = np.linspace(0.02, 0.98, 21)
    where = np.digitize(local[:, 0], edges) - 1
    x, mean, half = [], [], []
    for k in range(20):
        z = local[where == k, 1]
        if len(z) >= 2 and np.ptp(z) > 0.01:
            x.append(0.5 * (edges[k] + edges[k + 1]))
            mean.append(0.5 * (z.max() + z.min()))
            half.append(0.5 * np.ptp(z))
    if len(x) < 4:
        raise InputError("The cut does not look like a wing section: it has no two sides.")
    places = np.array(x)
    ridge = 0.05 * np.eye(3)
    pad = np.zeros(3)

    def weights(basis: Floats, values: list[float]) -> Floats:
        low = np.linalg.lstsq(np.vstack([basis, ridge]), np.concatenate([values, pad]), rcond=None)[0]
        return low

    # Low degree first, then raised to the degree of the fit: a start, not yet a result.
    thick = weights(half_thickness_basis(places, 3), half)
    line = weights(mean_line_basis(places, 3), mean)
    fine = cosine_spaced(60)[1:-1]
    return SectionShape(
        half_thickness=_raised(half_thickness_basis, fine, thick, THICKNESS_WEIGHTS),
        mean_line=_raised(mean_line_basis, fine, line, MEAN_WEIGHTS),
        trailing_edge=0.01,
    )


def _raised(basis: Callable[[Floats, int], Floats], x: Floats, weights: Floats, count: int) -> Floats:
    values = basis(x, len(weights)) @ weights
    return np.asarray(np.linalg.lstsq(basis(x, count), values, rcond=None)[0], np.float64)


def _foot_points(points: Floats, frame: _Frame, shape: SectionShape) -> _FootPoints:
    """The nearest place on the whole contour (upper side, lower side, base) for each point."""
    # Even steps of the angle whose squared sine is x: the nose is a parabola there.
    x = np.sin(np.linspace(0.0, 0.5 * np.pi, 220)) ** 2
    up, low = shape.surfaces(x)
    base = np.linspace(low[-1], up[-1], 6)[1:-1]
    line = np.concatenate(
        [np.column_stack([x, up])[::-1], np.column_stack([x, low])[1:], np.column_stack([np.ones(4), base])]
    )
    line = np.vstack([line, line[:1]])
    count = len(x)
    side_of_segment = np.concatenate([np.ones(count - 1), -np.ones(count - 1), np.full(5, _BASE)]).astype(np.int64)
    local = ((points - [frame.aft, frame.up]) @ frame.axes.T) / frame.chord
    start, run = line[:-1], np.diff(line, axis=0)
    length2 = np.maximum((run**2).sum(axis=1), 1e-30)
    # Nearest vertex first, then the better of its two segments.
    d2 = (local[:, :1] - start[:, 0]) ** 2 + (local[:, 1:] - start[:, 1]) ** 2
    nearest = d2.argmin(axis=1)
    best = np.full(len(local), np.inf)
    segment = nearest.copy()
    share = np.zeros(len(local))
    for candidate in ((nearest - 1) % len(start), nearest):
        offset = local - start[candidate]
        t = np.clip((offset * run[candidate]).sum(axis=1) / length2[candidate], 0.0, 1.0)
        gap = ((offset - t[:, None] * run[candidate]) ** 2).sum(axis=1)
        better = gap < best
        best = np.where(better, gap, best)
        segment = np.where(better, candidate, segment)
        share = np.where(better, t, share)
    foot = start[segment] + share[:, None] * run[segment]
    # The contour runs from the tail over the upper side to the nose, so outside is to its right.
    tangent = run[segment] / np.sqrt(length2[segment])[:, None]
    return _FootPoints(
        foot[:, 0], foot[:, 1], np.column_stack([tangent[:, 1], -tangent[:, 0]]), side_of_segment[segment]
    )


def _linearise(points: Floats, frame: _Frame, shape: SectionShape, foot: _FootPoints) -> tuple[Floats, Floats]:
    """Signed distances (n,) m and their derivatives (n, 5 + weights): frame, thickness, mean line, base."""
    axes, chord = frame.axes, frame.chord
    normal = foot.normal @ axes
    section = np.column_stack([foot.x, foot.z])
    residual = ((points - frame.place(section)) * normal).sum(axis=1)
    turn = np.array([[-axes[0, 1], axes[0, 0]], [-axes[1, 1], axes[1, 0]]]) * -1.0
    lift = chord * foot.normal[:, 1] * np.where(foot.side == _BASE, 0.0, 1.0)
    side = foot.side.astype(float)
    columns = [
        -normal,
        -chord * ((section @ turn) * normal).sum(axis=1)[:, None],
        -((section @ axes) * normal).sum(axis=1)[:, None],
        -(lift * side)[:, None] * half_thickness_basis(foot.x, len(shape.half_thickness)),
        -lift[:, None] * mean_line_basis(foot.x, len(shape.mean_line)),
        -(lift * side * 0.5 * foot.x)[:, None],
    ]
    return residual, np.hstack(columns)


def _solve(jacobian: Floats, residual: Floats, weight: Floats, frame: _Frame, first: _Frame) -> Floats:
    """One Gauss-Newton step.

    Two faint pulls decide only what no point decides: weights stay small steps where a side is
    missing, and the chord frame stays near the farthest pair of points where nose or tail is
    missing: within 2 % of the chord, its length within 0.3 %, which is half a millimetre on a road
    car's wing. Two points on a blunt base outweigh that more than a hundred times.
    """
    root = np.sqrt(weight)
    count = jacobian.shape[1]
    noise = max(float(np.sqrt((weight * residual**2).sum() / max(weight.sum(), 1.0))), SCANNER_FLOOR_M)
    chord = first.chord
    allowed = 0.02 * np.array([chord, chord, 1.0, 0.15 * chord] + [5.0] * (count - 4))
    hold = np.diag(noise / allowed)
    away = np.array(
        [first.aft - frame.aft, first.up - frame.up, first.incidence - frame.incidence, chord - frame.chord]
    )
    target = np.concatenate([away, np.zeros(count - 4)]) * (noise / allowed)
    matrix = np.vstack([jacobian * root[:, None], hold])
    return np.linalg.lstsq(matrix, np.concatenate([-residual * root, target]), rcond=None)[0]


def _moved(frame: _Frame, shape: SectionShape, change: Floats) -> tuple[_Frame, SectionShape]:
    thickness = len(shape.half_thickness)
    turned = _Frame(frame.aft + change[0], frame.up + change[1], frame.incidence + change[2], frame.chord + change[3])
    return turned, replace(
        shape,
        half_thickness=shape.half_thickness + change[4 : 4 + thickness],
        mean_line=shape.mean_line + change[4 + thickness : -1],
        trailing_edge=max(shape.trailing_edge + float(change[-1]), 0.0),
    )


def _standard_errors(
    jacobian: Floats, residual: Floats, shape: SectionShape, alike: float
) -> tuple[float, float, float]:
    """Of chord, incidence and camber, where ``alike`` neighbouring points tell as much as one."""
    variance = float((residual**2).sum()) / max(len(residual) - jacobian.shape[1], 1)
    covariance = variance * alike * np.linalg.pinv(jacobian.T @ jacobian)
    _, place = shape.camber()
    row = np.zeros(jacobian.shape[1])
    first = 4 + len(shape.half_thickness)
    row[first:-1] = mean_line_basis(np.array([place]), len(shape.mean_line))[0]
    return (
        float(np.sqrt(covariance[3, 3])),
        float(np.sqrt(covariance[2, 2])),
        float(np.sqrt(max(row @ covariance @ row, 0.0))),
    )


def _runs(foot: _FootPoints, residual: Floats, used: NDArray[np.bool_]) -> float:
    """How many neighbours on the contour tell as much as one point: 1 for pure noise.

    Points spread between measured ones, and a shape that the weights cannot meet, make neighbours
    deviate alike. One plus twice the sum of the autocorrelations up to the first that is not positive (C. J.
    Geyer, Statistical Science 7(4), 1992, simplified; from memory).
    """
    along = np.where(foot.side == _BASE, 2.0 + foot.z, foot.x * -foot.side)[used]
    ordered = residual[used][np.argsort(along)]
    ordered = ordered - ordered.mean()
    spectrum = np.abs(np.fft.rfft(ordered, 2 * len(ordered))) ** 2
    correlation = np.fft.irfft(spectrum)[1 : len(ordered) // 4]
    end = np.flatnonzero(correlation <= 0.0)
    total = correlation[: end[0] if len(end) else None].sum()
    return 1.0 + 2.0 * float(total) / max(float((ordered**2).sum()), 1e-30)


def _missing(points: Floats, frame: _Frame, shape: SectionShape) -> float:
    outline = frame.place(shape.contour(120))
    step = np.linalg.norm(np.diff(outline, axis=0), axis=1)
    middle = 0.5 * (outline[1:] + outline[:-1])
    d2 = (middle[:, :1] - points[:, 0]) ** 2 + (middle[:, 1:] - points[:, 1]) ** 2
    far = np.sqrt(d2.min(axis=1)) > 0.02 * frame.chord
    return float(step[far].sum() / step.sum())
