"""Colours by lightness, chroma and hue that look as even as they are told.

Source: B. Ottosson, "A perceptual color space for image processing" (OKLab), 2020; matrices from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_LMS_FROM_LAB = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_RGB_FROM_LMS = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)


def rgba(light: ArrayLike, chroma: ArrayLike, hue_rad: ArrayLike, *, srgb: bool = False) -> Floats:
    """RGBA (..., 4) in 0..1, opaque, of OKLab lightness 0..1, chroma and hue (...), cut to what a screen can show.

    Args:
        srgb: encoded for screens and files (IEC 61966-2-1); otherwise linear light, as float colour attributes hold it.
    """
    lightness, strength, hue = np.broadcast_arrays(*(np.asarray(v, np.float64) for v in (light, chroma, hue_rad)))
    lab = np.stack([lightness, strength * np.cos(hue), strength * np.sin(hue)], axis=-1)
    rgb = np.clip((lab @ _LMS_FROM_LAB.T) ** 3 @ _RGB_FROM_LMS.T, 0.0, 1.0)
    if srgb:
        rgb = np.where(rgb <= 0.0031308, 12.92 * rgb, 1.055 * rgb ** (1.0 / 2.4) - 0.055)
    return np.concatenate([rgb, np.ones((*rgb.shape[:-1], 1))], axis=-1)


def linear(srgb: Floats) -> Floats:
    """sRGB values (...) in 0..1 as linear light (IEC 61966-2-1)."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
