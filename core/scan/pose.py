"""Where the road and the centre plane lie in a scan, and the way from scan to vehicle axes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh, face_normals
from .topology import edge_pairs

Floats = NDArray[np.float64]

CLOSE_M = 0.005
"""Faces this near a first plane are tried for the final one: ten times a poor scanner's noise, a tenth of a kerb."""
PICK_M = 0.001
"""How well a person picks a place on a scan, when the picks themselves cannot tell (common practice, no source)."""
FLAT_M = 0.0005
"""A cut edge is straight when it lies in one plane within this (rms): ten times a scanner's noise."""
RIM_M = 0.02
"""Rims within this of a first plane are tried for the cut edge: a ragged border's teeth, or half a degree over 2 m."""
TRIM_M = 0.0005
"""How well the one who trimmed a scan meets the middle of the car (common practice, no source)."""
CELLS = 16
"""Gaps within one of so many cells along a surface's size count as hanging together."""
LEAN_RAD = np.radians(1.0)
"""A centre plane may lean so much from upright: a car on soft springs, one wheel 25 mm up."""


@dataclass(frozen=True)
class Plane:
    """A plane ``normal . p = offset`` with what is known of it.

    Attributes:
        normal: (3,) unit; up for the road, to the scanned side for the centre plane.
        offset: m.
        median_m, rms_m, p95_m: distances of the points it was fitted to.
        offset_se_m: standard error of its place, at the middle of the points; how weakly the place is held.
        turn_se_rad: standard error of the direction, the worst way. Both are inf where nothing tells.
        count: points used.
        share: the part of the surface that found a partner, for a mirror plane; of the points offered, otherwise.
    """

    normal: Floats
    offset: float
    median_m: float
    rms_m: float
    p95_m: float
    offset_se_m: float
    turn_se_rad: float
    count: int
    share: float = 1.0


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
            "the floor with the car, or pick three places on the floor or where the wheels stand."
        )
    return road_from_points(middle[np.abs(middle @ normal - offset) < CLOSE_M], normal)


def road_from_points(points: Floats, up: Floats) -> Plane:
    """The plane of least squares through ``points`` (n, 3) m, those far off left out; ``up`` tells its upper side.

    Raises:
        InputError: fewer than 30 points.
    """
    if len(points) < 30:
        raise InputError(f"The road plane needs at least 30 selected faces, not {len(points)}.")
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
    gap = used @ normal - offset
    height = np.abs(gap)
    middle = used.mean(axis=0)
    axes = np.linalg.eigh((used - middle).T @ (used - middle))[1][:, ::-1].T
    run = (used - middle) @ axes[:2].T
    cell = cells(run, float(np.ptp(run, axis=0).max()))
    covariance = clustered_covariance(np.column_stack([run, -np.ones(len(run))]), gap, np.inf, cell)
    return Plane(
        normal=normal,
        offset=offset,
        median_m=float(np.median(height)),
        rms_m=float(np.sqrt(np.mean(height**2))),
        p95_m=float(np.percentile(height, 95.0)),
        offset_se_m=float(np.sqrt(covariance[2, 2])),
        turn_se_rad=float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1])),
        count=len(used),
        share=float(keep.mean()),
    )


def road_from_faces(mesh: TriMesh, chosen: NDArray[np.bool_]) -> Plane:
    """The road through the faces of the floor that a person chose.

    Args:
        mesh: the scan, most of which stands above the road.
        chosen: (m,) bool, its faces on the floor.

    Raises:
        InputError: fewer than 30 faces.
    """
    points = mesh.corners[chosen].mean(axis=1)
    up = mesh.points.mean(axis=0) - points.sum(axis=0) / max(len(points), 1)
    return road_from_points(points, up)


