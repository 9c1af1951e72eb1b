"""The rear of the Brannock Veller, an invented car, as exact parametric surfaces.

The skin is the zero set of a smooth field: a lower body and a greenhouse, each the blended
intersection of a few gently curved walls, joined by a fillet. Every point of it is reached by one
ray from a small box inside the car. The box has three outward faces ("top", "rear", "side");
between them the rays fan out, so that the three parametric faces meet without a seam. Along the
rays the skin is moved in and out to make panels: rolled edges at shut-lines, domed lamps, the
recess of the number plate.

Vehicle axes: x forward from the rearmost point, y left, z up from the road; metres.
The skin is the same on both sides of y = 0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FACES = ("top", "rear", "side")
FAN = 0.16
"""Length of a fan's parameter, about its arc length on the skin, so that steps come out alike."""

SHUT_LINE = 0.004
_ROLL = 0.003
_RING = 0.003
_SEAL = 0.008  # the rubber round the window
_WALL = 0.018  # the slope round the number plate


@dataclass(frozen=True)
class Rect:
    """A piece of one parametric face, u0 <= u <= u1 and v0 <= v <= v1.

    The parameters are (x, y) on "top", (y, z) on "rear" and (x, z) on "side": places of the ray's
    start, which in a fan go on beyond the box by up to ``FAN``.
    """

    face: str
    u0: float
    u1: float
    v0: float
    v1: float


@dataclass(frozen=True)
class Panel:
    """A named part of the skin on the left half; ``both_sides`` tells whether its mirror image has the same name."""

    name: str
    rects: tuple[Rect, ...]
    both_sides: bool


