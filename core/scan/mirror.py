"""The missing half of a scan, from the half that is there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, face_normals
from .topology import edge_pairs

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SNAP_M = 2e-5
"""Points this near the centre plane are moved onto it: below any hand-held scanner's noise."""
BRIDGE_M = 0.003
"""Where the rim stands short of the centre plane by no more than this, it is moved onto it: a scan's coarser edges."""
NEAR_M = 0.03
"""Rims within this of the centre plane that face it belong to the seam; others are holes of the half itself."""

OVERLAP_M = 0.01
"""What lies past the plane is compared with the mirror image no farther off than this: beyond, it is another part."""


@dataclass(frozen=True)
class Spread:
    """How large distances are: median, 95th percentile and largest, m; all 0 where there are none."""

    median_m: float
    p95_m: float
    max_m: float

    @staticmethod
    def of(values: Floats, weights: Floats) -> Spread:
        """Of ``values`` (n,) m, counted by ``weights`` (n,)."""
        if len(values) == 0 or weights.sum() <= 0.0:
            return Spread(0.0, 0.0, 0.0)
        order = np.argsort(values)
        share = (np.cumsum(weights[order]) - 0.5 * weights[order]) / weights.sum()
        median, p95 = np.interp([0.5, 0.95], share, values[order])
        return Spread(float(median), float(p95), float(values.max()))

    def __str__(self) -> str:
        median, p95, most = (1000.0 * v for v in (self.median_m, self.p95_m, self.max_m))
        return f"{median:.2f} mm (median), {p95:.2f} mm (95 %), {most:.2f} mm at most"


@dataclass(frozen=True)
class Seam:
    """How the two halves met.

    Attributes:
        joined_m: length of the edges on the plane that both halves share.
        bridged_m: the part of it where the rim stood short and was moved onto the plane.
        open_m: length of the rims facing the plane that stand farther off and were left.
        gap: how far those rims, bridged or left, stood short of the plane; from half to half it is twice that.
        past_m: how far the scan reached past the plane; that part was left off.
        overlap: how far what lay past the plane was from the mirror image of the kept half.
        overlap_count: points that this was measured at; 0 where the scan ends at the plane.
    """

    joined_m: float
    bridged_m: float
    open_m: float
    gap: Spread
    past_m: float
    overlap: Spread
    overlap_count: int

    @property
    def sentence(self) -> str:
        """The seam in a few words for the person at the screen."""
        text = f"Seam: {self.joined_m:.2f} m closed"
        if self.bridged_m > 0.0:
            text += f" ({self.bridged_m:.2f} m of it bridged)"
        text += f", {self.open_m:.2f} m left open."
        if self.gap.max_m > 0.0:
            text += f" The edge stood short of the centre plane by {self.gap}."
        if self.overlap_count:
            text += (
                f" The scan reached {self.past_m * 1000.0:.0f} mm past the plane, where it is off the mirror image by "
                f"{self.overlap}."
            )
        return text


def mirror_half(mesh: TriMesh, half: str, bridge_m: float = BRIDGE_M) -> tuple[TriMesh, Seam]:
    """Both halves in one, joined along y = 0, and how they met there.

    Faces are cut where they cross the centre plane, what lies past it is left off, and the mirror
    image shares the points on the plane, so the seam is closed wherever the scan reaches it. Where the
    rim faces the plane and stands short of it by ``bridge_m`` or less, its points are moved across
    onto the plane (y only), unless that would fold a face over; wider gaps are left open and counted.

    Args:
        mesh: scan in vehicle axes, m.
        half: "left" (y > 0 kept) or "right".
        bridge_m: the widest gap to bridge, m, at most 30 mm (``NEAR_M``); 0 bridges none.

    Raises:
        InputError: ``half`` is neither, nothing was scanned on that side, or ``bridge_m`` is out of range.
    """
    if half not in ("left", "right"):
        raise InputError(f"The scanned half is “left” or “right”, not “{half}”.")
    if not 0.0 <= bridge_m <= NEAR_M:
        raise InputError(
            f"The seam can be bridged over 0 to {NEAR_M * 1000.0:.0f} mm, not over {bridge_m * 1000.0:g} mm."
        )
    sign = 1.0 if half == "left" else -1.0
    kept = _clipped(mesh, sign)
    if len(kept.triangles) == 0:
        raise InputError(f"None of the scan lies {half} of the centre plane, so there is nothing to mirror.")
    past_m, overlap, count = _overlap(mesh, kept, sign)
    short = _facing_rim(kept, sign)
    gap, gap_length = _gaps(kept, short, sign)
    kept, bridged = _bridged(kept, short, sign, bridge_m)
    on_plane = kept.points[:, 1] == 0.0
    rim = edge_pairs(kept.triangles[on_plane[kept.triangles].any(axis=1)])[3]
    joined = rim[on_plane[rim].all(axis=1)]
    left_over = _gaps(kept, _facing_rim(kept, sign), sign)[1]
    seam = Seam(
        joined_m=_length(kept.points[joined]),
        bridged_m=_length(kept.points[joined[bridged[joined].any(axis=1)]]),
        open_m=float(left_over.sum()),
        gap=Spread.of(gap, gap_length),
        past_m=past_m,
        overlap=overlap,
        overlap_count=count,
    )
    return _with_image(kept), seam


