"""The outer flow along one section's contour, and what its layers and its dead air make of it.

The layers push the flow off the contour: sources on the panels, as strong as the growth of speed times displacement
thickness (M. J. Lighthill, "On displacement thickness", J. Fluid Mech. 4, 1958). Before it acts, that product is
smoothed along the contour by straight lines fitted over ``SMOOTHING`` chords, so that no shorter wave can grow from
turn to turn. From ``LAST``, where a weak interaction does not hold, or from the separation point on, it goes on as it
grew before and fades to a constant. The wake's own thickness and bend are left out, so that lift stays a little high.

From the separation point to the trailing edge the pressure is as even as three source distributions on that part can
make it (K. Jacob, Zeitschrift fuer Flugwissenschaften 17, 1969), while the circulation is that of the free-streamline
flow of Kirchhoff and Helmholtz past a plate separated at the share f of its chord, ((1 + sqrt f) / 2)^2 of the attached
one (B. Thwaites, "Incompressible Aerodynamics", 1960). All from memory.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .panel2d import PlaneSystem

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

SMOOTHING = 0.03
"""Chords along the contour over which the displacement is smoothed (standard deviation of the weights)."""
LAST = 0.99
"""Share of a side, nose to trailing edge, up to which separation is looked for; aft of it counts as attached. As far
aft as the turns still settle; it is not free of effect: 0.98 gives 2 % more lift slope."""
FADING = 0.1
"""Length over the chord in which the displacement's growth fades, aft of ``LAST`` or of separation."""
_SLOPE_OVER = 0.03
"""Length over the chord from which the growth of the displacement is taken."""


