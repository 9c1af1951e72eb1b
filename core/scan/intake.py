"""A scan taken in: units set, size checked, rubbish removed."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh, check_mesh, face_normals
from ..units import UNIT_METRES
from .topology import BLOCK, consistent, edge_pairs, first_equal, pieces, rim_loops

Tick = Callable[[float, str], None]
"""Told the share done, 0 to 1, and what is being done, a few times a second; it may raise to call the work off."""

SMALLEST_M, LARGEST_M = 0.3, 12.0
"""Extent of anything worth scanning here, from a wing element's half to a whole car. Common practice, no source."""
USUAL_M = 1.8
"""Extent of half a car's rear, the usual scan. Common practice, no source."""
FLAT = 1e-12
"""Twice a face's area over the square of its longest edge at which, but for rounding, it is a line."""
SPECK_FACES = 200
"""Small pieces of fewer faces are specks; a real piece of a hand-held scan has thousands.

Common practice, no source."""
SPECK_M = 0.02
"""Pieces longer than this are no specks, however few their faces: the blunt base of a trailing edge, scanned coarsely
and apart from both sides, is a strip of a few dozen. Common practice, no source."""


LIKELY_M = ((1.2, "a wing or a part of one"), (2.6, "half a car's rear"), (LARGEST_M, "a car"))
"""What a scan of up to each length usually is. Common practice, no source."""
_UNIT_WORDS = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches"}


@dataclass(frozen=True)
class CleanUp:
    """What was removed from a scan, in faces, and what was left.

    Attributes:
        specks, speck_pieces: faces of small floating pieces, and how many such pieces.
        duplicates, without_area: faces that another face repeats, and faces that are a line or a point.
        turned: faces turned to agree with their neighbours.
        open_edges: edges of one face only.
        holes: connected loops of open edges: the holes and the outer borders, which a mesh does not tell apart.
        longest_rim_m: length of the longest loop; on an open scan its outer border.
        welded: points merged into another at the very same place.
    """

    specks: int
    speck_pieces: int
    duplicates: int
    without_area: int
    turned: int
    open_edges: int
    holes: int
    longest_rim_m: float
    welded: int

    @property
    def sentence(self) -> str:
        """One line for the person at the screen."""
        rims = f", the longest {self.longest_rim_m:.2f} m round" if self.holes else ""
        return (
            f"Merged {_counted(self.welded, 'doubled point')}; removed {_counted(self.specks, 'face')} in "
            f"{_counted(self.speck_pieces, 'speck')}, {self.duplicates} duplicate and "
            f"{_counted(self.without_area, 'empty face')}; turned {_counted(self.turned, 'flipped one')}; "
            f"left alone: {self.holes} hole{'s and borders' if self.holes != 1 else ' or border'} "
            f"({_counted(self.open_edges, 'open edge')}{rims})."
        )


def fitting_units(points: NDArray[np.float64]) -> list[str]:
    """The units in which ``points`` (n, 3) have the size of a car or a part of one, likeliest first.

    That is the one that brings the extent nearest to ``USUAL_M`` on a logarithmic scale.
    """
    extent = _extent(points)
    fitting = [u for u, metres in UNIT_METRES.items() if SMALLEST_M <= extent * metres <= LARGEST_M]
    return sorted(fitting, key=lambda u: abs(math.log(extent * UNIT_METRES[u] / USUAL_M)))


def guess_unit(points: NDArray[np.float64]) -> str | None:
    """The likeliest unit of ``points`` (n, 3): "mm", "cm", "m" or "in"; None if none fits."""
    return next(iter(fitting_units(points)), None)


def unit_sentence(points: NDArray[np.float64]) -> str:
    """The guess for ``points`` (n, 3) in scan units and how sure it is, in one line for the person at the screen."""
    extent = _extent(points)
    units = fitting_units(points)
    longest = f"Longest side {extent:.4g} scan units"
    if not units:
        return f"{longest}: no usual unit makes that a car or a part of one; look at what was exported."
    lengths = [extent * UNIT_METRES[u] for u in units]
    likely = next(words for limit, words in LIKELY_M if lengths[0] <= limit)
    others = " or ".join(f"{_UNIT_WORDS[u]} ({m:.2f} m)" for u, m in zip(units[1:], lengths[1:], strict=True))
    tail = f"{others} would be possible, too: check it." if others else "no other unit fits."
    return f"{longest}: {_UNIT_WORDS[units[0]]} make it {lengths[0]:.2f} m, the size of {likely}; {tail}"


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


def take_in(mesh: TriMesh, unit: str, what: str, tick: Tick | None = None) -> TriMesh:
    """The scan in metres, about its own origin.

    Args:
        mesh: as imported, scan units; it is not changed.
        unit: "mm", "cm", "m" or "in".
        what: its name, for the messages.
        tick: hears how far it is.

    Raises:
        InputError: it is no usable mesh (see ``check_mesh``) or has the wrong size (see ``check_size``).
    """
    tell = tick or _quiet
    tell(0.0, "looking at the coordinates")
    check_mesh(mesh, what)
    tell(0.5, "setting the unit")
    check_size(mesh.points, unit, what)
    return TriMesh(mesh.points * UNIT_METRES[unit], mesh.triangles)