@dataclass(frozen=True)
class Car:
    """The numbers that make the car, metres unless said otherwise."""

    half_width: float = 0.845
    height: float = 1.345
    deck_height: float = 0.955
    lid_length: float = 0.52
    lid_half_width: float = 0.60
    window_base: float = 0.63
    window_length: float = 0.52
    window_slope: float = 0.68
    crown: float = 0.050
    plan_curve: float = 0.10
    lamp_height: float = 0.125
    lamp_inner: float = 0.405
    front: float = 1.72
    bottom: float = 0.235

    # The box that the rays start from.
    box_x: float = 0.20
    box_y: float = 0.70

    @property
    def box_z(self) -> float:
        return self.deck_height - 0.155

    @property
    def wheel(self) -> tuple[float, float, float]:
        """Centre x, z and radius of the wheel-arch opening."""
        return 0.86, 0.315, 0.345

    # -- the field ---------------------------------------------------------------------------

    def field(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """Roughly the distance to the skin, m, negative inside."""
        return self._field(x + self.shift, y, z)

    @cached_property
    def shift(self) -> float:
        """x of the raw field's rearmost point, which lies on the bumper at y = 0."""
        z = np.linspace(0.30, 0.46, 641)
        origin = np.column_stack([np.full(641, self.box_x), np.zeros(641), z])
        return float(self.box_x - _leave(self._field, origin, np.array([-1.0, 0.0, 0.0])).max())

    def _field(self, x: Floats, y: Floats, z: Floats) -> Floats:
        yy = y * y
        ay = np.sqrt(yy + 4e-4)
        # The rear wall: bumper ahead of everything, a step at its top, fascia leaning forward above.
        step = 0.5 * (1.0 + np.tanh((z - self.bumper_top - 0.002) / 0.011))
        profile = (
            0.042 * step
            + 0.20 * np.maximum(z - 0.58, 0.0) ** 2
            + 1.3 * np.maximum(0.37 - z, 0.0) ** 2
            + 0.10 * (z - 0.42) ** 2 * (1.0 - step)
        )
        rear = profile + self.plan_curve * yy + 0.16 * yy * yy - x
        wx, wz, wr = self.wheel
        r = np.sqrt((x - wx) ** 2 + (z - wz) ** 2 + 1e-9)
        flare = 0.016 * np.exp(-(((r - wr - 0.01) / 0.055) ** 2))
        waist = 0.012 * np.tanh((z - 0.80) / 0.035)  # the crease below the shoulder
        side = (
            ay
            - self.half_width
            + 0.055 * np.maximum(1.05 - x, 0.0) ** 2
            + 0.16 * (z - 0.62) ** 2
            + waist
            + 0.012
            - flare
        )
        lip = 0.011 * np.exp(-(((x - 0.05) / 0.055) ** 2))
        top = z - (self.deck_height + 0.030 * x + lip - self.crown * yy - 0.10 * yy * yy)
        low = _larger(_larger(rear, side, 0.10), top, 0.026)

        fall = x - self.window_base - 0.12 * yy
        slope = self.window_slope
        window = (z - (self.deck_height + 0.012 + slope * fall - 0.16 * fall * fall)) / np.sqrt(1 + slope * slope)
        roof = z - (self.height - 0.040 * (x - 1.75) ** 2 - 0.075 * yy)
        lean = 0.34 * (z - self.deck_height) + 0.05 * np.maximum(1.2 - x, 0.0) ** 2
        pillar = 0.94 * (ay - self.half_width + 0.150 + lean)
        green = _larger(_larger(window, pillar, 0.085), roof, 0.05)
        green = np.maximum(green, self.deck_height - 0.10 - z)  # it ends inside the lower body
        return -_larger(-low, -green, 0.025)

    # -- the ray family ----------------------------------------------------------------------

    @property
    def front_of_fan(self) -> float:
        """The smallest x parameter, where "top" and "side" meet "rear"."""
        return self.box_x - FAN

    @property
    def outer_of_fan(self) -> float:
        """The largest y parameter, where "top" and "rear" meet "side"."""
        return self.box_y + FAN

    @property
    def top_of_fan(self) -> float:
        """The largest z parameter, where "rear" and "side" meet "top"."""
        return self.box_z + FAN

    def rays(self, face: str, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Starts and unit directions, (n, 3) each, of the rays at parameters ``u``, ``v`` (n,) of ``face``."""
        one = np.ones_like(u)
        if face == "top":
            (ox, ax), (oy, ay), (oz, az) = self._x(u), self._y(v), (self.box_z * one, one)
        elif face == "rear":
            (ox, ax), (oy, ay), (oz, az) = (self.box_x * one, one), self._y(u), self._z(v)
        else:
            (ox, ax), (oy, ay), (oz, az) = self._x(u), (self.box_y * one, one), self._z(v)
        if face != "rear":
            # Grid lines follow the bow of the window's base and draw together over the greenhouse.
            x = u
            oy = oy * (1.0 - 0.28 * _smooth((x - self.window_base + 0.02) / (self.window_length + 0.10)))
            ox = ox + 0.10 * _smooth((x - 0.28) / (self.window_base - 0.28)) * oy * oy
        d = np.column_stack([-ax, ay, az])
        return np.column_stack([ox, oy, oz]), d / np.linalg.norm(d, axis=1)[:, None]

    def _x(self, x: Floats) -> tuple[Floats, Floats]:
        return np.maximum(x, self.box_x), _fan(self.box_x - x)

    def _y(self, y: Floats) -> tuple[Floats, Floats]:
        return np.minimum(y, self.box_y), _fan(y - self.box_y)

    def _z(self, z: Floats) -> tuple[Floats, Floats]:
        return np.minimum(z, self.box_z), _fan(z - self.box_z)

    def points(self, face: str, u: Floats, v: Floats) -> Floats:
        """(n, 3) m: the exact skin, with its panels, at parameters ``u``, ``v`` (n,) of ``face``."""
        origin, direction = self.rays(face, u, v)
        t = _leave(self.field, origin, direction) + self.relief(face, u, v)
        return origin + t[:, None] * direction

    def deck(self, x: Floats, y: Floats) -> Floats:
        """(n, 3) m: the skin, without its panels, straight above (x, y), for x ahead of the rear edge."""
        p = np.column_stack([x, y, np.full(len(x), self.box_z)])
        p[:, 2] += _leave(self.field, p, np.array([0.0, 0.0, 1.0]))
        return p

    # -- panels ------------------------------------------------------------------------------

    @property
    def bumper_top(self) -> float:
        return 0.470

    @property
    def lid_bottom(self) -> float:
        return self.bumper_top + SHUT_LINE

    @property
    def lamp_rect(self) -> Rect:
        top = self.box_z - 0.030
        return Rect("rear", self.lamp_inner, self.box_y - 0.012, top - self.lamp_height, top)

    @property
    def lid_jog(self) -> float:
        """Height at which the lid's edge turns in above the lamp."""
        return self.box_z - 0.012

    @property
    def lid_narrow(self) -> float:
        """Half width of the lid between the lamps."""
        return self.lamp_inner - 0.016

    @property
    def plate_rect(self) -> Rect:
        middle = 0.5 * (self.lid_bottom + self.lid_jog) - 0.012
        return Rect("rear", 0.0, 0.262, middle - 0.057, middle + 0.057)

    @property
    def window_rect(self) -> Rect:
        return Rect("top", self.window_base + 0.030, self.window_base + self.window_length, 0.0, 0.545)

    @property
    def stop_rect(self) -> Rect:
        a = self.lid_length + 0.022
        return Rect("top", a, a + 0.040, 0.0, 0.150)

    @property
    def bumper_end(self) -> float:
        """x of the shut-line between bumper and quarter panel."""
        wx, _, wr = self.wheel
        return wx - wr - 0.075

    @cached_property
    def panels(self) -> tuple[Panel, ...]:
        """The named zones."""
        plate, lamp, stop, window = self.plate_rect, self.lamp_rect, self.stop_rect, self.window_rect
        e = _RING
        lid = (
            Rect("top", self.front_of_fan, self.lid_length, 0.0, self.lid_half_width),
            Rect("rear", 0.0, self.lid_half_width, self.lid_jog, self.top_of_fan),
            Rect("rear", 0.0, self.lid_narrow, plate.v1 + e, self.lid_jog),
            Rect("rear", plate.u1 + e, self.lid_narrow, plate.v0 - e, plate.v1 + e),
            Rect("rear", 0.0, self.lid_narrow, self.lid_bottom, plate.v0 - e),
        )
        bumper = (
            Rect("rear", 0.0, self.outer_of_fan, self.bottom, self.bumper_top),
            Rect("side", self.front_of_fan, self.bumper_end, self.bottom, self.bumper_top),
        )
        return (
            Panel("boot lid", lid, True),
            Panel("tail lamp left", (lamp,), False),
            Panel("high stop lamp", (stop,), True),
            Panel("rear window", (window,), True),
            Panel("number plate", (plate,), True),
            Panel("bumper", bumper, True),
        )

    @cached_property
    def gaps(self) -> tuple[Rect, ...]:
        """Shut-lines and rings round lamps, window and plate: nothing of the skin is seen there."""
        g, e = SHUT_LINE, _RING
        w, n, jog, low = self.lid_half_width, self.lid_narrow, self.lid_jog, self.bumper_top
        return (
            Rect("top", self.front_of_fan, self.lid_length + g, w, w + g),
            Rect("top", self.lid_length, self.lid_length + g, 0.0, w + g),
            Rect("rear", w, w + g, jog - g, self.top_of_fan),
            Rect("rear", n, w + g, jog - g, jog),
            Rect("rear", n, n + g, low, jog),
            Rect("rear", 0.0, self.outer_of_fan, low, low + g),
            Rect("side", self.front_of_fan, self.bumper_end + g, low, low + g),
            Rect("side", self.bumper_end, self.bumper_end + g, self.bottom, low + g),
            *_ring(self.lamp_rect, e),
            *_ring(self.stop_rect, e),
            *_ring(self.window_rect, _SEAL),
            *_ring(self.plate_rect, e),
        )

    def relief(self, face: str, u: Floats, v: Floats) -> Floats:
        """(n,) m: how far the skin is moved out along its ray."""
        out = np.zeros_like(u)
        a, b = (np.abs(u), v) if face == "rear" else (u, np.abs(v)) if face == "top" else (u, v)
        if face == "rear":
            out += _dome(self.lamp_rect, 0.012, a, b)
            beside = _outside(self.plate_rect, a, b)
            out -= 0.020 * (1.0 - _smooth(beside / _WALL))
            out += np.where(beside <= 0.0, 0.003, 0.0)  # the plate's own sheet and frame
        if face == "top":
            out += _dome(self.stop_rect, 0.024, a, b)
            out -= np.where(_outside(self.window_rect, a, b) <= 0.0, 0.003, 0.0)
        roll = np.full_like(out, np.inf)
        plate = set(_ring(self.plate_rect, _RING))
        for gap in self.gaps:
            if gap.face != face or gap in plate:
                continue
            near = np.flatnonzero(
                (a > gap.u0 - _ROLL) & (a < gap.u1 + _ROLL) & (b > gap.v0 - _ROLL) & (b < gap.v1 + _ROLL)
            )
            roll[near] = np.minimum(roll[near], _outside(gap, a[near], b[near]))
        near = np.flatnonzero(roll < _ROLL)
        rest = 1.0 - roll[near] / _ROLL
        out[near] -= _ROLL * (1.0 - np.sqrt(np.maximum(1.0 - rest * rest, 0.0)))
        return out


def varied_car(rng: np.random.Generator) -> Car:
    """A car of the same make with its measures changed by up to 20 %."""
    base = Car()

    def about(value: float, share: float) -> float:
        return value * (1.0 + share * rng.uniform(-1.0, 1.0))

    return Car(
        half_width=about(base.half_width, 0.02),
        height=about(base.height, 0.015),
        deck_height=about(base.deck_height, 0.015),
        lid_length=about(base.lid_length, 0.05),
        window_slope=about(base.window_slope, 0.06),
        crown=about(base.crown, 0.20),
        plan_curve=about(base.plan_curve, 0.20),
        lamp_height=about(base.lamp_height, 0.12),
        lamp_inner=about(base.lamp_inner, 0.05),
    )


def _larger(a: Floats, b: Floats, blend: float) -> Floats:
    """The larger of two, rounded off over ``blend``."""
    d = a - b
    return 0.5 * (a + b + np.sqrt(d * d + blend * blend))


def _leave(field: Callable[[Floats, Floats, Floats], Floats], origin: Floats, direction: Floats) -> Floats:
    """(n,) distance along each ray from inside at which ``field`` turns positive."""
    n = len(origin)
    direction = np.broadcast_to(direction, (n, 3))
    ox, oy, oz = origin.T.copy()
    dx, dy, dz = direction.T.copy()
    low, high = np.zeros(n), np.full(n, 0.9)
    t = np.full(n, 0.2)
    h = 1e-6
    # Newton steps kept inside a bracket that shrinks each time.
    for _ in range(14):
        f = field(ox + t * dx, oy + t * dy, oz + t * dz)
        inside = f < 0.0
        low = np.where(inside, t, low)
        high = np.where(inside, high, t)
        if np.max(np.abs(f)) < 1e-10:
            break
        slope = (field(ox + (t + h) * dx, oy + (t + h) * dy, oz + (t + h) * dz) - f) / h
        step = t - f / np.where(np.abs(slope) > 1e-3, slope, 1e-3)
        t = np.where((step > low) & (step < high), step, 0.5 * (low + high))
    return t


def _smooth(x: Floats) -> Floats:
    """0 below 0, 1 above 1, twice smooth between."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * x * (x * (6.0 * x - 15.0) + 10.0)


def _fan(beyond: Floats) -> Floats:
    """Slope of a fan's ray: 0 at the box, 1 (45 degrees) where the next face takes over."""
    return np.tan(0.25 * np.pi / FAN * np.clip(beyond, 0.0, FAN))


def _outside(r: Rect, u: Floats, v: Floats) -> Floats:
    """Distance from the rectangle in its parameters, 0 inside."""
    du = np.maximum(np.maximum(r.u0 - u, u - r.u1), 0.0)
    dv = np.maximum(np.maximum(r.v0 - v, v - r.v1), 0.0)
    return np.sqrt(du * du + dv * dv)


def _dome(r: Rect, height: float, u: Floats, v: Floats) -> Floats:
    """A cushion over the rectangle; one that ends on the centre plane has its crest there."""

    def across(low: float, high: float, p: Floats) -> Floats:
        middle = 0.0 if low == 0.0 else 0.5 * (low + high)
        return np.clip(1.0 - ((p - middle) / (high - middle)) ** 4, 0.0, 1.0)

    return height * np.sqrt(across(r.u0, r.u1, u) * across(r.v0, r.v1, v))


def _ring(r: Rect, width: float) -> tuple[Rect, ...]:
    """Strips of ``width`` round a rectangle; a side on the centre plane gets none."""
    u0 = r.u0 if r.u0 == 0.0 else r.u0 - width
    strips = [
        Rect(r.face, r.u1, r.u1 + width, r.v0 - width, r.v1 + width),
        Rect(r.face, u0, r.u1 + width, r.v0 - width, r.v0),
        Rect(r.face, u0, r.u1 + width, r.v1, r.v1 + width),
    ]
    if r.u0 != 0.0:
        strips.append(Rect(r.face, u0, r.u0, r.v0 - width, r.v1 + width))
    if r.face == "top":
        # On "top" the parameter across the car is v, so the open side is the one at v = 0.
        strips = [
            Rect(r.face, r.u0 - width, r.u1 + width, r.v1, r.v1 + width),
            Rect(r.face, r.u0 - width, r.u0, r.v0, r.v1 + width),
            Rect(r.face, r.u1, r.u1 + width, r.v0, r.v1 + width),
        ]
    return tuple(strips)
