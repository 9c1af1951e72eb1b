"""Measured sections as plain numbers for people: mm, degrees, percent of the chord."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from ..units import to_degrees, to_mm
from .measure import MeasuredElement


def plain_sections(measured: MeasuredElement, tolerance_m: float) -> list[dict[str, Any]]:
    """One dictionary a section square to the quarter-chord line, ready for JSON.

    Numbers end in their unit: mm, degrees, percent of the chord; those with ``_se`` are standard errors in the same
    unit, None where the measure is not held at all. Arrays, rounded: ``contour`` and ``fit`` (n, 2) mm, aft and up of
    the nose; ``along`` and ``deviation`` (n,) mm for each point of ``contour``, see ``SectionFit.along_m``.
    """
    rows = []
    for section in measured.square:
        fit = section.fit
        m = fit.measures
        rms, p95, largest = fit.deviation_summary
        order = np.flatnonzero(fit.used)[np.argsort(fit.along_m[fit.used], kind="stable")]
        rows.append(
            {
                "element": measured.name,
                "station_mm": to_mm(section.y_m),
                "chord_mm": to_mm(m.chord.value),
                "chord_mm_se": _held(to_mm(m.chord.se)),
                "incidence_deg": to_degrees(m.incidence.value),
                "incidence_deg_se": _held(to_degrees(m.incidence.se)),
                "thickness_percent": 100.0 * m.thickness.value,
                "thickness_percent_se": _held(100.0 * m.thickness.se),
                "thickness_place_percent": 100.0 * m.thickness_place.value,
                "thickness_place_percent_se": _held(100.0 * m.thickness_place.se),
                "camber_percent": 100.0 * m.camber.value,
                "camber_percent_se": _held(100.0 * m.camber.se),
                "camber_place_percent": 100.0 * m.camber_place.value,
                "camber_place_percent_se": _held(100.0 * m.camber_place.se),
                "le_radius_mm": to_mm(m.nose_radius.value),
                "le_radius_mm_se": _held(to_mm(m.nose_radius.se)),
                "te_mm": to_mm(m.trailing_edge.value),
                "te_mm_se": _held(to_mm(m.trailing_edge.se)),
                "unseen": list(fit.unseen),
                "rms_mm": to_mm(rms),
                "p95_mm": to_mm(p95),
                "max_mm": to_mm(largest),
                "left_out": fit.left_out,
                "share_within": fit.share_within(tolerance_m),
                "tolerance_mm": to_mm(tolerance_m),
                "within_tolerance": fit.passes(tolerance_m),
                "contour": np.round((fit.points[order] - fit.leading_edge) * 1000.0, 3).tolist(),
                "along": np.round(fit.along_m[order] * 1000.0, 2).tolist(),
                "deviation": np.round(fit.deviation_m[order] * 1000.0, 4).tolist(),
                "fit": np.round((fit.outline(60) - fit.leading_edge) * 1000.0, 3).tolist(),
            }
        )
    return rows


def _held(error: float) -> float | None:
    return float(error) if math.isfinite(error) else None


def sentence(measured: MeasuredElement, tolerance_m: float) -> str:
    """What the cuts say, in one line; within the tolerance when every section passes (``SectionFit.passes``)."""
    fits = [s.fit for s in measured.square]
    largest = max(f.deviation_summary[2] for f in fits)
    rms = float(np.sqrt(np.mean([f.deviation_summary[0] ** 2 for f in fits])))
    verdict = "within" if all(f.passes(tolerance_m) for f in fits) else "beyond"
    text = (
        f"“{measured.name}”: {len(fits)} sections fitted, {rms * 1000.0:.3f} mm rms, "
        f"{largest * 1000.0:.2f} mm at most, {verdict} the tolerance of {tolerance_m * 1000.0:.2f} mm."
    )
    if measured.square_skipped:
        text += f" {len(measured.square_skipped)} cuts gave none."
    return text