class SectionFlow:
    """Speeds along a contour for a wind along x and one along z, and for sources on its panels; lengths over the chord.

    ``mass`` is speed times displacement thickness at the points, negative on the upper side. ``share`` is that of a
    side from nose to trailing edge up to which it is attached, for (k, 2) both sides.

    Attributes:
        z: (n,) points as complex numbers, counter-clockwise, the nose at 0.
        flipped: whether the contour was given the other way round.
        nose: index of the point farthest from the trailing edge.
        step, length, middle: (n - 1,) the panels' steps, lengths, and ``along`` of their middles.
        along: (n,) length from the trailing edge over the upper side, the nose and the lower side back to it.
        cell: (n,) length that belongs to each point.
        chordwise: (n,) x/chord.
        wind: (n, 2) speeds in a wind of 1 along x and along z.
        sources: (n, n - 1) speeds that sources of strength 1 on the panels make.
        displaced: (n, n) speeds that ``mass`` makes.
        zero_lift: incidence without lift and without layers, rad.
    """

    def __init__(self, contour: Floats) -> None:
        if contour.ndim != 2 or contour.shape[1] != 2 or len(contour) < 30 or not np.isfinite(contour).all():
            raise InputError("A section with layers needs at least 30 points (x, z) that are numbers.")
        system = PlaneSystem([contour], with_sources=True)
        z, self.flipped = system.loops[0], system.flipped[0]
        self.wind, self.sources = system.winds, system.sources
        reach = np.abs(z - z[0])
        self.nose = int(np.argmax(reach))
        self.z = z = (z - z[self.nose]) / reach[self.nose]
        self.step = np.diff(z)
        self.length = np.abs(self.step)
        self.along = np.concatenate([[0.0], np.cumsum(self.length)])
        self.middle = 0.5 * (self.along[1:] + self.along[:-1])
        self.cell = np.zeros(len(z))
        self.cell[:-1] += 0.5 * self.length
        self.cell[1:] += 0.5 * self.length
        self.chordwise = np.clip((z * np.conj(z[0])).real, 0.0, 1.0)
        self.displaced = self.displacing(self.sources)
        level, square = (float(self.circulation(np.asarray(self.wind[:, k], float))) for k in (0, 1))
        self.zero_lift = -math.atan2(level, square)

    def displacing(self, sources: NDArray[np.floating]) -> Floats:
        """(m, n) speeds at m points that speed times displacement thickness at this contour's n points makes.

        Args:
            sources: (m, n - 1) speeds that sources of strength 1 on this contour's panels make.
        """
        # Straight lines fitted with weights round each point.
        apart = self.along[None, :] - self.along[:, None]
        weight = np.exp(-0.5 * (apart / SMOOTHING) ** 2) * self.cell
        first, second = np.sum(weight * apart, axis=1), np.sum(weight * apart**2, axis=1)
        whole = weight.sum(axis=1)
        smoother = weight * (second[:, None] - apart * first[:, None]) / (whole * second - first**2)[:, None]
        return np.asarray(sources @ (np.diff(smoother, axis=0) / self.length[:, None]))

    def circulation(self, gamma: Floats) -> Floats:
        """(...) counter-clockwise circulation of speeds (..., n)."""
        return np.asarray(-0.5 * (gamma[..., 1:] + gamma[..., :-1]) @ self.length)

    def stagnation(self, gamma: Floats) -> Floats:
        """(k,) ``along`` of the stagnation point: where the potential along the contour is lowest."""
        potential = np.cumsum(0.5 * (gamma[:, 1:] + gamma[:, :-1]) * self.length, axis=1)
        i = np.argmin(potential[:, :-1], axis=1) + 1
        rows = np.arange(len(gamma))
        i = np.where(gamma[rows, i] > 0.0, i - 1, i)
        low, high = gamma[rows, i], gamma[rows, i + 1]
        share = np.clip(-low / np.where(high != low, high - low, 1.0), 0.0, 1.0)
        return np.asarray(self.along[i] + share * self.length[i])

    def place(self, side: Ints, share: Floats) -> Floats:
        """(k,) ``along`` at the ``share`` of a side (0 upper, 1 lower) from nose to trailing edge."""
        nose, whole = self.along[self.nose], self.along[-1]
        return np.where(side == 0, nose * (1.0 - share), nose + (whole - nose) * share)

    def share(self, side: Ints, along: Floats) -> Floats:
        """(k,) the inverse of ``place``."""
        nose, whole = self.along[self.nose], self.along[-1]
        return np.where(side == 0, 1.0 - along / nose, (along - nose) / (whole - nose))

    def chord_share(self, side: Ints, share: Floats) -> Floats:
        """(k,) x/chord at the share of a side."""
        return np.interp(self.place(side, share), self.along, self.chordwise)

    def points(self, side: int) -> Ints:
        """(m,) the points of a side from the nose to the trailing edge."""
        return np.arange(self.nose, -1, -1) if side == 0 else np.arange(self.nose, len(self.along))

    def to_march(self, side: Ints, gamma: Floats) -> tuple[Floats, Floats, Floats]:
        """``along`` (k,) of the stagnation point, and what ``march`` takes of a side: (k, n) ways from there, speeds.

        Args:
            side: (k,) 0 upper, 1 lower.
            gamma: (k, n) speeds along the contour.
        """
        stagnation, upper = self.stagnation(gamma), (side == 0)[:, None]
        way = np.where(upper, stagnation[:, None] - self.along[::-1], self.along - stagnation[:, None])
        way = np.maximum(way, 0.0)
        speed = np.maximum(np.where(upper, -gamma[:, ::-1], gamma), 0.0)
        speed[way <= 0.0] = 0.0
        return stagnation, way, speed

    def trip(self, side: Ints, stagnation: Floats, chordwise: float) -> Floats:
        """(k,) way from the stagnation point to where a side's layer is tripped, at x/chord ``chordwise``."""
        points = [self.points(k) for k in (0, 1)]
        place = np.array([np.interp(chordwise, self.chordwise[p], self.along[p]) for p in points])[side]
        return np.maximum(np.where(side == 0, stagnation - place, place - stagnation), 0.0)

    def reached(self, side: Ints, stagnation: Floats, separation: Floats) -> Floats:
        """(k,) share of a side that its layer reaches; 1 where it separates not before ``LAST``.

        Args:
            side: (k,) 0 upper, 1 lower.
            stagnation: (k,) as from ``to_march``.
            separation: (k,) way from there to separation; nan when attached to the end.
        """
        share = self.share(side, stagnation + np.where(side == 0, -1.0, 1.0) * separation)
        return np.where(np.isnan(share) | (share > LAST), 1.0, share)

    def held(self, mass: Floats, share: Floats) -> Floats:
        """``mass`` kept from the separation points on; on attached sides in a straight line over their last part."""
        out = mass
        rows = np.arange(len(mass))
        for side in (0, 1):
            sides = np.full(len(mass), side)
            edge = self.place(sides, np.minimum(share[:, side], LAST))
            before = self.place(sides, np.minimum(share[:, side], LAST) - _SLOPE_OVER)
            ends = []
            for where in (edge, before):
                i = np.clip(np.searchsorted(self.along, where, "right") - 1, 0, len(self.length) - 1)
                part = (where - self.along[i]) / self.length[i]
                ends.append(mass[rows, i] + part * (mass[rows, i + 1] - mass[rows, i]))
            slope = (ends[0] - ends[1]) / np.abs(edge - before)
            off = np.maximum((self.along - edge[:, None]) * (1.0 if side else -1.0), 0.0)
            more = slope[:, None] * FADING * -np.expm1(-off / FADING)
            out = np.where(off > 0.0, ends[0][:, None] + more, out)
        return out

    def attached_chord(self, share: Floats) -> Floats:
        """(k, 2) x/chord of separation over that up to which it is looked for."""
        both = []
        for side in (0, 1):
            sides = np.full(len(share), side)
            reach = self.chord_share(sides, np.full(len(share), LAST))
            both.append(np.minimum(self.chord_share(sides, share[:, side]) / reach, 1.0))
        return np.stack(both, axis=1)

    def kept(self, share: Floats) -> Floats:
        """(k, 2) what is left of the circulation (Kirchhoff and Helmholtz)."""
        return np.asarray((0.5 + 0.5 * np.sqrt(self.attached_chord(share))) ** 2)

    def dead_air_sources(self, side: int, share: Floats) -> Floats:
        """(k, 3, n - 1) strengths on the panels behind separation at the share (k,) of a side, of the three kinds."""
        edge = self.place(np.full(len(share), side), share)[:, None]
        end = 0.0 if side == 0 else self.along[-1]
        run = np.clip((self.middle - edge) / (end - edge), 0.0, 1.0)
        return np.stack([np.sqrt(run), run, run**2], axis=1)

    def dead_air_weights(self, side: int, share: Floats) -> Floats:
        """(k, n) parts of the points behind separation at the share (k,) of a side; they sum to 1."""
        edge = self.place(np.full(len(share), side), share)[:, None]
        off = (self.along - edge) * (-1.0 if side == 0 else 1.0)
        weight = np.clip(off / self.cell + 0.5, 0.0, 1.0) * self.cell
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))

    def with_dead_air(self, gamma: Floats, share: Floats) -> Floats:
        """Speeds with sources on the separated parts: circulation as ``kept`` says, pressure as even as it can be."""
        out = gamma.copy()
        kept = self.kept(share)
        both = np.prod(kept, axis=1)
        for side in (0, 1):
            rows = np.flatnonzero(share[:, side] <= LAST)
            if not len(rows):
                continue
            answer = self.dead_air_sources(side, share[rows, side]) @ self.sources.T
            weight = self.dead_air_weights(side, share[rows, side])
            rough = answer - np.einsum("kmn,kn->km", answer, weight)[:, :, None]
            base = gamma[rows] - np.sum(gamma[rows] * weight, axis=1, keepdims=True)
            matrix, right = np.zeros((len(rows), 4, 4)), np.zeros((len(rows), 4))
            weighted = rough * weight[:, None]
            matrix[:, :3, :3] = weighted @ rough.transpose(0, 2, 1) + 1e-5 * np.eye(3)
            right[:, :3] = -np.einsum("kmn,kn->km", weighted, base)
            matrix[:, 3, :3] = matrix[:, :3, 3] = self.circulation(answer)
            # With both sides separated each takes its share of the whole loss.
            loss = 1.0 - kept[rows]
            part = loss[:, side] / np.maximum(loss.sum(axis=1), 1e-12)
            right[:, 3] = -part * (1.0 - both[rows]) * self.circulation(gamma[rows])
            strength = np.linalg.solve(matrix, right[:, :, None])[:, :3, 0]
            out[rows] += np.einsum("km,kmn->kn", strength, answer)
        return out


def section_flow(contour: Floats) -> SectionFlow:
    """The flow along a contour (n, 2), points (x aft, z up) over any length, trailing edge once round and back.

    Raises:
        InputError: too few points, or doubles.
    """
    contour = np.ascontiguousarray(contour, float)
    if contour.ndim != 2 or len(contour) == 0:
        raise InputError("A section with layers needs at least 30 points (x, z) that are numbers.")
    return _cached(contour.tobytes(), len(contour))


@lru_cache(maxsize=32)
def _cached(data: bytes, count: int) -> SectionFlow:
    return SectionFlow(np.frombuffer(data).reshape(count, -1))
