"""Colours for signed deviations: pale where they are small, darker the larger they are, blue inside, orange outside.

Both arms are straight lines in OKLab from one pale neutral to two ends of equal lightness and chroma, so equal steps
look equal, lightness alone tells the size, and blue against orange tells the side to people who do not see red and
green apart.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..colour import rgba
from ..errors import InputError
from ..units import to_mm

Floats = NDArray[np.float64]

PALE = 0.95
"""OKLab lightness of the neutral middle."""
DARK = 0.45
"""OKLab lightness of both ends."""
STRENGTH = 0.115
"""OKLab chroma of both ends, the most that both hues have in sRGB at that lightness, less a little."""
INSIDE_HUE, OUTSIDE_HUE = np.radians(252.0), np.radians(50.0)
STEP = 0.25
"""How far along its arm the colour starts at the tolerance, so that the band's end shows as a line."""
UNKNOWN = 0.6
"""OKLab lightness of the grey for points without a partner."""

NO_PARTNER = rgba(UNKNOWN, 0.0, 0.0, srgb=True)
"""sRGB (4,) of points without a partner, for the legend."""


def deviation_colours(deviation_m: Floats, limit_m: float, tolerance_m: float = 0.0, *, srgb: bool = False) -> Floats:
    """RGBA (n, 4) in 0..1 for signed deviations (n,) m.

    Flat and neutral within the tolerance, a step there, even to the limit, the end colour beyond; grey for nan.

    Args:
        deviation_m: positive outside.
        limit_m: where the scale ends, on both sides.
        tolerance_m: half width of the neutral band; 0 for a scale without one.
        srgb: encoded for screens and files (IEC 61966-2-1); otherwise linear light, as float colour attributes hold it.

    Raises:
        InputError: a limit that is not above the tolerance, or a tolerance below zero.
    """
    if not 0.0 <= tolerance_m < limit_m < np.inf:
        raise InputError(
            f"The colours are to run from a tolerance of {to_mm(tolerance_m):g} mm to a limit of {to_mm(limit_m):g} "
            "mm, but the limit must be the larger one."
        )
    off = np.asarray(deviation_m, np.float64)
    start = STEP if tolerance_m > 0.0 else 0.0
    along = start + (1.0 - start) * np.clip((np.abs(off) - tolerance_m) / (limit_m - tolerance_m), 0.0, 1.0)
    along = np.where(np.abs(off) > tolerance_m, along, 0.0)
    hue = np.where(off > 0.0, OUTSIDE_HUE, INSIDE_HUE)
    light = np.where(np.isnan(off), UNKNOWN, PALE + (DARK - PALE) * along)
    return rgba(light, STRENGTH * along, hue, srgb=srgb)


def colour_ticks(limit_m: float, tolerance_m: float = 0.0) -> list[tuple[float, str]]:
    """(m, label in mm) for the legend, rising: both ends, their halves, zero and the tolerance on either side.

    A half that would stand on the tolerance's toes (nearer than a tenth of the limit) is left out.

    Raises:
        InputError: see ``deviation_colours``.
    """
    deviation_colours(np.zeros(1), limit_m, tolerance_m)
    arm = [limit_m]
    if abs(0.5 * limit_m - tolerance_m) > 0.1 * limit_m:
        arm.append(0.5 * limit_m)
    if tolerance_m > 0.0:
        arm.append(tolerance_m)
    values = sorted([0.0, *arm, *(-v for v in arm)])
    return [(v, "0" if v == 0.0 else f"{to_mm(v):+.3g}".replace("-", "\N{MINUS SIGN}")) for v in values]


def colour_steps(limit_m: float, tolerance_m: float = 0.0, count: int = 64) -> Floats:
    """sRGB (count, 4) of even steps from ``-limit_m`` to ``limit_m``, for the legend."""
    return deviation_colours(np.linspace(-limit_m, limit_m, count), limit_m, tolerance_m, srgb=True)
