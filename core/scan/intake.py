"""A scan taken in: units set, size checked, rubbish removed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh, check_mesh, face_normals
from ..units import UNIT_METRES
from .topology import consistent, edge_pairs, pieces

SMALLEST_M, LARGEST_M = 0.3, 12.0
"""Extent of anything worth scanning here, from a wing element's half to a whole car. Common practice, no source."""
USUAL_M = 1.8
"""Extent of half a car's rear, the usual scan. Common practice, no source."""
FLAT = 1e-12
"""Twice a face's area over the square of its longest edge at which, but for rounding, it is a line."""
SPECK_FACES = 200
"""Floating pieces of fewer faces are specks; a real piece of a hand-held scan has thousands.

Common practice, no source."""


@dataclass(frozen=True)
class CleanUp:
    """What was removed from a scan, in faces, and what was left."""

    specks: int
    speck_pieces: int
    duplicates: int
    without_area: int
    turned: int
    open_edges: int

    @property
    def sentence(self) -> str:
        """One line for the person at the screen."""
        return (
            f"Removed {self.specks} faces in {self.speck_pieces} specks, {self.duplicates} duplicate and "
            f"{self.without_area} empty faces; turned {self.turned} flipped ones; "
            f"{self.open_edges} open edges (rim and holes) left alone."
        )


def guess_unit(points: NDArray[np.float64]) -> str | None:
    """The unit in which ``points`` (n, 3) have the size of a car's rear: "mm", "cm", "m" or "in"; None if in none.

    The extent nearest to ``USUAL_M`` on a logarithmic scale wins.
    """
    extent = _extent(points)
    fitting = [u for u, metres in UNIT_METRES.items() if SMALLEST_M <= extent * metres <= LARGEST_M]
    return min(fitting, key=lambda u: abs(math.log(extent * UNIT_METRES[u] / USUAL_M)), default=None)


def check_size(points: NDArray[np.float64], unit: str, what: str) -> None:
    """Refuse a scan that is no car part at the unit given.

    Args:
        points: (n, 3) in scan units.
        unit: "mm", "cm", "m" or "in".
        what: its name, for the message.

    Raises:
        InputError: the extent is far from a car's; the message names the unit that would fit.
    """
    size = _extent(points) * UNIT_METRES[unit]
    if SMALLEST_M <= size <= LARGEST_M:
        return
    fitting = guess_unit(points)
    hint = f"It looks like {fitting}: set the scan unit to {fitting}." if fitting else "No usual unit fits it."
    raise InputError(f"Taken as {unit}, {what} is {size * 1000.0:.3g} mm long, which is no part of a car. {hint}")


def take_in(mesh: TriMesh, unit: str, what: str) -> TriMesh:
    """The scan in metres, about its own origin.

    Raises:
        InputError: it is no usable mesh (see ``check_mesh``) or has the wrong size (see ``check_size``).
    """
    check_mesh(mesh, what)
    check_size(mesh.points, unit, what)
    return TriMesh(mesh.points * UNIT_METRES[unit], mesh.triangles)


def clean(mesh: TriMesh, speck_faces: int = SPECK_FACES) -> tuple[TriMesh, NDArray[np.int32], CleanUp]:
    """Specks, duplicate and empty faces off, normals made consistent; holes are left alone.

    Args:
        mesh: a scan, m.
        speck_faces: pieces with fewer faces than this go.

    Returns:
        The cleaned mesh, the (k,) numbers of the faces it keeps, and the counts.

    Raises:
        InputError: nothing would be left.
    """
    ordered = np.sort(mesh.triangles, axis=1)
    corners = mesh.corners
    longest2 = ((corners - np.roll(corners, 1, axis=1)) ** 2).sum(axis=2).max(axis=1)
    empty = 2.0 * face_normals(corners)[1] <= FLAT * longest2
    repeated = _repeats(ordered, len(mesh.points)) & ~empty
    keep = ~(empty | repeated)
    piece = np.full(len(keep), -1, np.int32)
    piece[keep] = pieces(mesh.triangles[keep], len(mesh.points))
    size = np.bincount(piece[keep]) if keep.any() else np.zeros(0, int)
    small = size < speck_faces
    specks = keep & small[piece] if len(size) else keep
    keep &= ~specks
    if not keep.any():
        raise InputError(
            f"Every piece of the scan has fewer than {speck_faces} faces, so all of it would go as specks; "
            "set a smaller speck size."
        )
    kept = mesh.subset(keep)
    triangles, turned = consistent(kept.points, kept.triangles)
    _, _, _, rim = edge_pairs(triangles)
    counts = CleanUp(
        specks=int(specks.sum()),
        speck_pieces=int(small.sum()),
        duplicates=int(repeated.sum()),
        without_area=int(empty.sum()),
        turned=turned,
        open_edges=len(rim),
    )
    return TriMesh(kept.points, triangles), np.flatnonzero(keep).astype(np.int32), counts


def _extent(points: NDArray[np.float64]) -> float:
    return float(np.ptp(points, axis=0).max())


def _repeats(ordered: NDArray[np.int32], point_count: int) -> NDArray[np.bool_]:
    """Faces whose three points another face before them has."""
    low = ordered[:, 0].astype(np.int64) * point_count + ordered[:, 1]
    order = np.lexsort((ordered[:, 2], low))
    same = (low[order][1:] == low[order][:-1]) & (ordered[order, 2][1:] == ordered[order, 2][:-1])
    repeated = np.zeros(len(ordered), bool)
    repeated[order[1:][same]] = True
    return repeated
