"""The body scan with its named zones, as it passes to the later rooms."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Zone:
    """A named part of the body that a wing must keep clear of.

    Attributes:
        name: as shown to people.
        required_m: the clearance asked for.
        reason: why that much.
    """

    name: str
    required_m: float
    reason: str


@dataclass(frozen=True)
class ScanMesh:
    """A scan in vehicle axes.

    Attributes:
        mesh: its triangles, m.
        zones: the named zones.
        zone_of_face: (m,) int32, index into ``zones``; -1 for faces in none.
    """

    mesh: TriMesh
    zones: tuple[Zone, ...]
    zone_of_face: NDArray[np.int32]


ZONE_DEFAULTS = {
    # Required clearances are common practice, no source: starting values that the user sets.
    "boot lid": (0.015, "lid seal movement, and flutter and deflection under load"),
    "tail lamp left": (0.020, "lamp service access: lens and bulbs come out with the wing in place"),
    "tail lamp right": (0.020, "lamp service access: lens and bulbs come out with the wing in place"),
    "high stop lamp": (0.020, "lamp service access: lens and bulbs come out with the wing in place"),
    "rear window": (0.025, "flutter and deflection under load: glass must never be touched; room to clean"),
    "number plate": (0.010, "paint and fit-up: the plate stays legible and can be taken off"),
    "bumper": (0.015, "paint and fit-up, and the bumper's own travel"),
    "fuel flap": (0.020, "paint and fit-up: the flap opens and a hand goes round it"),
    "rest of the body": (0.005, "paint and fit-up"),
    "aerial": (0.030, "flutter and deflection under load, of the aerial as well"),
}

REACH_M = 0.003
"""How far the two sides of a car may differ and still be each other's image: common practice, no source."""


def zone_named(name: str) -> Zone:
    """A zone with the customary clearance for its name; 15 mm for names of the user's own."""
    required, reason = ZONE_DEFAULTS.get(name, (0.015, "paint and fit-up"))
    return Zone(name, required, reason)


def share_in_none(zone_of_face: NDArray[np.int32], areas: NDArray[np.float64]) -> float:
    """The share of the surface that belongs to no zone, 0 to 1.

    Args:
        zone_of_face: (m,) -1 for faces in none.
        areas: (m,) of the faces, in any unit.
    """
    whole = float(areas.sum())
    return float(areas[zone_of_face < 0].sum()) / whole if whole > 0.0 else 0.0


def mirrored_name(name: str) -> str:
    """The name of the same zone on the other side: the words “left” and “right” change places.

    Raises:
        InputError: the name has neither.
    """
    other = {"left": "right", "Left": "Right", "LEFT": "RIGHT"}
    other |= {new: old for old, new in other.items()}
    words = rf"(?<![^\W\d_])({'|'.join(other)})(?![^\W\d_])"
    new, count = re.subn(words, lambda word: other[word[0]], name)
    if count == 0:
        raise InputError(f"Zone “{name}” says neither “left” nor “right”; name the side, so that it can be mirrored.")
    return new


def mirrored_faces(mesh: TriMesh, chosen: Bools, reach_m: float | None = None) -> Bools:
    """The faces on the other side of the car (y to -y) that correspond to the chosen ones.

    A face belongs when the mirror image of its middle lies within reach of a chosen face and no other face is nearer
    to it. The two sides may be meshed differently; where the other side was not scanned, no face belongs.

    Args:
        mesh: the scan in vehicle axes, m.
        chosen: (m,) bool.
        reach_m: how far the sides may differ; None takes the larger of ``REACH_M`` and half a typical edge.

    Returns:
        (m,) bool.

    Raises:
        InputError: not one mark a face, no face chosen, points that are no numbers, or a reach that is no length.
    """
    if chosen.shape != (len(mesh.triangles),):
        raise InputError(f"{chosen.size} marks were given for {len(mesh.triangles)} faces; give one each.")
    if not chosen.any():
        raise InputError("No face is chosen, so there is nothing to mirror; choose the faces of one side first.")
    corners = mesh.points[mesh.triangles[chosen]]
    if reach_m is None:
        edge = float(np.median(np.linalg.norm(corners - corners[:, [1, 2, 0]], axis=2)))
        reach_m = max(REACH_M, 0.5 * edge)
    if not 0.0 < reach_m < np.inf:
        raise InputError("How far the two sides may differ must be a length above 0 mm.")
    low, high = corners.min(axis=(0, 1)) - reach_m, corners.max(axis=(0, 1)) + reach_m
    near = _meeting(mesh, low, high)
    flip = np.array([1.0, -1.0, 1.0])
    faces = _meeting(mesh, *np.sort([low * flip, high * flip], axis=0))
    middle = mesh.points[mesh.triangles[faces]].mean(axis=1) * flip
    index = TriangleIndex.build(TriMesh(mesh.points, mesh.triangles[near]))
    _, found, _ = index.nearest(middle, reach_m)
    there = found >= 0
    mirrored = np.zeros(len(chosen), bool)
    mirrored[faces[there]] = chosen[near[found[there]]]
    return mirrored


def _meeting(mesh: TriMesh, low: NDArray[np.float64], high: NDArray[np.float64]) -> NDArray[np.intp]:
    """Numbers of the faces whose own boxes meet the box ``low``, ``high`` (3,) m."""
    # One bit a side of the box that a point lies beyond: a face is off where its three points share one.
    beyond = np.zeros(len(mesh.points), np.uint8)
    for k in range(3):
        beyond |= (mesh.points[:, k] < low[k]).astype(np.uint8) << np.uint8(2 * k)
        beyond |= (mesh.points[:, k] > high[k]).astype(np.uint8) << np.uint8(2 * k + 1)
    a, b, c = (beyond[mesh.triangles[:, k]] for k in range(3))
    return np.flatnonzero(a & b & c == 0)
