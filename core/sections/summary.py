"""Measured sections as plain numbers for people: mm, degrees, percent of the chord."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..units import to_degrees, to_mm
from .measure import MeasuredElement


def plain_sections(measured: MeasuredElement, tolerance_m: float) -> list[dict[str, Any]]:
    """One dictionary a section, ready for JSON; contour and fit are (n, 2) lists in mm, aft and up of the nose."""
    rows = []
    for section in measured.sections:
        fit = section.fit
        rms, p95, largest = fit.deviation_summary
        rows.append(
            {
                "element": measured.name,
                "station_mm": to_mm(section.y_m),
                "chord_mm": to_mm(fit.chord_m),
                "incidence_deg": to_degrees(fit.incidence_rad),
                "thickness_percent": 100.0 * fit.shape.thickness()[0],
                "camber_percent": 100.0 * fit.shape.camber()[0],
                "rms_mm": to_mm(rms),
                "p95_mm": to_mm(p95),
                "max_mm": to_mm(largest),
                "within_tolerance": bool(largest <= tolerance_m),
                "contour": np.round((fit.points[fit.used] - fit.leading_edge) * 1000.0, 3).tolist(),
                "fit": np.round((fit.outline(60) - fit.leading_edge) * 1000.0, 3).tolist(),
            }
        )
    return rows


def sentence(measured: MeasuredElement, tolerance_m: float) -> str:
    """What the cuts say, in one line."""
    fits = [s.fit for s in measured.sections]
    largest = max(f.deviation_summary[2] for f in fits)
    rms = float(np.sqrt(np.mean([f.deviation_summary[0] ** 2 for f in fits])))
    verdict = "within" if largest <= tolerance_m else "beyond"
    text = (
        f"“{measured.name}”: {len(fits)} sections fitted, {rms * 1000.0:.3f} mm rms, "
        f"{largest * 1000.0:.2f} mm at most, {verdict} the tolerance of {tolerance_m * 1000.0:.2f} mm."
    )
    if measured.skipped:
        text += f" {len(measured.skipped)} cuts gave none."
    return text