def road_from_picks(points: Floats, mesh: TriMesh) -> Plane:
    """The road through places picked on the floor or where the wheels stand.

    Three points meet a plane exactly and a few more tell little, so the errors are at least those of
    picks good to 1 mm (``PICK_M``): the narrower the picks stand, the more the road may lean. 1.4 m
    apart across and 2.5 m along, it is 0.04°. For a floor that was scanned, hand the plane on to
    ``road_near``.

    Args:
        points: (n, 3) m, at least three, not in a line.
        mesh: the scan, most of which stands above the road.

    Raises:
        InputError: too few points, too near each other or in a line, or a plane that cuts through the scan.
    """
    points = np.asarray(points, np.float64)
    if len(points) < 3:
        raise InputError(f"The road needs at least three picked points, not {len(points)}.")
    spread, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[1:]
    long, wide = (float(np.ptp(points @ axis)) for axis in axes[:2])
    if long < 0.3:
        raise InputError(
            f"The points picked on the road stand within {long * 1000.0:.0f} mm, so that a pick 1 mm off leans it by "
            f"{np.degrees(PICK_M / max(long, PICK_M)):.1f}°; pick them more than 300 mm apart, best at all wheels."
        )
    if wide < 0.1:
        raise InputError(
            f"The points picked on the road stand in a line within {wide * 1000.0:.0f} mm, about which it could still "
            "lean; pick one at least 100 mm aside, best at the wheel across."
        )
    normal, offset = _flat_fit(points)
    corners = mesh.corners
    height, area = corners.mean(axis=1) @ normal - offset, face_normals(corners)[1]
    above, below = float(area[height > 0.01].sum()), float(area[height < -0.01].sum())
    if max(above, below) < 0.8 * (above + below):
        raise InputError(
            "The plane through the points picked on the road cuts through the scan "
            f"({100.0 * min(above, below) / (above + below):.0f} % lies below it); pick them on the floor again."
        )
    if below > above:
        normal, offset = -normal, -offset
    away = np.abs(points @ normal - offset)
    error = max(float(np.sqrt((away**2).sum() / max(len(points) - 3, 1))), PICK_M)
    return Plane(
        normal=normal,
        offset=offset,
        median_m=float(np.median(away)),
        rms_m=float(np.sqrt(np.mean(away**2))),
        p95_m=float(np.percentile(away, 95.0)),
        offset_se_m=error / np.sqrt(len(points)),
        turn_se_rad=error / float(spread[1]),
        count=len(points),
    )


def road_near(mesh: TriMesh, start: Plane) -> Plane:
    """The road fitted to all faces of the scanned floor near ``start``, such as a plane through a few picks.

    Raises:
        InputError: fewer than 30 faces within 5 mm of it; the floor was not scanned.
    """
    middle = mesh.corners.mean(axis=1)
    return road_from_points(middle[np.abs(middle @ start.normal - start.offset) < CLOSE_M], start.normal)


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
        raise InputError(f"The centre plane needs at least two picked points, not {len(points)}.")
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
        normal=normal,
        offset=offset,
        median_m=float(np.median(gap)),
        rms_m=rms,
        p95_m=float(np.percentile(gap, 95.0)),
        offset_se_m=error / np.sqrt(len(points)),
        turn_se_rad=error / float(size[0]),
        count=len(points),
    )


def centre_plane_from_edge(mesh: TriMesh, up: Floats, near: Floats | None = None) -> Plane:
    """The plane in which half a car's scan was trimmed, from the straight edge that this left.

    Of all upright planes at an end of the scan, with at most 1 % of its surface past it, the one with the
    longest rim is taken and fitted to the rim by least squares with Tukey's weights; rims of wheel arches and
    holes do not count. It is the plane of the cut that is found: whether the cut was made in the middle of the
    car cannot be seen from half of it, so the errors have 0.5 mm (``TRIM_M``) for that besides those of the fit.
    Nor can a flat cut across the car be told from one along it when only one edge is flat: then pick ``near``.

    Args:
        mesh: cleaned scan, m.
        up: (3,) the road's normal.
        near: (3,) m, a place picked on the cut edge, needed where the scan was trimmed in more planes than one.

    Returns:
        The plane; its normal points to the scan, ``count`` is the edges on it, ``share`` their part of all
        rims by length. It leans from upright as the cut does.

    Raises:
        InputError: no rim, a ragged or short one, one that leans more than 1°, or two planes alike good.
    """
    rim = edge_pairs(mesh.triangles)[3]
    ends = mesh.points[rim]
    middle, length = ends.mean(axis=1), np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)
    if len(rim) < 30:
        raise InputError("The scan has no open edge, so it was not trimmed along the centre plane.")
    corners = mesh.corners
    area = np.cumsum(face_normals(corners)[1])
    face = np.searchsorted(area, (np.arange(4000) + 0.5) / 4000 * area[-1])
    surface = corners[face].mean(axis=1)
    starts = _rims_at_an_end(middle, length, surface, up, near)
    fits = [_edge_fit(middle, length, surface, normal, offset, up) for normal, offset in starts]
    flat = [f for f in fits if f.plane.rms_m <= FLAT_M and f.long]
    if not flat:
        raise InputError(_no_edge(fits, near))
    best = max(flat, key=lambda f: f.length_m)
    for other in flat:
        if other.length_m > 0.6 * best.length_m and other.plane.normal @ best.plane.normal < np.cos(np.radians(5.0)):
            raise InputError(
                f"The scan was trimmed in more than one upright plane (edges of {best.length_m:.2f} m and "
                f"{other.length_m:.2f} m); pick a place on the edge along the centre plane."
            )
    lean = np.arcsin(best.plane.normal @ up)
    if abs(lean) > LEAN_RAD:
        raise InputError(
            f"The cut edge lies in a plane that leans {abs(np.degrees(lean)):.1f}° from upright, so it is not the "
            "centre plane, or the road is wrong; pick points on the centre line."
        )
    return best.plane


