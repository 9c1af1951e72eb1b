"""Where the road and the centre plane lie in a scan, and the way from scan to vehicle axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, face_normals
from .topology import edge_pairs

Floats = NDArray[np.float64]

CLOSE_M = 0.005
"""Faces this near a first plane are tried for the final one: ten times a poor scanner's noise, a tenth of a kerb."""


@dataclass(frozen=True)
class Plane:
    """A plane ``normal . p = offset`` with what is known of it.

    Attributes:
        normal: (3,) unit; up for the road, to the scanned side for the centre plane.
        offset: m.
        rms_m, p95_m: distances of the points it was fitted to (for a mirror plane: of mirrored points
            to the surface they meet).
        offset_se_m: standard error of the offset; how weakly the place is held.
        turn_se_rad: standard error of the direction.
        count: points used.
    """

    normal: Floats
    offset: float
    rms_m: float
    p95_m: float
    offset_se_m: float
    turn_se_rad: float
    count: int


def find_road(mesh: TriMesh, rng_seed: int = 0) -> Plane:
    """The largest flat piece of the scan that has all the rest on one side: the floor the car stood on.

    Planes through neighbourhoods of random faces are tried on a sample, the best is fitted by least
    squares to all faces near it (M. A. Fischler and R. C. Bolles, CACM 24(6), 1981, with local
    neighbourhoods in place of triples).

    Args:
        mesh: cleaned scan, m, any pose.
        rng_seed: for the sample.

    Raises:
        InputError: no such piece; the floor was not scanned.
    """
    rng = np.random.default_rng(rng_seed)
    corners = mesh.corners
    middle, area = corners.mean(axis=1), face_normals(corners)[1]
    sample = middle[rng.choice(len(middle), 12000, p=area / area.sum())]
    reach = 0.06 * float(np.linalg.norm(np.ptp(sample, axis=0)))
    best: tuple[float, Floats, float] = (0.0, np.zeros(3), 0.0)
    for point in sample[:400]:
        near = sample[((sample - point) ** 2).sum(axis=1) < reach * reach]
        if len(near) < 8:
            continue
        normal, offset = _flat_fit(near)
        height = sample @ normal - offset
        if (height > 0.0).mean() < 0.5:
            normal, offset, height = -normal, -offset, -height
        inside = np.abs(height) < 0.002
        below = (height < -0.01).mean()
        score = float(inside.mean()) if below < 0.005 else 0.0
        if score > best[0]:
            best = (score, normal, offset)
    score, normal, offset = best
    if score < 0.02:
        raise InputError(
            "No road plane found: the scan has no flat piece with everything else above it. Scan a patch of "
            "the floor with the car, or select faces that lie parallel to the road and take the plane from them."
        )
    return road_from_points(middle[np.abs(middle @ normal - offset) < CLOSE_M], normal)


def road_from_points(points: Floats, up: Floats) -> Plane:
    """The plane of least squares through ``points`` (n, 3) m, those far off left out; ``up`` tells its upper side.

    Raises:
        InputError: fewer than 30 points.
    """
    if len(points) < 30:
        raise InputError(f"The road plane needs at least 30 faces; {len(points)} are selected.")
    keep = np.ones(len(points), bool)
    normal, offset = _flat_fit(points)
    for _ in range(6):
        height = points @ normal - offset
        scale = 1.4826 * float(np.median(np.abs(height - np.median(height))))
        keep = np.abs(height) <= max(4.0 * scale, 1e-6)
        normal, offset = _flat_fit(points[keep])
    if normal @ up < 0.0:
        normal, offset = -normal, -offset
    used = points[keep]
    height = np.abs(used @ normal - offset)
    rms = float(np.sqrt(np.mean(height**2)))
    spread = np.linalg.svd(used - used.mean(axis=0), compute_uv=False)
    return Plane(
        normal,
        offset,
        rms,
        float(np.percentile(height, 95.0)),
        rms / np.sqrt(len(used)),
        rms / float(spread[1]),
        len(used),
    )


def centre_plane_from_points(points: Floats, up: Floats, body: TriMesh) -> Plane:
    """The upright plane through points picked on the car's centre line.

    Args:
        points: (n, 3) m, at least two, well apart.
        up: (3,) the road's normal.
        body: the scan, to tell the scanned side.

    Raises:
        InputError: too few points, or too near each other to hold a direction.
    """
    if len(points) < 2:
        raise InputError(f"The centre plane needs at least two picked points; there are {len(points)}.")
    flat = points - (points @ up)[:, None] * up
    middle = flat.mean(axis=0)
    _, size, axes = np.linalg.svd(flat - middle, full_matrices=False)
    if size[0] < 0.1:
        raise InputError("The picked centre-line points stand nearer than 100 mm to each other; pick some far apart.")
    normal = np.cross(up, axes[0])
    side = np.sign(float(np.median(body.points @ normal)) - middle @ normal) or 1.0
    normal = side * normal / np.linalg.norm(normal)
    off = points @ normal
    offset = float(off.mean())
    gap = np.abs(off - offset - _tilt(points, off, axes[0]))
    freedom = max(len(points) - 2, 1)
    rms = float(np.sqrt((gap**2).sum() / freedom))
    return Plane(
        normal,
        offset,
        rms,
        float(np.percentile(gap, 95.0)),
        rms / np.sqrt(len(points)),
        rms / float(size[0]),
        len(points),
    )


