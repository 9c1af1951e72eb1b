"""Which side of a scan is its outside, told by the sky."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, face_normals
from ..geometry.rays import any_hit
from ..geometry.signed import triangle_areas
from .topology import connected, edge_pairs, numbered

Floats = NDArray[np.float64]

SURE, PIECE_SURE = 0.1, 0.15
"""A surface is turned when its back sees that much more of the sky than its front, in shares of all that is looked at;
the whole, and one piece of it."""
_PLACES, _FEW, _WAYS = 2048, 256, 6
_LOWEST = 0.35  # sine of the lowest look: what lies at the horizon is other cars
_FLAT = 0.1  # looks nearer to the surface's plane than this cosine tell neither side
_START_M = 0.002  # beyond a scanner's noise


def turned_outward(mesh: TriMesh, index: TriangleIndex | None = None) -> tuple[TriMesh, int]:
    """A scan of a car in vehicle axes with its outside out, so that signs and edges can rest on it.

    From places spread evenly over the surface it is looked up to the sky: the side that sees more of it is the outside.
    Open scans, halves and the floor are judged rightly by that, and hollows such as a deck before a window, which rays
    all round would take for an inside. Each piece whose faces are wound alike across their edges is judged by itself,
    doubtful ones together; what sees as much from either side, such as an upright sheet, is left as it is. A scan of an
    underside alone would be turned.

    1.0 M triangles take about 1.6 s on one core.

    Args:
        mesh: m, z up, neighbours already wound alike as by ``intake.clean``; it is not changed.
        index: over ``mesh``, where there is one.

    Returns:
        The mesh, and how many faces were turned: 0 hands on ``mesh`` itself.

    Raises:
        InputError: no faces, or coordinates that are not numbers.
    """
    face, seen = _looks(mesh, index or TriangleIndex.build(mesh), _PLACES)
    first, second, agree, _ = edge_pairs(mesh.triangles)
    piece, count = numbered(connected(first[agree], second[agree], len(mesh.triangles)))
    sky, looks = np.bincount(piece[face], seen, count), np.bincount(piece[face], minlength=count)
    # Few looks are a poor sample, and a piece alone a poor one of the car. The doubtful go together, or with the whole.
    sure = np.abs(sky) > PIECE_SURE * looks + 0.5 * np.sqrt(looks)
    rest, share = sky[~sure].sum(), SURE * looks[~sure].sum()
    rest_back = rest < -share or (rest < share and sky.sum() < -SURE * len(face))
    turn = np.where(sure, sky < 0.0, rest_back)[piece]
    if not turn.any():
        return mesh, 0
    triangles = np.where(turn[:, None], mesh.triangles[:, [0, 2, 1]], mesh.triangles).astype(np.int32)
    return TriMesh(mesh.points, triangles), int(turn.sum())


def is_inside_out(mesh: TriMesh, index: TriangleIndex) -> bool:
    """Whether a scan in vehicle axes as a whole is turned inside out, as ``turned_outward`` judges, from fewer places.

    1.0 M triangles take about 0.1 s on one core.

    Args:
        mesh: m, z up.
        index: over ``mesh``.
    """
    return float(_looks(mesh, index, _FEW)[1].mean()) < -SURE


def _looks(mesh: TriMesh, index: TriangleIndex, places: int) -> tuple[NDArray[np.intp], Floats]:
    """(n,) faces looked from, spread evenly by area, and (n,) how much more sky their front sees than their back."""
    area = np.cumsum(triangle_areas(mesh))
    if not area[-1] > 0.0:
        return np.zeros(1, np.intp), np.zeros(1)
    face = np.searchsorted(area, (np.arange(places) + 0.5) / places * area[-1])
    corners = mesh.points[mesh.triangles[face]]
    middle, normal = corners.mean(axis=1), face_normals(corners)[0]
    # A spiral evenly over the sky, begun elsewhere at each place (R. Swinbank and R. J. Purser, 2006; from memory).
    turn = np.pi * (3.0 - np.sqrt(5.0)) * np.arange(places * _WAYS).reshape(places, _WAYS)
    high = _LOWEST + (1.0 - _LOWEST) * (np.arange(_WAYS) + 0.5) / _WAYS
    flat = np.sqrt(1.0 - high**2)
    way = np.stack([flat * np.cos(turn), flat * np.sin(turn), np.broadcast_to(high, turn.shape)], axis=2)
    side = np.einsum("nwk,nk->nw", way, normal)
    start = np.repeat(middle, _WAYS, axis=0)
    free = ~any_hit(index, start, way.reshape(-1, 3), np.inf, _START_M).reshape(side.shape)
    return face, np.where(free & (np.abs(side) > _FLAT), np.sign(side), 0.0).mean(axis=1)