def vehicle_frame(mesh: TriMesh, road: Plane, centre: Plane, scanned: str, rear: Floats | None = None) -> Floats:
    """(4, 4) matrix from scan metres to vehicle axes (ISO 8855: x forward, y left, z up).

    z = 0 is the road, y = 0 the centre plane, x = 0 the rearmost point of the bumper, looked for
    between 0.1 m and 0.7 m above the road. A centre plane that leans is set upright about the
    level of the scan's middle, so that the error is least on the body.

    Args:
        mesh: cleaned scan, m.
        road, centre: the two planes; half a scan lies where the centre plane's normal points.
        scanned: "left" or "right", the side that was scanned, or "whole".
        rear: (3,) m, a place picked at the rear end; a whole scan needs it.

    Raises:
        InputError: ``scanned`` is none of these; the rear is not told, or picked too near the middle;
            nothing was scanned at bumper height.
    """
    if scanned not in ("left", "right", "whole"):
        raise InputError(f"What was scanned is “left”, “right” or “whole”, not “{scanned}”.")
    if scanned == "whole" and rear is None:
        raise InputError("A whole scan does not tell which end is the rear; pick a place there.")
    z = road.normal
    y = -centre.normal if scanned == "right" else centre.normal
    y = y - (y @ z) * z
    size = float(np.linalg.norm(y))
    if size < 0.5:
        raise InputError(
            "The centre plane lies nearly flat on the road, so one of the two is wrong; pick points for it."
        )
    y = y / size
    x = np.cross(y, z)
    if scanned == "whole" and rear is not None:
        low, high = np.percentile(mesh.points @ x, [0.5, 99.5])
        ahead = float(rear @ x) - 0.5 * (low + high)
        if abs(ahead) < 0.15 * (high - low):
            raise InputError(
                f"The rear was picked {abs(ahead) * 1000.0:.0f} mm from the middle of a scan "
                f"{(high - low) * 1000.0:.0f} mm long, too near to tell the ends apart; pick it at the end."
            )
        if ahead > 0.0:
            x, y = -x, -y
    inside = mesh.points.mean(axis=0)
    inside = inside + (centre.offset - inside @ centre.normal) * centre.normal
    height = mesh.points @ z - road.offset
    band = (height > 0.1) & (height < 0.7)
    if not band.any():
        raise InputError("Nothing was scanned between 0.1 m and 0.7 m above the road, where the bumper is looked for.")
    end = float(np.percentile(mesh.points[band] @ x, 0.001))
    matrix = np.eye(4)
    matrix[:3, :3] = [x, y, z]
    matrix[:3, 3] = [-end, -float(inside @ y), -road.offset]
    return matrix


def tukey(gap: Floats, limit: float) -> Floats:
    """(n,) weights of J. W. Tukey's biweight (from memory): 1 at no gap, 0 from ``limit`` on."""
    return np.maximum(1.0 - (gap / limit) ** 2, 0.0) ** 2


def tukey_limit(gap: Floats) -> float:
    """The limit at which Tukey's weights lose 5 % on normal noise, by the median of |gap| (n,) (from memory)."""
    return max(4.685 * 1.4826 * float(np.median(np.abs(gap))), 1e-6)


