"""The shape of a section, free of size and place: a thickness form on a mean line.

Class-shape functions with Bernstein weights: the half thickness has the class sqrt(x) (1 - x), a
round nose and a pointed tail; the mean line has the class x (1 - x), a finite slope at both ends.
Together they hold every power of sqrt(x), so that a cambered round nose is met exactly, and the
nose has one curvature above and below by construction.

Source of the method: B. M. Kulfan, "Universal Parametric Geometry Representation Method",
Journal of Aircraft 45(1), 2008.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def bernstein(x: Floats, count: int) -> Floats:
    """(len(x), count) Bernstein polynomials of degree ``count`` - 1 at ``x`` (n,) in 0..1."""
    k = np.arange(count)
    weights = np.array([comb(count - 1, i) for i in k], float)
    x = np.asarray(x, float)[:, None]
    return weights * x**k * (1.0 - x) ** (count - 1 - k)


def half_thickness_basis(x: Floats, count: int) -> Floats:
    """(n, count) ordinates of the half thickness at ``x`` (n,) for unit weights."""
    x = np.asarray(x, float)
    return (np.sqrt(np.maximum(x, 0.0)) * (1.0 - x))[:, None] * bernstein(x, count)


def mean_line_basis(x: Floats, count: int) -> Floats:
    """(n, count) ordinates of the mean line at ``x`` (n,) for unit weights."""
    x = np.asarray(x, float)
    return (x * (1.0 - x))[:, None] * bernstein(x, count)


@dataclass(frozen=True, kw_only=True)
class SectionShape:
    """A section with unit chord: x from leading edge (0) to trailing edge (1), z to its upper side.

    "Upper" is the side that faces up on the car as mounted. The leading edge at (0, 0) is the
    point farthest from the middle of the trailing edge at (1, 0), because the tangent there
    stands square to the chord line.

    Attributes:
        half_thickness: (k,) weights, see ``half_thickness_basis``.
        mean_line: (j,) weights, see ``mean_line_basis``; positive camber bulges to the upper side.
        trailing_edge: thickness of the blunt trailing edge over the chord.
    """

    half_thickness: Floats
    mean_line: Floats
    trailing_edge: float

    def surfaces(self, x: Floats) -> tuple[Floats, Floats]:
        """Ordinates z/chord of the upper and the lower surface at ``x`` (n,) in 0..1."""
        x = np.asarray(x, float)
        mean = mean_line_basis(x, len(self.mean_line)) @ self.mean_line
        half = half_thickness_basis(x, len(self.half_thickness)) @ self.half_thickness + 0.5 * self.trailing_edge * x
        return mean + half, mean - half

    def contour(self, count: int) -> Floats:
        """(2 count - 1, 2) points: trailing edge, over the upper side, nose, lower side, trailing edge.

        Spaced by the cosine rule, so that nose and tail are fine.
        """
        x = cosine_spaced(count)
        up, low = self.surfaces(x)
        return np.concatenate([np.column_stack([x, up])[::-1], np.column_stack([x, low])[1:]])

    def thickness(self) -> tuple[float, float]:
        """Largest thickness over the chord (measured square to the chord line) and its place x."""
        x = cosine_spaced(801)
        up, low = self.surfaces(x)
        i = int(np.argmax(up - low))
        return float(up[i] - low[i]), float(x[i])

    def camber(self) -> tuple[float, float]:
        """Largest offset of the mean line over the chord, positive towards the upper side, and its place x."""
        x = cosine_spaced(801)
        mean = mean_line_basis(x, len(self.mean_line)) @ self.mean_line
        i = int(np.argmax(np.abs(mean)))
        return float(mean[i]), float(x[i])

    def turned_over(self) -> SectionShape:
        """The shape reflected in its chord line: upper and lower sides change places."""
        return SectionShape(
            half_thickness=self.half_thickness, mean_line=-self.mean_line, trailing_edge=self.trailing_edge
        )


def cosine_spaced(count: int) -> Floats:
    """(count,) places from 0 to 1, closer towards both ends."""
    return 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, count)))


def shape_from_ordinates(upper: Floats, lower: Floats, thickness_count: int = 6, mean_count: int = 6) -> SectionShape:
    """The shape that meets given ordinates best, by linear least squares.

    Args:
        upper, lower: (n, 2) and (m, 2) points (x, z) over the chord, x in 0..1, chord line on the x axis.
        thickness_count, mean_count: numbers of weights.
    """
    x = np.concatenate([upper[:, 0], lower[:, 0]])
    side = np.concatenate([np.ones(len(upper)), -np.ones(len(lower))])[:, None]
    matrix = np.hstack(
        [side * half_thickness_basis(x, thickness_count), mean_line_basis(x, mean_count), 0.5 * side * x[:, None]]
    )
    weights = np.linalg.lstsq(matrix, np.concatenate([upper[:, 1], lower[:, 1]]), rcond=None)[0]
    return SectionShape(
        half_thickness=weights[:thickness_count],
        mean_line=weights[thickness_count:-1],
        trailing_edge=float(weights[-1]),
    )


def blend(a: SectionShape, b: SectionShape, share: float) -> SectionShape:
    """The shape ``share`` (0..1) of the way from ``a`` to ``b``; both have as many weights."""
    return SectionShape(
        half_thickness=(1.0 - share) * a.half_thickness + share * b.half_thickness,
        mean_line=(1.0 - share) * a.mean_line + share * b.mean_line,
        trailing_edge=(1.0 - share) * a.trailing_edge + share * b.trailing_edge,
    )
