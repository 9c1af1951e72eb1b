"""A plane through the flow, in SI units and vehicle axes, and its picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..colour import rgba
from ..errors import InputError
from ..geometry.box import Box
from .grid import FlowGrid
from .levels import corner_of
from .scaling import Scaling

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MOST_SPEED = 1.6
"""Where the colours of speed end, of the wind's."""
PRESSURE_ENDS = (-2.0, 1.0)
"""Pressure coefficients at which the colours end."""
MOST_WIDE = 1600
"""Columns that a slice of several levels has at most; finer cells than those are shown as their means."""
_PALE, _DARK, _CHROMA = 0.95, 0.45, 0.137
_SUCTION_HUE, _PRESSURE_HUE, _SPEED_HUE = np.radians((348.0, 140.0, 250.0))
_PART = 0.25  # OKLab lightness of parts


@dataclass(frozen=True, eq=False)
class FlowSlice:
    """A plane of cells across y.

    Attributes:
        x_m: (w,) cell middles, vehicle axes, falling: the wind blows from the first column to the last.
        z_m: (h,) cell middles, rising.
        speed_m_s: (h, w) at the set speed; 0 in solid cells.
        pressure: (h, w) pressure coefficient; 0 in solid cells.
        velocity_m_s: (2, h, w) along vehicle x (forward) and z (up).
        solid: (h, w) cells of parts and below the road.
    """

    x_m: Floats
    z_m: Floats
    speed_m_s: Floats
    pressure: Floats
    velocity_m_s: Floats
    solid: Bools


def middle_layer(grid: FlowGrid) -> int:
    """Index along y of the layer at the centre plane: y = 0, the plane of symmetry, or the only one."""
    if grid.half or grid.size[1] == 1:
        return 0
    return int(np.clip(np.floor(-grid.origin_m[1] / grid.spacing_m + 1e-6), 0, grid.size[1] - 1))


def flow_slice(
    grid: FlowGrid, scale: Scaling, layers: Sequence[tuple[Floats, Floats]], view: Box | None = None
) -> FlowSlice:
    """The middle layer in SI units, of all levels as far as ``MOST_WIDE`` columns show them.

    Args:
        grid: of the run.
        scale: of the run.
        layers: by level, the coarsest first, density (h, w) in lattice units, rows going up, columns with the wind, and
            velocity (3, h, w), cells a step, flow axes.
        view: vehicle axes, m, the part that is wanted, which grows to whole coarsest cells; all where None.
    """
    low, high = np.zeros(2, np.int64), np.array([grid.size[2], grid.size[0]])
    if view is not None:
        origin, h = grid.origin_m[[2, 0]], grid.spacing_m
        ends = np.array([[view.low[2], -view.high[0]], [view.high[2], -view.low[0]]])
        first, last = np.floor((ends[0] - origin) / h + 1e-6), np.ceil((ends[1] - origin) / h - 1e-6)
        low = np.clip(first, 0, high - 1).astype(np.int64)
        high = np.clip(last, low + 1, high).astype(np.int64)
    density, velocity, solid, shown = _together(grid, layers, low, high)
    h = grid.spacing_m / shown
    along, up = (
        grid.origin_m[axis] + h * (np.arange(shown * low[k], shown * high[k]) + 0.5) for k, axis in ((1, 0), (0, 2))
    )
    placed = scale.metres_per_second(np.stack([-np.asarray(velocity[0]), np.asarray(velocity[2])]))
    across = scale.metres_per_second(velocity[1])
    placed[:, solid] = 0.0
    speed = np.sqrt(placed[0] ** 2 + placed[1] ** 2 + np.where(solid, 0.0, across) ** 2)
    pressure = np.where(solid, 0.0, scale.pressure_coefficient(density))
    return FlowSlice(-along, up, speed, pressure, placed + 0.0, solid)