def clustered_covariance(lever: Floats, gap: Floats, limit: float, cell: NDArray[np.intp]) -> Floats:
    """Covariance of the k parameters of a fit with Tukey's weights whose gaps hang together within cells.

    It is the jackknife's: what the parameters would move by if each cell in turn were left out (J. G. MacKinnon,
    H. White, Journal of Econometrics 29(3), 1985, from memory), so neighbouring points do not count as many.

    Args:
        lever: (n, k) how each gap answers to the parameters.
        gap: (n,) m.
        limit: of the weights, m; inf for plain least squares.
        cell: (n,) number of each point's cell, from 0 up; at least two cells.
    """
    square = (gap / limit) ** 2
    slope = np.where(square < 1.0, (1.0 - square) * (1.0 - 5.0 * square), 0.0)
    pull = lever * (gap * tukey(gap, limit))[:, None]
    pulls = np.stack([np.bincount(cell, column) for column in pull.T], axis=1)
    k = lever.shape[1]
    stiff = np.stack([np.bincount(cell, slope * lever[:, i] * lever[:, j]) for i in range(k) for j in range(k)], axis=1)
    stiff = stiff.reshape(-1, k, k)
    moves = np.einsum("gij,gj->gi", np.linalg.pinv(stiff.sum(axis=0) - stiff, hermitian=True), pulls)
    return np.asarray(moves.T @ moves) * (1.0 - 1.0 / max(len(pulls), 2))


def cells(points: Floats, size: float) -> NDArray[np.intp]:
    """(n,) number of the cell each of ``points`` (n, k) lies in, a sixteenth of ``size`` wide."""
    grid = np.floor(points * (CELLS / max(size, 1e-9))).astype(np.int64)
    grid -= grid.min(axis=0)
    key = grid[:, 0]
    for column in grid.T[1:]:
        key = key * (int(column.max()) + 1) + column
    return np.unique(key, return_inverse=True)[1].ravel()


@dataclass(frozen=True)
class _Edge:
    """A rim fitted by a plane: its length and height, the scan's length along it; how much rim is near, its scatter."""

    plane: Plane
    length_m: float
    reach_m: float
    height_m: float
    near_m: float
    scatter_m: float

    @property
    def long(self) -> bool:
        """A floor's border or a sill is straight, too, but has no height."""
        return self.length_m >= max(0.3, 0.4 * self.reach_m) and self.height_m >= 0.1


def _rims_at_an_end(
    middle: Floats, length: Floats, surface: Floats, up: Floats, near: Floats | None
) -> list[tuple[Floats, float]]:
    """Upright planes at an end of the scan that have the most rim within 20 mm, the best few ways."""
    one = np.cross(up, np.eye(3)[np.argmin(np.abs(up))])
    one = one / np.linalg.norm(one)
    two = np.cross(up, one)
    found: list[tuple[float, Floats, float]] = []
    for turn in np.radians(np.arange(360.0)):
        normal = np.cos(turn) * one + np.sin(turn) * two
        height = middle @ normal
        low, high = -np.inf, float(np.percentile(surface @ normal, 1.0)) + RIM_M
        if near is not None:
            low, high = float(near @ normal) - 0.03, min(high, float(near @ normal) + 0.03)
        here = np.flatnonzero((height > low) & (height < high))
        if len(here) < 10:
            continue
        here = here[np.argsort(height[here])]
        total = np.concatenate([[0.0], np.cumsum(length[here])])
        inside = total[np.searchsorted(height[here], height[here] + RIM_M, side="right")] - total[:-1]
        k = int(np.argmax(inside))
        found.append((float(inside[k]), normal, float(height[here[k]]) + 0.5 * RIM_M))
    out: list[tuple[Floats, float]] = []
    for _, normal, offset in sorted(found, key=lambda f: -f[0]):
        if all(normal @ other < np.cos(np.radians(15.0)) for other, _ in out):
            out.append((normal, offset))
        if len(out) == 4:
            break
    return out


