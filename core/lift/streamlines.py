"""Streamlines: the ways that the steady wind takes through given points.

Each line is followed over its own length, not over time, so that slow air takes no longer than fast. The pair of
formulas of orders 3 and 2 by P. Bogacki and L. F. Shampine, "A 3(2) pair of Runge-Kutta formulas", Applied Mathematics
Letters 2(4), 1989 (coefficients from memory; the order is tested): the last slope of a step is the first of the next
one, so a step asks three times for the wind. All lines go at once, each with a step of its own.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import InputError
from ..geometry.box import Box

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STILL = 1e-3
"""A line ends where the wind is slower than this share of the fastest at the seeds: it has no way there."""
FINEST = 1.0 / 256.0
"""Steps shorter than this share of ``step_m`` are not tried: the line ends at a surface or a stagnation point."""
_SAFETY, _SHRINK, _GROW = 0.9, 0.2, 4.0  # common practice of step control, no source


def streamlines(
    velocity: Callable[[Floats], Floats],
    seeds: Floats,
    *,
    length_m: float,
    step_m: float,
    stop: Callable[[Floats], Bools] | None = None,
    box: Box | None = None,
    tolerance_m: float = 1e-5,
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> list[Floats]:
    """One line a seed, each (m, 3) m in the wind's way; (0, 3) where a seed lies in a body, outside the box or in still
    air.

    A line ends after ``length_m`` either way, on the box's side, before a surface (within ``FINEST`` steps), or where
    the wind stands still.

    Args:
        velocity: of the wind at points (n, 3) m, as (n, 3) in any one unit; where it is no number a line ends.
        seeds: (k, 3) m.
        length_m: along the line from the seed, forward and backward each.
        step_m: the longest step, and so the distance between points where the wind is smooth.
        stop: which of (n, 3) points lie where no line may go; asked at three places of each step, so what is thinner
            than a third of ``step_m`` may be passed.
        box: lines are cut off at its sides.
        tolerance_m: estimated error a step.
        tick: told how far it is (0..1); may raise to stop.

    Raises:
        InputError: seeds that are no places, or a length, step or tolerance that is not above zero.
    """
    start = np.asarray(seeds, np.float64)
    if start.ndim != 2 or start.shape[1] != 3 or not np.isfinite(start).all():
        raise InputError("Streamlines start at points of three numbers each; give them as rows.")
    for name, value in (("length", length_m), ("step", step_m), ("tolerance", tolerance_m)):
        if not 0.0 < value < np.inf:
            raise InputError(f"The {name} of the streamlines is {value:g} m; it must be above zero.")
    if len(start) == 0:
        return []

    def barred(points: Floats) -> Bools:
        return np.zeros(len(points), bool) if stop is None else np.asarray(stop(points), bool)

    wind = np.asarray(velocity(start), np.float64)
    speed = np.linalg.norm(wind, axis=1)
    still = STILL * float(np.max(speed, initial=0.0, where=np.isfinite(speed)))
    begins = np.isfinite(speed) & (speed > still) & ~barred(start)
    if box is not None:
        begins &= box.holds(start)
    march = _March(velocity, barred, box, length_m, step_m, tolerance_m, still)
    # Backward is forward in the wind turned round; both go together.
    ways = np.repeat([1.0, -1.0], len(start))
    tracks = march.run(np.tile(start, (2, 1)), np.tile(wind, (2, 1)), ways, np.tile(begins, 2), tick)
    lines = []
    for k, starts in enumerate(begins):
        back = tracks[k + len(start)][:0:-1]
        lines.append(np.array([*back, *tracks[k]]) if starts else np.zeros((0, 3)))
    return lines


def plane_seeds(y_m: float, x_m: float, z_values: ArrayLike) -> Floats:
    """(k, 3) m, seeds above each other at ``z_values`` (k,) m in the upright plane ``y_m``, ``x_m`` ahead."""
    heights = np.asarray(z_values, np.float64).reshape(-1)
    return np.column_stack([np.full(len(heights), x_m), np.full(len(heights), y_m), heights])


class _March:
    def __init__(
        self,
        velocity: Callable[[Floats], Floats],
        barred: Callable[[Floats], Bools],
        box: Box | None,
        length_m: float,
        step_m: float,
        tolerance_m: float,
        still: float,
    ) -> None:
        self.velocity, self.barred, self.box = velocity, barred, box
        self.length, self.step, self.tolerance, self.still = length_m, step_m, tolerance_m, still

    def run(
        self, at: Floats, wind: Floats, ways: Floats, alive: Bools, tick: Callable[[float, str], None]
    ) -> list[list[Floats]]:
        """The points of each line in the order in which it goes, the start first."""
        at = at.copy()
        tracks = [[point.copy()] for point in at]
        slope, _ = self._direction(wind, ways)
        step, gone = np.full(len(at), self.step), np.zeros(len(at))
        alive = alive.copy()
        while alive.any():
            tick(float(np.mean(np.where(alive, gone / self.length, 1.0))), "Streamlines")
            on = np.flatnonzero(alive)
            h = np.minimum(step[on], self.length - gone[on])
            new, last, error, free, moving = self._try(at[on], slope[on], h, ways[on])
            # The error of the lower order grows with the third power of the step.
            with np.errstate(divide="ignore"):
                factor = _SAFETY * (self.tolerance / error) ** (1.0 / 3.0)
            factor = np.where(np.isfinite(error), np.clip(factor, _SHRINK, _GROW), _SHRINK)
            good = (error <= self.tolerance) & free
            step[on] = np.where(free, np.minimum(h * factor, self.step), 0.5 * h)
            taken = on[good]
            inside = self._cut(at[taken], slope[taken], new[good], last[good], h[good])
            at[taken], slope[taken] = new[good], last[good]
            gone[taken] += h[good]
            for k, point in zip(taken, inside[0], strict=True):
                tracks[k].append(point)
            alive[taken] = moving[good] & ~inside[1] & (gone[taken] < self.length * (1.0 - 1e-12))
            failed = on[~good]
            alive[failed] = step[failed] > FINEST * self.step
        return tracks

    def _try(self, at: Floats, first: Floats, h: Floats, ways: Floats) -> tuple[Floats, Floats, Floats, Bools, Bools]:
        """End, slope there, error in m, whether all of the step is free, and whether the wind moves at its end."""
        long = h[:, None]
        half = at + 0.5 * long * first
        second, _ = self._direction(self.velocity(half), ways)
        later = at + 0.75 * long * second
        third, _ = self._direction(self.velocity(later), ways)
        new = at + long * (2.0 * first + 3.0 * second + 4.0 * third) / 9.0
        last, speed = self._direction(self.velocity(np.where(np.isfinite(new), new, at)), ways)
        low = long * (7.0 * first / 24.0 + 0.25 * second + third / 3.0 + 0.125 * last)
        error = np.linalg.norm(new - at - low, axis=1)
        places = np.concatenate([half, later, new])
        known = np.isfinite(places).all(axis=1)
        free = ~known  # of places that are no numbers the error is none either
        free[known] = ~self.barred(places[known])
        error = np.where(np.isfinite(error), error, np.inf)
        return new, last, error, np.all(free.reshape(3, -1), axis=0), speed > self.still

    def _direction(self, wind: Floats, ways: Floats) -> tuple[Floats, Floats]:
        """Unit slopes (n, 3), and the wind's speed (n,)."""
        speed = np.linalg.norm(wind, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            return ways[:, None] * wind / speed[:, None], speed

    def _cut(self, a: Floats, slope_a: Floats, b: Floats, slope_b: Floats, h: Floats) -> tuple[Floats, Bools]:
        """The steps' ends, those beyond the box brought back along the step to its side, and which they are."""
        if self.box is None:
            return b, np.zeros(len(b), bool)
        out = ~self.box.holds(b)
        if not out.any():
            return b, out
        a, slope_a, slope_b, long = a[out], slope_a[out], slope_b[out], h[out, None]
        end = b[out]

        def on_the_way(t: Floats) -> Floats:
            """Hermite's cubic, of the order of the step itself."""
            u = 1.0 - t
            return (
                u * u * (1.0 + 2.0 * t) * a + t * t * (3.0 - 2.0 * t) * end + t * u * long * (u * slope_a - t * slope_b)
            )

        low, high = np.zeros((len(a), 1)), np.ones((len(a), 1))
        for _ in range(40):
            middle = 0.5 * (low + high)
            held = self.box.holds(on_the_way(middle))[:, None]
            low, high = np.where(held, middle, low), np.where(held, high, middle)
        cut = b.copy()
        cut[out] = on_the_way(low)
        return cut, out