def _together(
    grid: FlowGrid, layers: Sequence[tuple[Floats, Floats]], low: Ints, high: Ints
) -> tuple[Floats, Floats, Bools, int]:
    """Density, velocity and solid cells on even cells, and how many of these a coarsest cell's edge has.

    Args:
        low, high: (2,) rows and columns of the coarsest level, the first and the one after the last.
    """
    grids = grid.levels()
    finest = max(n for n in range(len(grids)) if n == 0 or int(high[1] - low[1]) << n <= MOST_WIDE)
    corner = np.zeros(3, np.int64)
    whole = np.zeros((5, *((high - low) << finest)))
    for number, (one, (density, velocity)) in enumerate(zip(grids, layers, strict=True)):
        if number:
            corner = 2 * corner + corner_of(grids[number - 1])
        # The outermost cells of a finer level are given by the level around.
        rim = min(number, 1)
        begin, size = corner[[2, 0]], np.array([one.size[2], one.size[0]])
        first = np.maximum((low << number) - begin, rim)
        last = np.minimum((high << number) - begin, size - rim)
        if (first >= last).any():
            continue
        cut = np.s_[first[0] : last[0], first[1] : last[1]]
        solid = one.label[:, middle_layer(one), :].T[cut] != 0
        values = np.concatenate([np.asarray(density)[cut][None], np.asarray(velocity)[:, *cut], solid[None]])
        start = begin + first - (low << number)
        if number <= finest:
            times = 1 << (finest - number)
            values, start = values.repeat(times, axis=1).repeat(times, axis=2), start * times
        else:
            values, start = _means(values, start, 1 << (number - finest))
        (z, x), (tall, wide) = start, values.shape[1:]
        whole[:, z : z + tall, x : x + wide] = values
    return whole[0], whole[1:4], whole[4] > 0.5, 1 << finest


def _means(values: Floats, start: NDArray[np.int64], many: int) -> tuple[Floats, NDArray[np.int64]]:
    """Means (c, h, w) of whole squares of ``many`` cells a side, of the air where there is some; where they begin."""
    first = -(-start // many)
    skip = first * many - start
    count = np.maximum((np.array(values.shape[1:]) - skip) // many, 0)
    cut = values[:, skip[0] : skip[0] + count[0] * many, skip[1] : skip[1] + count[1] * many]
    squares = cut.reshape(len(values), count[0], many, count[1], many)
    air = 1.0 - squares[-1]
    share = air.mean(axis=(1, 3))
    means = (squares * air).mean(axis=(2, 4)) / np.where(share > 0.0, share, 1.0)
    means[0, share == 0.0] = 1.0
    means[-1] = 1.0 - share
    return means, first


def picture(cut: FlowSlice, what: Literal["speed", "pressure"], speed_m_s: float) -> NDArray[np.uint8]:
    """sRGB (h, w, 4) of a slice, one point a cell, the lowest row first; parts and road are dark grey.

    Args:
        cut: the plane.
        what: "speed": from pale at rest to dark at ``MOST_SPEED`` times the wind's; "pressure": coefficients from
            suction (red-violet) to pressure (green), pale at the wind's.
        speed_m_s: of the wind.

    Raises:
        InputError: neither of the two, or a wind that is not above zero.
    """
    if what not in ("speed", "pressure"):
        raise InputError(f"A slice cannot show “{what}”; choose speed or pressure.")
    if not speed_m_s > 0.0:
        raise InputError(f"The wind of the slice is {speed_m_s:g} m/s; give a speed above zero.")
    if what == "speed":
        share = np.clip(np.nan_to_num(cut.speed_m_s / (MOST_SPEED * speed_m_s)), 0.0, 1.0)
        hue = np.full_like(share, _SPEED_HUE)
    else:
        low, high = PRESSURE_ENDS
        off = np.clip(np.nan_to_num(cut.pressure), low, high)
        share = np.abs(off) / max(-low, high)
        hue = np.where(off > 0.0, _PRESSURE_HUE, _SUCTION_HUE)
    # A table is quicker than the whole formula for each point, and no coarser than 8 bits.
    steps = np.linspace(0.0, 1.0, 256)
    place = np.rint(255.0 * share).astype(np.intp)
    out = np.empty((*share.shape, 4), np.uint8)
    for one in np.unique(hue):
        table = rgba(_PALE + (_DARK - _PALE) * steps, _CHROMA * steps, one, srgb=True)
        mine = hue == one
        out[mine] = np.rint(255.0 * table).astype(np.uint8)[place[mine]]
    out[cut.solid] = np.rint(255.0 * rgba(_PART, 0.0, 0.0, srgb=True)).astype(np.uint8)
    return out