def left_half(mesh: TriMesh) -> Bools:
    """(m,) bool: the faces left of the centre plane, which no face of a mirrored scan crosses."""
    return np.asarray(mesh.corners[:, :, 1].mean(axis=1) > 0.0)


def _with_image(kept: TriMesh) -> TriMesh:
    on_plane = kept.points[:, 1] == 0.0
    count = len(kept.points)
    image_of = np.arange(count, dtype=np.int32)
    image_of[~on_plane] = count + np.arange(count - int(on_plane.sum()), dtype=np.int32)
    image = kept.points[~on_plane] * [1.0, -1.0, 1.0]
    mirrored = image_of[kept.triangles][:, [0, 2, 1]]
    return TriMesh(np.concatenate([kept.points, image]), np.concatenate([kept.triangles, mirrored]))


def _facing_rim(kept: TriMesh, sign: float) -> NDArray[np.int32]:
    """(k, 2) rim edges off the plane, near it, whose face lies behind them as seen from the plane."""
    y = sign * kept.points[:, 1]
    triangles = kept.triangles[y[kept.triangles].min(axis=1) < NEAR_M]
    # Edges that near faces share with those beyond come out as rims here; both their ends are too far off to count.
    rim = edge_pairs(triangles)[3]
    rim = rim[(y[rim].max(axis=1) > 0.0) & (y[rim].min(axis=1) < NEAR_M)]
    if len(rim) == 0:
        return rim
    count = len(kept.points)
    edges = np.concatenate([triangles[:, [0, 1]], triangles[:, [1, 2]], triangles[:, [2, 0]]]).astype(np.int64)
    third = np.concatenate([triangles[:, 2], triangles[:, 0], triangles[:, 1]])
    key = edges[:, 0] * count + edges[:, 1]
    order = np.argsort(key)
    wanted = rim[:, 0].astype(np.int64) * count + rim[:, 1]
    behind = third[order[np.searchsorted(key[order], wanted)]]
    rim = rim[(y[behind] > y[rim].mean(axis=1)) & _runs_along(kept.points[rim])]
    return rim[~_covered(kept.points[rim].mean(axis=1), TriMesh(kept.points, triangles))]


def _covered(middle: Floats, near: TriMesh) -> Bools:
    """(k,) whether the surface goes on between the plane and ``middle`` (k, 3), as at the far border of a hole."""
    covered = np.zeros(len(middle), bool)
    if len(middle):
        index = TriangleIndex.build(near)
        for share in (0.15, 0.3, 0.45, 0.6, 0.75):
            there = middle * [1.0, share, 1.0]
            covered |= index.nearest(there)[0] < 0.1 * np.abs(middle[:, 1])
    return covered


def _runs_along(ends: Floats) -> Bools:
    """(k,) whether edges (k, 2, 3) run more along the plane than towards it."""
    run = ends[:, 1] - ends[:, 0]
    return np.asarray(np.abs(run[:, 1]) < np.hypot(run[:, 0], run[:, 2]))


def _gaps(kept: TriMesh, rim: NDArray[np.int32], sign: float) -> tuple[Floats, Floats]:
    """(k,) m from the plane to the middle of each edge; (k,) m length of each edge as seen on the plane."""
    ends = kept.points[rim]
    run = ends[:, 1] - ends[:, 0]
    return sign * ends[:, :, 1].mean(axis=1), np.hypot(run[:, 0], run[:, 2])


