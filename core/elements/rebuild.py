"""An element's parameters from its measured sections."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..sections.measure import MeasuredElement, TipPlate
from ..sections.shape import SectionShape
from .element import Element, EndPlate

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class RebuiltElement:
    """An element and how well the measured sections hold it.

    Attributes:
        element: the parameters.
        chord_se_m, incidence_se_rad: standard errors of the mid-span chord and incidence, from the
            scatter of the stations about the straight taper and twist.
    """

    element: Element
    chord_se_m: float
    incidence_se_rad: float


def rebuild(measured: MeasuredElement) -> RebuiltElement:
    """Fit span, taper, sweep, dihedral and twist to the sections, each a straight line over the half span.

    A part measured on one side of the centre plane only is taken as the same on the other.

    Raises:
        InputError: all sections stand at one place of the span.
    """
    y = np.array([s.y_m for s in measured.sections])
    one_sided = measured.low_y > -0.5 * measured.high_y
    centre = 0.0 if one_sided else 0.5 * (measured.low_y + measured.high_y)
    span = 2.0 * (measured.high_y - centre)
    share = np.abs(y - centre) / (0.5 * span)
    if np.ptp(share) < 0.2:
        raise InputError(f"The sections of “{measured.name}” stand too near each other to tell taper and twist.")
    fits = [s.fit for s in measured.sections]
    chord = np.array([f.chord_m for f in fits])
    incidence = np.array([f.incidence_rad for f in fits])
    chord_line, chord_se = _straight(share, chord, np.array([f.chord_se_m for f in fits]))
    incidence_line, incidence_se = _straight(share, incidence, np.array([f.incidence_se_rad for f in fits]))
    nose = np.array([s.leading_edge for s in measured.sections])
    aft = np.column_stack([-np.cos(incidence), np.zeros(len(y)), -np.sin(incidence)])
    # Each section's own quarter point scatters with its chord; the straight chord holds it better.
    straight_chord = chord_line[0] + share * (chord_line[1] - chord_line[0])
    quarter = nose + 0.25 * straight_chord[:, None] * aft
    even = np.full(len(y), 1e-4)
    x_line, _ = _straight(share, quarter[:, 0], even)
    z_line, _ = _straight(share, quarter[:, 2], even)
    mid_aft = np.array([-math.cos(incidence_line[0]), 0.0, -math.sin(incidence_line[0])])
    middle = np.array([x_line[0], centre, z_line[0]]) - 0.25 * chord_line[0] * mid_aft
    root, tip = _shapes(share, [f.shape for f in fits], np.array([f.missing for f in fits]))
    element = Element(
        name=measured.name,
        leading_edge=middle,
        span_m=span,
        chord_m=float(chord_line[0]),
        taper=float(chord_line[1] / chord_line[0]),
        sweep_rad=math.atan((x_line[0] - x_line[1]) / (0.5 * span)),
        dihedral_rad=math.atan((z_line[1] - z_line[0]) / (0.5 * span)),
        incidence_rad=float(incidence_line[0]),
        twist_rad=float(incidence_line[1] - incidence_line[0]),
        shape=root,
        tip_shape=tip,
    )
    if measured.tip_plate is not None:
        element = _with_plate(element, measured.tip_plate)
    return RebuiltElement(element, chord_se, incidence_se)


def _straight(share: Floats, values: Floats, errors: Floats) -> tuple[Floats, float]:
    """Values at share 0 and 1 of the best straight line, and the standard error of the first.

    Weighted by the values' own errors and, repeatedly, by Huber's rule (1.345 for 95 % efficiency).
    """
    basis = np.column_stack([1.0 - share, share])
    weight = 1.0 / np.maximum(errors, np.median(errors)) ** 2
    huber = np.ones(len(values))
    for _ in range(12):
        root = np.sqrt(weight * huber)
        line = np.linalg.lstsq(basis * root[:, None], values * root, rcond=None)[0]
        off = np.abs(values - basis @ line) * np.sqrt(weight)
        scale = max(1.4826 * float(np.median(off)), 1e-12)
        huber = np.minimum(1.0, 1.345 * scale / np.maximum(off, 1e-12))
    total = weight * huber
    left = max(len(values) - 2, 1)
    variance = float((total * (values - basis @ line) ** 2).sum()) / left
    covariance = variance * np.linalg.inv((basis * total[:, None]).T @ basis)
    return line, float(np.sqrt(covariance[0, 0]))


def _shapes(share: Floats, shapes: list[SectionShape], missing: Floats) -> tuple[SectionShape, SectionShape]:
    """Sections at mid-span and tip whose blend meets all measured ones best; whole contours count more."""
    basis = np.column_stack([1.0 - share, share])
    root = 1.0 / (0.02 + missing)
    thickness = len(shapes[0].half_thickness)
    rows = np.array([np.concatenate([s.half_thickness, s.mean_line, [s.trailing_edge]]) for s in shapes])
    ends = np.linalg.lstsq(basis * root[:, None], rows * root[:, None], rcond=None)[0]
    root_shape, tip_shape = (
        SectionShape(half_thickness=w[:thickness], mean_line=w[thickness:-1], trailing_edge=max(float(w[-1]), 0.0))
        for w in ends
    )
    return root_shape, tip_shape


def _with_plate(element: Element, plate: TipPlate) -> Element:
    tip = element.station(1.0)
    c, s = math.cos(tip.incidence_rad), math.sin(tip.incidence_rad)
    run = plate.points - tip.leading_edge[[0, 2]]
    # The outermost thousandth is left off: it is noise, not sheet.
    (ahead, aft), (below, above) = np.percentile(
        np.column_stack([run @ np.array([-c, -s]), run @ np.array([-s, c])]), [0.1, 99.9], axis=0
    ).T
    outline = EndPlate(
        above_m=float(above),
        below_m=float(-below),
        ahead_m=float(-ahead),
        behind_m=float(aft - tip.chord_m),
        thickness_m=plate.outer_y - plate.inner_y,
    )
    return replace(element, end_plate=outline)
