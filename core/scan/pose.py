"""Where the road and the centre plane lie in a scan, and the way from scan to vehicle axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh, face_normals

Floats = NDArray[np.float64]

CLOSE_M = 0.005
"""Faces this near a first plane are tried for the final one: ten times a poor scanner's noise, a tenth of a kerb."""


@dataclass(frozen=True)
class Plane:
    """A plane ``normal . p = offset`` with what is known of it.

    Attributes:
        normal: (3,) unit; up for the road, to the scanned side for the centre plane.
        offset: m.
        rms_m, p95_m: distances of the points it was fitted to.
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
            "the floor with the car."
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
    rms = float(np.sqrt((gap**2).sum() / max(len(points) - 2, 1)))
    # Two points meet any plane exactly and so tell nothing of their own errors.
    error = rms if len(points) > 2 else float("inf")
    return Plane(
        normal,
        offset,
        rms,
        float(np.percentile(gap, 95.0)),
        error / np.sqrt(len(points)),
        error / float(size[0]),
        len(points),
    )


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


def sentence(road: Plane, centre: Plane) -> str:
    """What was found, in one line for the person at the screen."""
    return (
        f"Road plane from {road.count} faces, {road.rms_m * 1000.0:.2f} mm rms; centre plane from "
        f"{centre.count} points, {centre.rms_m * 1000.0:.2f} mm rms."
    )
