"""Colours of a clearance map: the nearer the darker, violet behind the surface, grey out of reach."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..colour import rgba
from ..errors import InputError
from ..units import to_mm

Floats = NDArray[np.float64]

FAR, NEAR, BEHIND = 0.93, 0.52, 0.30
"""OKLab lightness at the end of the range, at the surface, and behind it: lightness alone tells how near."""
_FAR_HUE, _NEAR_HUE, _BEHIND_HUE = np.radians((105.0, 45.0, 320.0))
_CHROMA = 0.13  # the most that these hues have in sRGB at their lightness, less a little
_OUT_OF_REACH = 0.72


def clearance_colours(distance_m: Floats, reach_m: float, *, srgb: bool = False) -> Floats:
    """RGBA (n, 4) in 0..1 for signed clearances (n,) m.

    Args:
        distance_m: below zero behind the body's surface; inf out of reach.
        reach_m: where the scale ends.
        srgb: as in ``colour.rgba``.

    Raises:
        InputError: a reach that is no length.
    """
    if not 0.0 < reach_m < np.inf:
        raise InputError("The reach of the clearance map must be a length above 0 mm.")
    off = np.asarray(distance_m, np.float64)
    along = np.clip(off / reach_m, 0.0, 1.0)
    behind, beyond = off < 0.0, off > reach_m
    light = np.where(behind, BEHIND, np.where(beyond, _OUT_OF_REACH, NEAR + (FAR - NEAR) * along))
    hue = np.where(behind, _BEHIND_HUE, _NEAR_HUE + (_FAR_HUE - _NEAR_HUE) * along)
    return rgba(light, np.where(beyond, 0.0, _CHROMA * (1.0 - 0.45 * along)), hue, srgb=srgb)


def clearance_ticks(reach_m: float) -> list[tuple[float, str]]:
    """(m, label in mm) for the legend, rising: quarters of the reach."""
    return [(v, f"{to_mm(v):.3g}") for v in np.linspace(0.0, reach_m, 5)]


def colour_steps(reach_m: float, count: int = 64) -> Floats:
    """sRGB (count, 4) of even steps from 0 to ``reach_m``, for the legend."""
    return clearance_colours(np.linspace(0.0, reach_m, count), reach_m, srgb=True)