def find_centre_plane(mesh: TriMesh, road: Plane, first: Plane | None = None) -> Plane:
    """The mirror plane of a scan that runs a little past the car's middle.

    The strip on both sides of the plane is mirrored onto itself; plane and direction follow from
    the distances along the surface normals (Y. Chen and G. Medioni, Image and Vision Computing
    10(3), 1992, with a mirror in place of a motion).

    Args:
        mesh: cleaned half or full scan, m.
        road: from ``find_road``.
        first: where to begin, for instance from picked points; else the straight cut edge of a half scan.

    Raises:
        InputError: no straight cut edge to begin with, or no overlap past the middle to hold the plane.
    """
    up = road.normal
    corners = mesh.corners
    middle = corners.mean(axis=1)
    normals, areas = face_normals(corners)
    off_road = middle @ up - road.offset > 0.02
    if first is None:
        first = _from_cut_edge(mesh, middle, normals, off_road, road)
    normal, offset = first.normal, first.offset
    reach = 0.08
    near = off_road & (np.abs(middle @ normal - offset) < reach)
    strip = mesh.subset(near)
    if len(strip.triangles) < 200:
        raise InputError("The scan has no surface near the centre plane to mirror; pick points on the centre line.")
    index = TriangleIndex.build(strip)
    points, smooth = middle[near], _smoothed(middle[near], normals[near], areas[near])
    result = first
    for _ in range(25):
        beyond = -(points @ normal - offset)
        width = float(np.clip(np.percentile(beyond[beyond > 0.0], 98.0) if (beyond > 0.0).any() else 0.0, 0.004, 0.06))
        chosen = np.flatnonzero(np.abs(beyond) < width)
        chosen = chosen[:: max(1, len(chosen) // 30000)]
        p = points[chosen]
        height = p @ normal - offset
        image = p - 2.0 * height[:, None] * normal
        distance, face, foot = index.nearest(image)
        n = smooth[face]
        gap = ((image - foot) * n).sum(axis=1)
        mirrored_normal = smooth[chosen] - 2.0 * (smooth[chosen] @ normal)[:, None] * normal
        # A foot on the rim is no counterpart: there the way to it does not follow the normal.
        fits = (distance < 0.01) & (distance**2 - gap**2 < (0.001) ** 2) & ((mirrored_normal * n).sum(axis=1) > 0.9)
        if fits.sum() < 200:
            raise InputError(
                "The scan does not run far enough past the centre line to be mirrored onto itself; "
                "pick points on the centre line instead."
            )
        p, n, gap, height = p[fits], n[fits], gap[fits], height[fits]
        along = np.cross(up, normal)
        pivot = p.mean(axis=0)
        lever = (p - pivot) @ along
        # Derivatives of the mirrored point by the plane's offset and by its turn about the upright.
        by_offset = 2.0 * (n @ normal)
        by_turn = -2.0 * (lever * (n @ normal) + height * (n @ along))
        matrix = np.column_stack([by_offset, by_turn])
        scale = max(1.4826 * float(np.median(np.abs(gap))), 1e-6)
        weight = np.minimum(1.0, 1.345 * scale / np.maximum(np.abs(gap), 1e-12))
        normal_matrix = (matrix * weight[:, None]).T @ matrix
        step = -np.linalg.solve(normal_matrix, (matrix * weight[:, None]).T @ gap)
        turn = float(np.clip(step[1], -0.02, 0.02))
        # The turn is taken about the strip's middle, so the plane keeps its place there.
        place = normal @ pivot - offset
        normal = normal * np.cos(turn) + along * np.sin(turn)
        offset = float(normal @ pivot - place + np.clip(step[0], -0.03, 0.03))
        variance = float((weight * gap**2).sum() / weight.sum())
        errors = np.sqrt(variance * np.diag(np.linalg.inv(normal_matrix)))
        size = np.abs(gap)
        result = Plane(
            normal,
            offset,
            float(np.sqrt(np.mean(gap**2))),
            float(np.percentile(size, 95.0)),
            float(errors[0]),
            float(errors[1]),
            int(fits.sum()),
        )
        if abs(step[0]) < 1e-6 and abs(step[1]) < 1e-6:
            break
    return result


def vehicle_frame(mesh: TriMesh, road: Plane, centre: Plane, half: str) -> Floats:
    """(4, 4) matrix from scan metres to vehicle axes (ISO 8855: x forward, y left, z up).

    z = 0 is the road, y = 0 the centre plane, x = 0 the rearmost point of the bumper, looked for
    between 0.1 m and 0.7 m above the road.

    Args:
        mesh: cleaned scan, m.
        road, centre: the two planes; the centre plane's normal points to the scanned side.
        half: "left" or "right", the side that was scanned.

    Raises:
        InputError: ``half`` is neither; nothing was scanned at bumper height.
    """
    if half not in ("left", "right"):
        raise InputError(f"The scanned half is “left” or “right”, not “{half}”.")
    z = road.normal
    y = centre.normal if half == "left" else -centre.normal
    y = y - (y @ z) * z
    y = y / np.linalg.norm(y)
    x = np.cross(y, z)
    offset_y = centre.offset if half == "left" else -centre.offset
    height = mesh.points @ z - road.offset
    band = (height > 0.1) & (height < 0.7)
    if not band.any():
        raise InputError("Nothing was scanned between 0.1 m and 0.7 m above the road, where the bumper is looked for.")
    rear = float(np.percentile(mesh.points[band] @ x, 0.001))
    matrix = np.eye(4)
    matrix[:3, :3] = [x, y, z]
    matrix[:3, 3] = [-rear, -offset_y, -road.offset]
    return matrix


def _flat_fit(points: Floats) -> tuple[Floats, float]:
    middle = points.mean(axis=0)
    normal = np.linalg.eigh((points - middle).T @ (points - middle))[1][:, 0]
    return normal, float(normal @ middle)


def _tilt(points: Floats, off: Floats, along: Floats) -> Floats:
    run = points @ along - (points @ along).mean()
    return run * float(run @ (off - off.mean())) / float(run @ run)


def _smoothed(middle: Floats, normals: Floats, areas: Floats, cell: float = 0.02) -> Floats:
    """Normals averaged over cells of 20 mm: single faces tilt by a degree with scanner noise.

    Faces that look another way than their cell's mean (an edge) keep their own normal.
    """
    key = np.floor(middle / cell).astype(np.int64)
    key -= key.min(axis=0)
    size = key.max(axis=0) + 1
    flat = (key[:, 0] * size[1] + key[:, 1]) * size[2] + key[:, 2]
    _, group = np.unique(flat, return_inverse=True)
    total = np.column_stack([np.bincount(group, normals[:, k] * areas) for k in range(3)])[group]
    length = np.linalg.norm(total, axis=1)
    mean = total / np.where(length > 0.0, length, 1.0)[:, None]
    return np.where(((mean * normals).sum(axis=1) > 0.95)[:, None], mean, normals)


def _from_cut_edge(mesh: TriMesh, middle: Floats, normals: Floats, off_road: NDArray[np.bool_], road: Plane) -> Plane:
    """An upright plane along the longest straight rim that has the scan on one side.

    The outer side of a car is straight too; there the surface looks sideways, at the middle it does not.
    """
    up = road.normal
    rim = edge_pairs(mesh.triangles)[3]
    points = mesh.points[rim].mean(axis=1)
    points = points[points @ up - road.offset > 0.02]
    rng = np.random.default_rng(0)
    e1 = np.cross(up, [1.0, 0.0, 0.0] if abs(up[0]) < 0.9 else [0.0, 1.0, 0.0])
    e1 /= np.linalg.norm(e1)
    flat = np.array([e1, np.cross(up, e1)])
    if len(points) < 50:
        raise InputError("The scan has no cut edge to take the centre plane from; pick points on the centre line.")
    rim2 = points[rng.permutation(len(points))[:4000]] @ flat.T
    chosen = np.flatnonzero(off_road)
    chosen = chosen[rng.permutation(len(chosen))[:8000]]
    body2, body_normals = middle[chosen] @ flat.T, normals[chosen] @ flat.T
    best: tuple[float, Floats, float] = (0.0, np.zeros(2), 0.0)
    for i, j in rng.integers(0, len(rim2), (3000, 2)):
        run = rim2[j] - rim2[i]
        length = float(np.hypot(*run))
        if length < 0.2:
            continue
        normal = np.array([-run[1], run[0]]) / length
        offset = float(normal @ rim2[i])
        height = body2 @ normal - offset
        if (height > 0.0).mean() < 0.5:
            normal, offset, height = -normal, -offset, -height
        if (height < -0.06).mean() > 0.01:
            continue
        near = np.abs(height) < 0.05
        if near.sum() < 20 or np.abs(body_normals[near] @ normal).mean() > 0.3:
            continue
        inside = np.abs(rim2 @ normal - offset) < 0.03
        filled = np.unique(np.floor((rim2[inside] @ run) / length / 0.02))
        if len(filled) > best[0]:
            best = (float(len(filled)), normal, offset)
    if best[0] < 10:
        raise InputError("The scan has no straight cut edge along its middle; pick points on the centre line.")
    normal, offset = best[1] @ flat, best[2]
    return Plane(normal, offset, 0.03, 0.03, 0.03, 0.03, int(best[0]))
