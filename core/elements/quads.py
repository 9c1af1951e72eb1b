"""Closed shells of quads, what each face belongs to, and how much they hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from ..geometry.mesh import TriMesh

Floats = NDArray[np.float64]
Faces = NDArray[np.int32]


class FacePart(IntEnum):
    """What a face belongs to."""

    SKIN = 0
    TIP = 1
    PLATE = 2
    CAVITY = 3


@dataclass(frozen=True)
class Shell:
    """One closed shell.

    Attributes:
        points: (n, 3) float64, metres.
        quads: (q, 4) int32, counter-clockwise seen from outside.
        wedges: (w, 3) int32, the three-cornered faces, wound the same way.
        parts: (q + w,) int32 ``FacePart`` of the quads, then of the wedges.
    """

    points: Floats
    quads: Faces
    wedges: Faces
    parts: Faces

    def as_cavity(self) -> Shell:
        """The shell turned inside out: material lies outside it, and all its faces are the cavity's."""
        parts = np.full(len(self.parts), FacePart.CAVITY, np.int32)
        return Shell(self.points, flipped(self.quads), flipped(self.wedges), parts)


@dataclass(frozen=True)
class QuadMesh:
    """Closed shells of quads, with triangles where a strip ends in a point or a plate's outline is not convex.

    Attributes:
        points: (n, 3) float64, metres.
        quads: (q, 4) int32, counter-clockwise seen from the air around or within.
        wedges: (w, 3) int32, the three-cornered faces, wound the same way.
        face_eta: (q + w,) place along the half span of the middle of each quad, then of each wedge: -1 (right
            tip) .. 1 (left tip); end plates have -1 and 1.
        face_part: (q + w,) int32 ``FacePart``, in the same order.
    """

    points: Floats
    quads: Faces
    wedges: Faces
    face_eta: Floats
    face_part: Faces

    def triangles(self) -> TriMesh:
        """Quad ``i`` becomes triangles 2 i and 2 i + 1; the wedges follow."""
        return _cut(self.points, self.quads, self.wedges)

    def outer_triangles(self) -> TriMesh:
        """The triangles that the air around the element touches: all but those of its cavities."""
        outer = self.face_part != FacePart.CAVITY
        if outer.all():
            return self.triangles()
        q = len(self.quads)
        # The cavities' points come last, so that the rest keep their numbers.
        quads, wedges = self.quads[outer[:q]], self.wedges[outer[q:]]
        return _cut(self.points[: quads.max() + 1], quads, wedges)

    def faces_hit(self, hits: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """(q + w,) the quads, then wedges, with a triangle in ``hits``, one value a triangle of ``outer_triangles``."""
        outer = self.face_part != FacePart.CAVITY
        quads = np.flatnonzero(outer[: len(self.quads)])
        wedges = len(self.quads) + np.flatnonzero(outer[len(self.quads) :])
        found = np.zeros(len(outer), bool)
        found[quads] = hits[: 2 * len(quads)].reshape(-1, 2).any(axis=1)
        found[wedges] = hits[2 * len(quads) :]
        return found


def joined(shells: Sequence[Shell], centre_y: float, half_span: float) -> QuadMesh:
    """All ``shells`` in one mesh, in order, points not merged.

    Args:
        centre_y: m, where the element's mid-span is.
        half_span: m.
    """
    offsets = np.cumsum([0] + [len(s.points) for s in shells], dtype=np.int32)
    points = np.concatenate([s.points for s in shells])
    quads = np.concatenate([s.quads + o for s, o in zip(shells, offsets, strict=False)])
    wedges = np.concatenate([s.wedges + o for s, o in zip(shells, offsets, strict=False)])
    of_quads = [s.parts[: len(s.quads)] for s in shells]
    of_wedges = [s.parts[len(s.quads) :] for s in shells]
    part = np.concatenate([*of_quads, *of_wedges])
    out = (points[:, 1] - centre_y) / half_span
    middle = np.concatenate([out[quads].mean(axis=1), out[wedges].mean(axis=1)])
    eta = np.where(part == FacePart.PLATE, np.sign(middle), np.clip(middle, -1.0, 1.0))
    return QuadMesh(points, quads, wedges, eta, part)


def volume_m3(mesh: QuadMesh) -> float:
    """Material inside the shells, m3, exact for their triangles: what cavities hold is taken off.

    An end plate's overlap with the tip (``PLATE_OVERLAP_M`` deep) counts twice. Method: divergence theorem,
    one tetrahedron a triangle.
    """
    triangles = mesh.triangles()
    # Volumes cancel best about a point amid the shells.
    a, b, c = (triangles.points - triangles.points.mean(axis=0))[triangles.triangles.T]
    return float(np.einsum("ij,ij->", a, np.cross(b, c))) / 6.0


def flipped(faces: NDArray[np.integer]) -> Faces:
    """Faces (n, k) wound the other way round from the same first corner, so that quads are cut along the same
    diagonal."""
    return np.roll(faces[:, ::-1], 1, axis=1).astype(np.int32)


def _cut(points: Floats, quads: Faces, wedges: Faces) -> TriMesh:
    halves = quads[:, [[0, 1, 2], [0, 2, 3]]].reshape(-1, 3)
    return TriMesh(points, np.concatenate([halves, wedges]))