def _bridged(kept: TriMesh, rim: NDArray[np.int32], sign: float, reach: float) -> tuple[TriMesh, Bools]:
    """``kept`` with the points of ``rim`` within ``reach`` moved onto the plane; (n,) bool, which ones."""
    y = sign * kept.points[:, 1]
    moved = np.zeros(len(y), bool)
    moved[rim[(y[rim] <= reach).all(axis=1)]] = True
    moved &= y > 0.0
    if not moved.any():
        return kept, moved
    touched = np.flatnonzero(moved[kept.triangles].any(axis=1))
    triangles = kept.triangles[touched]
    before = face_normals(kept.points[triangles])[0]
    while True:
        points = kept.points.copy()
        points[moved, 1] = 0.0
        corners = points[triangles]
        flat = (corners[:, :, 1] == 0.0).all(axis=1)
        after, area = face_normals(corners)
        folded = ~flat & ((np.einsum("ij,ij->i", before, after) < 0.5) | (area <= 0.0))
        back = np.zeros(len(y), bool)
        back[triangles[folded]] = True
        if not (back & moved).any():
            break
        moved &= ~back
    keep = np.ones(len(kept.triangles), bool)
    keep[touched[flat]] = False
    used = np.zeros(len(y), bool)
    used[kept.triangles[keep]] = True
    return TriMesh(points, kept.triangles).subset(keep), moved[used]


def _overlap(mesh: TriMesh, kept: TriMesh, sign: float) -> tuple[float, Spread, int]:
    """How far the scan reached past the plane, m, and how far it is there from the image of ``kept``."""
    y = -sign * mesh.points[:, 1]
    used = np.zeros(len(y), bool)
    used[mesh.triangles] = True
    past = np.flatnonzero(used & (y > SNAP_M))
    if len(past) == 0:
        return 0.0, Spread(0.0, 0.0, 0.0), 0
    reach = float(y[past].max())
    past = past[y[past] < 2.0 * NEAR_M]
    near = kept.subset((sign * kept.points[kept.triangles, 1]).min(axis=1) < 3.0 * NEAR_M)
    image = mesh.points[past] * [1.0, -1.0, 1.0]
    distance, face, foot = TriangleIndex.build(near).nearest(image, OVERLAP_M)
    hit = np.flatnonzero(face >= 0)
    gap = np.abs(np.einsum("ij,ij->i", face_normals(near.corners)[0][face[hit]], image[hit] - foot[hit]))
    over = gap >= 0.85 * distance[hit]  # not past the rim of a hole
    gap = gap[over]
    return reach, Spread.of(gap, np.ones(len(gap))), len(gap)


def _length(ends: Floats) -> float:
    return float(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).sum())


def _clipped(mesh: TriMesh, sign: float) -> TriMesh:
    """The part with sign * y >= 0; triangles across the plane are cut along it."""
    points = mesh.points.copy()
    points[np.abs(points[:, 1]) < SNAP_M, 1] = 0.0
    y = sign * points[:, 1]
    inside = y > 0.0
    on = y == 0.0
    number = inside[mesh.triangles].sum(axis=1)
    lost = (~inside & ~on)[mesh.triangles].sum(axis=1)
    whole = mesh.triangles[(lost == 0) & (number > 0)]
    cut = mesh.triangles[(lost > 0) & (number > 0)]
    # Each edge from inside to outside gets one new point, shared by both its faces.
    pair = np.stack([cut, cut[:, [1, 2, 0]]], axis=2)
    crossing = inside[pair[..., 0]] & (y[pair[..., 1]] < 0.0) | (y[pair[..., 0]] < 0.0) & inside[pair[..., 1]]
    low, high = pair.min(axis=2).astype(np.int64), pair.max(axis=2).astype(np.int64)
    keys, place = np.unique((low * len(points) + high)[crossing], return_inverse=True)
    a, b = keys // len(points), keys % len(points)
    share = (y[a] / (y[a] - y[b]))[:, None]
    fresh = points[a] + share * (points[b] - points[a])
    fresh[:, 1] = 0.0
    edge_point = np.full(crossing.shape, -1, np.int64)
    edge_point[crossing] = len(points) + place
    rows = _fans(cut, inside | on, edge_point)
    every = np.concatenate([points, fresh])
    triangles = np.concatenate([whole, rows.astype(np.int32)])
    return TriMesh(every, triangles).subset(np.ones(len(triangles), bool))


def _fans(cut: np.ndarray, keep: np.ndarray, edge_point: np.ndarray) -> np.ndarray:
    """Triangles of the polygons that remain of ``cut``: kept corners and edge points in order, fanned."""
    corners = np.where(keep[cut], cut, -1)
    ring = np.stack([corners, edge_point], axis=2).reshape(-1, 6)
    # Move the -1 entries to the end of each row without changing the order of the others.
    order = np.argsort(ring < 0, axis=1, kind="stable")
    ring = np.take_along_axis(ring, order, axis=1)
    size = (ring >= 0).sum(axis=1)
    three = ring[size >= 3][:, [0, 1, 2]]
    four = ring[size >= 4][:, [0, 2, 3]]
    return np.concatenate([three, four])
