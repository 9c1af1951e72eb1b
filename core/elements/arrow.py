"""A solid arrow that shows a force in the scene."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh
from .element import Element

_SIDES = 24
_HEAD_RADIUS = 2.4  # over the shaft's radius
_HEAD_LENGTH = 6.0  # over the shaft's radius, at most half the arrow


def arrow(start: NDArray[np.float64], vector: NDArray[np.float64], shaft_radius: float) -> TriMesh:
    """One closed shell: a round shaft from ``start`` with a cone whose point is ``start + vector``.

    Args:
        start: (3,) m, middle of the shaft's foot.
        vector: (3,) m, direction and whole length.
        shaft_radius: m.

    Raises:
        InputError: the vector has no length, or the radius is not above zero.
    """
    length = float(np.linalg.norm(vector))
    if not (0.0 < length < np.inf and 0.0 < shaft_radius < np.inf):
        raise InputError(f"An arrow {length:g} m long with a shaft radius of {shaft_radius:g} m cannot be drawn.")
    along = vector / length
    across = np.cross(along, np.eye(3)[int(np.argmin(np.abs(along)))])
    across /= np.linalg.norm(across)
    turn = np.linspace(0.0, 2.0 * np.pi, _SIDES, endpoint=False)[:, None]
    rim = np.cos(turn) * across + np.sin(turn) * np.cross(along, across)

    neck = length - min(_HEAD_LENGTH * shaft_radius, 0.5 * length)
    rings = [
        start + at * along + radius * rim
        for at, radius in ((0.0, shaft_radius), (neck, shaft_radius), (neck, _HEAD_RADIUS * shaft_radius))
    ]
    foot, point = 3 * _SIDES, 3 * _SIDES + 1
    here = np.arange(_SIDES)
    after = np.roll(here, -1)
    faces = [np.column_stack([after, here, np.full(_SIDES, foot)])]
    for low in (0, _SIDES):
        high = low + _SIDES
        faces += [np.column_stack([here + low, after + low, after + high])]
        faces += [np.column_stack([here + low, after + high, here + high])]
    faces += [np.column_stack([here + 2 * _SIDES, after + 2 * _SIDES, np.full(_SIDES, point)])]
    return TriMesh(
        np.concatenate([*rings, [start, start + vector]]).astype(np.float64), np.concatenate(faces).astype(np.int32)
    )


def force_arrow(
    point: NDArray[np.float64], force_n: float, place: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Start, vector and shaft radius for ``arrow``: upright, 1.5 mm a newton, between 200 mm and 350 mm long, so
    that its head stands clear of an element above.

    Lift rises from the element, downforce comes down onto it from above. Each arrow stands beside
    the point where the force acts, so that those of several elements do not hide each other.

    Args:
        point: (3,) m, where the force acts.
        force_n: N, positive up.
        place: the element's number, for the sideways step.
    """
    length = min(max(0.0015 * abs(force_n), 0.2), 0.35)
    beside = point + np.array([0.0, 0.16 * (-1.0) ** place * (1 + place // 2), 0.0])
    if force_n >= 0.0:
        return beside, np.array([0.0, 0.0, length]), 0.009
    return beside + np.array([0.0, 0.0, length]), np.array([0.0, 0.0, -length]), 0.009


def label_place(
    start: NDArray[np.float64], vector: NDArray[np.float64], elements: Sequence[Element]
) -> NDArray[np.float64]:
    """(3,) m: foot of the upper of two lines of writing that stand free above an arrow and all ``elements``."""
    top = max(e.leading_edge[2] + (e.end_plate.above_m if e.end_plate is not None else 0.0) for e in elements)
    return np.array([start[0], start[1], max(start[2], start[2] + vector[2], top) + 0.065])