def _edge_fit(middle: Floats, length: Floats, surface: Floats, normal: Floats, offset: float, up: Floats) -> _Edge:
    near = np.abs(middle @ normal - offset) < RIM_M
    weight, around = length[near], middle[near].mean(axis=0)
    near_m = float(weight.sum())
    # About a place among the rims, so that turns and shift do not mix.
    points, place = middle[near] - around, offset - float(normal @ around)
    gap = points @ normal - place
    scatter = float(np.sqrt(np.average((gap - np.average(gap, weights=weight)) ** 2, weights=weight)))
    search = limit = RIM_M
    lever, ahead = np.zeros((len(points), 3)), np.zeros(3)
    for _ in range(30):
        ahead = np.cross(up, normal)
        ahead = ahead / np.linalg.norm(ahead)
        ways = np.array([ahead, np.cross(normal, ahead)])
        gap = points @ normal - place
        lever = np.column_stack([points @ ways.T, -np.ones(len(points))])
        close = np.abs(gap) < search
        limit = min(search, tukey_limit(gap[close])) if close.any() else search
        pull = lever * (weight * tukey(gap, limit))[:, None]
        step = -np.linalg.lstsq(pull.T @ lever, pull.T @ gap, rcond=None)[0]
        normal = normal + step[:2] @ ways
        normal, place = normal / np.linalg.norm(normal), place + float(step[2])
        if search <= 4.0 * FLAT_M and np.abs(step).max() < 1e-3 * limit:
            break
        search = max(0.7 * search, 4.0 * FLAT_M)
    on = np.abs(gap) < limit
    points, weight, gap, lever = points[on], weight[on], gap[on], lever[on]
    size = float(np.ptp(lever[:, :2], axis=0).max()) if len(gap) else 0.0
    root = np.sqrt(weight)
    covariance = clustered_covariance(lever * root[:, None], gap * root, np.inf, cells(lever[:, :2], size))
    away = np.abs(gap)
    plane = Plane(
        normal=normal,
        offset=place + float(normal @ around),
        median_m=float(np.median(away)),
        rms_m=float(np.sqrt(np.mean(away**2))),
        p95_m=float(np.percentile(away, 95.0)),
        offset_se_m=float(np.sqrt(covariance[2, 2] + TRIM_M**2)),
        turn_se_rad=float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1] + (2.0 * TRIM_M / size) ** 2)),
        count=len(gap),
        share=float(weight.sum() / length.sum()),
    )
    low, high = np.percentile(points @ up, [5.0, 95.0])
    reach = float(np.ptp(np.percentile(surface @ ahead, [1.0, 99.0])))
    return _Edge(plane, float(weight.sum()), reach, float(high - low), near_m, scatter)


def _no_edge(fits: list[_Edge], near: Floats | None) -> str:
    where = "at the place picked" if near is not None else "at any end of the scan"
    if not fits:
        return f"There is no open edge {where}, so nothing tells of a cut; pick points on the centre line."
    # The first start has most rim.
    if fits[0].plane.rms_m > FLAT_M or fits[0].length_m < 0.5 * fits[0].near_m:
        return (
            f"The edge {where} is ragged: it scatters by {fits[0].scatter_m * 1000.0:.1f} mm rms about one plane, and "
            f"{FLAT_M * 1000.0:.1f} mm is the most for a straight cut; pick points on the centre line."
        )
    return (
        f"The straight edge {where} is {fits[0].length_m * 1000.0:.0f} mm long and {fits[0].height_m * 1000.0:.0f} mm "
        "high, too little for the centre plane; pick points on the centre line."
    )


def _flat_fit(points: Floats) -> tuple[Floats, float]:
    middle = points.mean(axis=0)
    normal = np.linalg.eigh((points - middle).T @ (points - middle))[1][:, 0]
    return normal, float(normal @ middle)


def _tilt(points: Floats, off: Floats, along: Floats) -> Floats:
    run = points @ along - (points @ along).mean()
    return run * float(run @ (off - off.mean())) / float(run @ run)


def sentence(road: Plane, centre: Plane) -> str:
    """What was found, in two sentences for the person at the screen."""
    return f"Road plane from {road.count} places{_known(road)} Centre plane from {centre.count} places{_known(centre)}"


def _known(plane: Plane) -> str:
    text = f": they lie {plane.median_m * 1000.0:.2f} mm off it (median), 95 % within {plane.p95_m * 1000.0:.2f} mm; "
    if not np.isfinite(plane.offset_se_m):
        return text + "so few cannot tell how well it is known."
    return text + (
        f"its place is known to ±{plane.offset_se_m * 1000.0:.2g} mm, its direction to "
        f"±{np.degrees(plane.turn_se_rad):.2g}° (one standard error)."
    )
