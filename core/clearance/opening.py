"""The boot lid opened: how near parts come to each other on the way, and where they first touch."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Part
from ..geometry.mesh import TriMesh
from .surroundings import Surroundings

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Hinge:
    """The axis the lid turns about.

    Attributes:
        point: (3,) m, on the axis.
        axis: (3,) unit; the lid opens by turning right-handed about it.
        rms_m: how well it is known, m; 0.0 for picked points.
    """

    point: Floats
    axis: Floats
    rms_m: float = 0.0

    def opened(self, angle_rad: float) -> Floats:
        """(4, 4) where the lid's points go when it is opened by ``angle_rad`` (Rodrigues' rotation)."""
        x, y, z = self.axis
        skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        matrix = np.eye(4)
        matrix[:3, :3] += np.sin(angle_rad) * skew + (1.0 - np.cos(angle_rad)) * skew @ skew
        matrix[:3, 3] = self.point - matrix[:3, :3] @ self.point
        return matrix


def hinge_between(first: Floats, second: Floats, lid: Floats) -> Hinge:
    """The axis through two picked points (3,) m, turned so that opening first raises the middle of ``lid`` (n, 3) m.

    Raises:
        InputError: points that coincide, or a lid whose middle lies straight above or below the axis.
    """
    raise NotImplementedError


def hinge_through(faces: TriMesh, lid: Floats) -> Hinge:
    """The axis of the round hinge (pin or knuckles) that ``faces`` were picked on; ``lid`` as in ``hinge_between``.

    Raises:
        InputError: too few faces, or faces that lie on no cylinder (their normals do not go round).
    """
    raise NotImplementedError


@dataclass(frozen=True)
class OpeningPair:
    """One thing that moves with the lid against one that stays.

    Attributes:
        part: the part's name.
        against: a zone, or another part.
        distance_m: (k,) m at ``Opening.angles_rad``; 0.0 where they touch or cross.
        contact_rad: first angle at which they touch, to ``Opening.tolerance_rad``; nan when they never do.
        least_m: smallest distance over the whole way, also between the samples.
        least_rad: where that is.
        on_part, on_other: (3,) m, the two points that are that near, with the lid opened by ``least_rad`` (what
            does not move with the lid stands as it is; what does is where it then stands).
    """

    part: str
    against: str
    distance_m: Floats
    contact_rad: float
    least_m: float
    least_rad: float
    on_part: Floats
    on_other: Floats


@dataclass(frozen=True)
class Opening:
    """The way from closed to fully open.

    Attributes:
        hinge: the axis.
        angles_rad: (k,) from 0 to the largest, rising; the curves' samples.
        pairs: all that can come near each other.
        tolerance_rad: to which contact angles hold.
    """

    hinge: Hinge
    angles_rad: Floats
    pairs: tuple[OpeningPair, ...]
    tolerance_rad: float

    @property
    def first(self) -> OpeningPair | None:
        """The pair that touches first, or None."""
        raise NotImplementedError

    @property
    def sentence(self) -> str:
        """What people need to know: how far the lid opens and what touches what, or what comes nearest where."""
        raise NotImplementedError


def opening(
    around: Surroundings,
    parts: Sequence[Part],
    poses: Sequence[Floats | None],
    rides: Sequence[bool],
    lid: str,
    hinge: Hinge,
    largest_rad: float,
    *,
    samples: int = 46,
    tolerance_rad: float = np.radians(0.05),
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> Opening:
    """Open the lid and follow all that may touch, by conservative advancement.

    A riding part turns with the lid and is followed against every other zone and every part that stays; the lid
    itself is followed against the parts that stay. A part that rides is not compared with the lid.

    Args:
        around: the body and its zones.
        parts: elements and mounts, as they stand with the lid closed when moved by ``poses``.
        poses: (4, 4) rigid each, or None.
        rides: for each part whether it rides on the lid.
        lid: the zone that opens.
        hinge: its axis.
        largest_rad: how far it is to open.
        samples: points of each curve.
        tolerance_rad: to which contact angles are found.
        tick: told how far it is (0..1); may raise to stop.

    Raises:
        InputError: no zone of that name, or an angle that is no way (not above 0, or beyond 180 degrees).
    """
    raise NotImplementedError