def clean(
    mesh: TriMesh, speck_faces: int = SPECK_FACES, tick: Tick | None = None
) -> tuple[TriMesh, NDArray[np.int32], CleanUp]:
    """Doubled points merged, specks, duplicate and empty faces off, normals made consistent; holes are left alone.

    Points are merged where their coordinates are equal as single-precision numbers, which files hold: exporters
    double them along seams and some at every face, and without merging no face has a neighbour there.

    Args:
        mesh: a scan, m; it is not changed.
        speck_faces: pieces with fewer faces than this go, unless they are longer than ``SPECK_M``.
        tick: hears how far it is.

    Returns:
        The cleaned mesh, the (k,) numbers of the faces it keeps, and the counts.

    Raises:
        InputError: nothing would be left.
    """
    tell = tick or _quiet
    tell(0.0, "merging doubled points")
    same = first_equal(_single(mesh.points), lambda s: tell(0.2 * s, "merging doubled points"))
    welded = len(same) - int(np.count_nonzero(same == np.arange(len(same), dtype=np.int32)))
    triangles = same[mesh.triangles] if welded else mesh.triangles
    keep = np.empty(len(triangles), bool)
    for start in range(0, len(triangles), BLOCK // 4):
        tell(0.2 + 0.1 * start / len(triangles), "looking for empty faces")
        corners = mesh.points[triangles[start : start + BLOCK // 4]]
        longest2 = ((corners - corners[:, [2, 0, 1]]) ** 2).sum(axis=2).max(axis=1)
        keep[start : start + BLOCK // 4] = 2.0 * face_normals(corners)[1] > FLAT * longest2
    without_area = len(keep) - int(np.count_nonzero(keep))
    ordered = np.sort(triangles, axis=1).view(np.uint32)
    same = first_equal(ordered, lambda s: tell(0.3 + 0.2 * s, "looking for duplicate faces"))
    del ordered
    tell(0.5, "looking for floating specks")
    duplicate = keep & (same != np.arange(len(same), dtype=np.int32))
    keep &= ~duplicate
    piece = np.zeros(len(keep), np.int32)
    piece[keep] = pieces(
        triangles[keep], len(mesh.points), lambda s: tell(0.5 + 0.1 * s, "looking for floating specks")
    )
    small = np.bincount(piece[keep]) < speck_faces
    few = np.flatnonzero(keep)[small[piece[keep]]]
    small[piece[few[_long(mesh.points[triangles[few]], piece[few])]]] = False
    specks = keep & small[piece] if len(small) else keep
    keep &= ~specks
    if not keep.any():
        raise InputError(
            f"Every piece of the scan is small and has fewer than {speck_faces} faces, so that all of it would go as "
            "specks; set a smaller speck size."
        )
    del same, piece
    tell(0.6, "finding neighbours and holes")
    kept = TriMesh(mesh.points, triangles).subset(keep)
    edges = edge_pairs(kept.triangles, lambda s: tell(0.6 + 0.3 * s, "finding neighbours and holes"))
    triangles, turned = consistent(
        kept.points, kept.triangles, edges, lambda s: tell(0.9 + 0.1 * s, "turning flipped faces")
    )
    rims = rim_loops(kept.points, edges[3])
    counts = CleanUp(
        specks=int(specks.sum()),
        speck_pieces=int(small.sum()),
        duplicates=int(duplicate.sum()),
        without_area=without_area,
        turned=turned,
        open_edges=len(edges[3]),
        holes=len(rims),
        longest_rim_m=float(rims[0]) if len(rims) else 0.0,
        welded=welded,
    )
    return TriMesh(kept.points, triangles), np.flatnonzero(keep).astype(np.int32), counts


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


def _quiet(_share: float, _doing: str) -> None:
    pass


def _extent(points: NDArray[np.float64]) -> float:
    # Column by column: ten times faster than along the first axis.
    return max(float(np.ptp(points[:, k])) for k in range(3))


def _single(points: NDArray[np.float64]) -> NDArray[np.uint32]:
    """The bits of ``points`` (n, 3) in single precision about their middle, where they lie the densest."""
    near = np.empty(points.shape, np.float32)
    for k in range(3):
        column = points[:, k]
        middle = 0.5 * (column.min(initial=np.inf) + column.max(initial=-np.inf))
        np.subtract(column, middle, out=near[:, k], casting="same_kind")
    near += np.float32(0.0)  # -0.0 and 0.0 are one place
    return near.view(np.uint32)


def _long(corners: NDArray[np.float64], piece: NDArray[np.int32]) -> NDArray[np.bool_]:
    """(k,) whether the piece that each face ``corners`` (k, 3, 3) belongs to is longer than ``SPECK_M``."""
    if len(piece) == 0:
        return np.zeros(0, bool)
    order = np.argsort(piece, kind="stable")
    start = np.flatnonzero(np.diff(piece[order], prepend=-1))
    low = np.minimum.reduceat(corners.min(axis=1)[order], start)
    high = np.maximum.reduceat(corners.max(axis=1)[order], start)
    long = np.empty(len(piece), bool)
    long[order] = np.repeat(np.linalg.norm(high - low, axis=1) > SPECK_M, np.diff(start, append=len(piece)))
    return long
