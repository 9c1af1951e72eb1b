"""Colours of pressure coefficients: pale at the free wind's pressure, red-violet under suction, green under pressure.

Both arms are straight lines in OKLab from one pale neutral to two ends of equal lightness and chroma, on one scale:
equal steps of the coefficient look equal, lightness alone tells how far it is from zero, and red-violet against green
(bluish against yellowish to people who do not see red and green apart) tells which way. Neither hue is near those of
deviations or clearances.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..colour import rgba
from ..errors import InputError

Floats = NDArray[np.float64]

PALE, DARK = 0.95, 0.45
"""OKLab lightness at zero and at the end of the longer arm."""
STRENGTH = 0.137
"""OKLab chroma there, the most that both hues have in sRGB at that lightness, less a little."""
SUCTION_HUE, PRESSURE_HUE = np.radians((348.0, 140.0))
UNKNOWN = 0.6
"""OKLab lightness of the grey where nothing was worked out."""


def pressure_colours(cp: Floats, low: float, high: float, *, srgb: bool = False) -> Floats:
    """RGBA (..., 4) in 0..1 for pressure coefficients (...); grey for nan.

    Args:
        cp: pressure less the free wind's, over its dynamic pressure.
        low, high: where the scale ends; beyond them the colour stays. Zero lies between or at one of them. The longer
            arm ends in the darkest colour, the shorter one where its own size is.
        srgb: as in ``colour.rgba``.

    Raises:
        InputError: ends that do not rise, or without zero between them.
    """
    if not (-np.inf < low <= 0.0 <= high < np.inf and low < high):
        raise InputError(
            f"The colours are to run from a pressure coefficient of {low:g} to {high:g}; zero must lie between them."
        )
    off = np.asarray(cp, np.float64)
    along = np.abs(np.clip(off, low, high)) / max(-low, high)
    unknown = np.isnan(off)
    along = np.where(unknown, 0.0, along)
    light = np.where(unknown, UNKNOWN, PALE + (DARK - PALE) * along)
    return rgba(light, STRENGTH * along, np.where(off > 0.0, PRESSURE_HUE, SUCTION_HUE), srgb=srgb)


def pressure_ticks(low: float, high: float) -> list[tuple[float, str]]:
    """(coefficient, label) for the legend, rising: zero, both ends and their halves.

    A half nearer than a tenth of the scale to its neighbours is left out.

    Raises:
        InputError: see ``pressure_colours``.
    """
    pressure_colours(np.zeros(1), low, high)
    room = 0.1 * (high - low)
    values = {0.0, low, high, *(0.5 * end for end in (low, high) if abs(0.5 * end) > room)}
    return [(v + 0.0, "0" if v == 0.0 else f"{v:+.3g}".replace("-", "\N{MINUS SIGN}")) for v in sorted(values)]


def pressure_steps(low: float, high: float, count: int = 64) -> Floats:
    """sRGB (count, 4) of even steps from ``low`` to ``high``, for the legend."""
    return pressure_colours(np.linspace(low, high, count), low, high, srgb=True)
