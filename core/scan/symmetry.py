"""The centre plane of a scan that has both sides of the car: the plane that it is the mirror image of itself in."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, face_normals
from .pose import Plane, cells, clustered_covariance, tukey, tukey_limit

Floats = NDArray[np.float64]

PARTNER_M = 0.005
"""A point has a partner where its image meets the surface within this, or within 0.2 % of a small scan's diagonal:
the two sides of a car's body differ by a few millimetres (common practice, no source)."""
LEAST_SHARE = 0.30
"""Of the surface that tells left from right, so much must have a partner. Half scans and lumps come to 0.1 or 0.2 by
chance in their best plane; a whole scan that lacks two thirds of one side keeps a half."""
LEAST_REACH = 0.5
"""The partners must reach out to so much of the half width; the strip past the middle of a half scan does not."""
LEAST_LEVER = 0.03
"""A turn of the plane must move the image off the surface by so much of the scan's diagonal per radian (rms)."""
UPRIGHT_RAD = np.radians(10.0)
"""With the road known, the plane is looked for no farther than this from upright."""

_VOTERS, _SCOUTS, _FINAL, _STARTS = 1400, 600, 12000, 12
_SCOUT_STEPS, _FINAL_STEPS = 10, 20


@dataclass(frozen=True)
class _Sample:
    """Points (n, 3) spread evenly over the surface, about their mean, with the normals there."""

    points: Floats
    normals: Floats

    def first(self, count: int) -> _Sample:
        return _Sample(self.points[:count], self.normals[:count])


@dataclass(frozen=True)
class _Match:
    """Images of a sample in a plane against the scan.

    Attributes:
        gap: (n,) m along the partner's normal.
        lever: (n, 3) how the gap answers to two turns of the plane, m/rad, and to its shift.
        sound: (n,) bool, whether the image lies over a surface that faces the same way.
        tell: (n,) weight, the squared cosine between the surface and the plane's normal: 0 for a floor or a roof,
            which fit any upright plane.
    """

    gap: Floats
    lever: Floats
    sound: NDArray[np.bool_]
    tell: Floats

    def share(self, reach: float) -> float:
        return float(self.tell @ (self.sound & (np.abs(self.gap) < reach)) / max(self.tell.sum(), 1e-12))


def find_mirror_plane(mesh: TriMesh, up: Floats | None = None, rng_seed: int = 0) -> Plane:
    """The plane in which a scan of both sides is most nearly its own mirror image, in any pose.

    Pairs of surface points whose normals are images of each other vote for the plane between them (N. J. Mitra,
    L. J. Guibas, M. Pauly, "Partial and approximate symmetry detection", ACM TOG 25(3), 2006, from memory, without
    their curvatures). The best candidates are refined by registration of the reflected sample to the scan,
    point to plane (Y. Chen, G. Medioni, Image and Vision Computing 10(3), 1992, from memory) with Tukey's weights,
    so that holes and parts on one side only have no say.

    The errors are those of a fit whose gaps hang together within cells of a sixteenth of the diagonal, both sides of
    the car in one cell, and half of what one side's skin as a whole stands out from the other's. They hold for noise
    and local damage. A body bent as a whole has no better centre plane than this one, and no error bar tells of it.

    Args:
        mesh: cleaned scan with normals that agree, m, any pose.
        up: (3,) the road's normal, if known; then only planes within 10° of upright are tried.
        rng_seed: for the samples.

    Returns:
        The plane; its normal points to the side of which more was scanned, ``share`` is the part of the surface
        facing aside that has a partner, the residuals are distances of image and surface of the points with one.

    Raises:
        InputError: no convincing symmetry (half a car, or no car), two planes alike good, or a round body whose
            plane may turn.
    """
    rng = np.random.default_rng(rng_seed)
    normals, area = face_normals(mesh.corners)
    sample, middle, size = _sampled(mesh, normals, area, rng)
    reach = min(PARTNER_M, 0.002 * size)
    index = TriangleIndex.build(TriMesh(mesh.points - middle, mesh.triangles))
    scouts = sample.first(_SCOUTS)
    found: list[tuple[float, Floats, float]] = []
    for normal, offset in _candidates(sample.first(_VOTERS), size, up):
        normal, offset = _refined(index, normals, scouts, normal, offset, size, reach, 0.03 * size, _SCOUT_STEPS)
        if up is not None and abs(normal @ up) > np.sin(UPRIGHT_RAD):
            continue
        share = _match(index, normals, scouts, normal, offset, size).share(reach)
        found.append((share, normal, offset))
    found.sort(key=lambda f: -f[0])
    if not found or found[0][0] < 0.8 * LEAST_SHARE:
        raise InputError(_no_symmetry(found[0][0] if found else 0.0))
    _, normal, offset = found[0]
    normal, offset = _refined(index, normals, sample, normal, offset, size, reach, 2.0 * reach, _FINAL_STEPS)
    match = _match(index, normals, sample, normal, offset, size)
    plane, lever = _judged(sample, match, normal, offset, reach, size)
    if plane.share < LEAST_SHARE:
        raise InputError(_no_symmetry(plane.share))
    away = np.abs(sample.points @ normal - offset)
    paired = match.sound & (np.abs(match.gap) < reach) & (match.tell > 0.04)
    wide, near = (float(np.percentile(a, 95.0)) for a in (away, away[paired]))
    if near < LEAST_REACH * wide:
        raise InputError(
            f"Only a strip of the scan, {near * 1000.0:.0f} mm to each side of {wide * 1000.0:.0f} mm, has a mirror "
            "image: this is half a car. Pick points on the centre line, or use its straight cut edge."
        )
    if lever < LEAST_LEVER * size:
        raise InputError(
            "The scan is as good as round, so its mirror plane may turn freely; pick points on the centre line."
        )
    for share, other, place in found[1:]:
        apart = abs(other @ normal) < np.cos(np.radians(3.0)) or abs(place - offset * (other @ normal)) > 0.02 * size
        if apart and share > 0.85 * found[0][0]:
            turn = np.degrees(np.arccos(np.clip(abs(other @ normal), 0.0, 1.0)))
            raise InputError(
                f"The scan is as symmetric in a second plane, {turn:.0f}° from the first ({100.0 * share:.0f} % and "
                f"{100.0 * found[0][0]:.0f} % have a mirror image), so neither is taken; pick points on the "
                "centre line."
            )
    if (sample.points @ normal - offset > 0.0).mean() < 0.5:
        normal, offset = -normal, -offset
    return replace(plane, normal=normal, offset=float(offset + normal @ middle))


def _sampled(mesh: TriMesh, normals: Floats, area: Floats, rng: np.random.Generator) -> tuple[_Sample, Floats, float]:
    face = np.searchsorted(np.cumsum(area), rng.random(_FINAL) * area.sum() * (1.0 - 1e-12))
    u, v = rng.random((2, _FINAL))
    fold = u + v > 1.0
    u, v = np.where(fold, 1.0 - u, u), np.where(fold, 1.0 - v, v)
    a, b, c = mesh.points[mesh.triangles[face]].transpose(1, 0, 2)
    points = a + u[:, None] * (b - a) + v[:, None] * (c - a)
    middle = points.mean(axis=0)
    size = float(np.linalg.norm(np.percentile(points, 99.5, axis=0) - np.percentile(points, 0.5, axis=0)))
    return _Sample(points - middle, normals[face]), middle, size


def _candidates(sample: _Sample, size: float, up: Floats | None) -> list[tuple[Floats, float]]:
    """The planes most pairs vote for, best first, no two alike."""
    points, normals = sample.points, sample.normals
    i, j = np.triu_indices(len(points), 1)
    run = points[i] - points[j]
    length = np.linalg.norm(run, axis=1)
    keep = length > 0.12 * size
    i, j, way = i[keep], j[keep], run[keep] / length[keep, None]
    if up is not None:
        upright = np.abs(way @ up) < np.sin(UPRIGHT_RAD)
        i, j, way = i[upright], j[upright], way[upright]
    lean = np.einsum("ij,ij->i", normals[i], way)
    image = normals[i] - 2.0 * lean[:, None] * way
    alike = (np.einsum("ij,ij->i", image, normals[j]) > np.cos(np.radians(8.0))) & (np.abs(lean) > 0.2)
    i, j, way, weight = i[alike], j[alike], way[alike], np.abs(lean[alike])
    place = 0.5 * np.einsum("ij,ij->i", points[i] + points[j], way)
    if len(way) == 0:
        return []
    step = max(1, len(way) // 20000)
    way_v, place_v, weight_v = way[::step], place[::step], weight[::step]
    seed = np.arange(0, len(way), max(1, len(way) // 500))
    along = way[seed] @ way_v.T
    near = np.abs(place[seed, None] - np.sign(along) * place_v) < 0.015 * size
    votes = ((np.abs(along) > np.cos(np.radians(4.0))) & near) @ weight_v
    out: list[tuple[Floats, float]] = []
    for k in seed[np.argsort(-votes)]:
        cosine = np.array([way[k] @ n for n, _ in out])
        offsets = np.array([d for _, d in out])
        if not (
            (np.abs(cosine) > np.cos(np.radians(8.0))) & (np.abs(place[k] - np.sign(cosine) * offsets) < 0.04 * size)
        ).any():
            out.append((way[k], float(place[k])))
        if len(out) == _STARTS:
            break
    return out


def _match(
    index: TriangleIndex, normals: Floats, sample: _Sample, normal: Floats, offset: float, reach: float
) -> _Match:
    height = sample.points @ normal - offset
    image = sample.points - 2.0 * height[:, None] * normal
    lean = sample.normals @ normal
    distance, face, foot = index.nearest(image, reach)
    hit = face >= 0
    facing = np.where(hit[:, None], normals[face], 0.0)
    gap = np.where(hit, np.einsum("ij,ij->i", facing, np.where(hit[:, None], image - foot, 0.0)), np.inf)
    agree = np.einsum("ij,ij->i", facing, sample.normals - 2.0 * lean[:, None] * normal) > 0.8
    # Past the rim of a hole the way to the nearest point leans off the normal.
    over = np.abs(gap) >= 0.85 * distance
    across = facing @ normal
    lever = np.column_stack(
        [-2.0 * ((sample.points @ t) * across + height * (facing @ t)) for t in _beside(normal)] + [2.0 * across]
    )
    return _Match(gap, lever, hit & agree & over, lean * lean)


def _refined(
    index: TriangleIndex,
    normals: Floats,
    sample: _Sample,
    normal: Floats,
    offset: float,
    size: float,
    reach: float,
    search: float,
    steps: int,
) -> tuple[Floats, float]:
    """The plane moved until the weighted gaps of image and surface are least."""
    for _ in range(steps):
        match = _match(index, normals, sample, normal, offset, search)
        if match.sound.sum() < 30:
            break
        gap, lever = match.gap[match.sound], match.lever[match.sound]
        limit = min(search, tukey_limit(gap))
        step = _solved(lever, gap, tukey(gap, limit), size)
        one, two = _beside(normal)
        turned = normal + step[0] * one + step[1] * two
        normal, offset = turned / np.linalg.norm(turned), offset + step[2]
        moved = abs(step[2]) + size * np.abs(step[:2]).max()
        if search <= reach and moved < 1e-3 * limit:
            break
        search = max(0.6 * search, reach)
    return normal, float(offset)


def _judged(
    sample: _Sample, match: _Match, normal: Floats, offset: float, reach: float, size: float
) -> tuple[Plane, float]:
    """The plane with its errors, and how far a turn of it moves the image off the surface, m/rad, at its weakest."""
    paired = match.sound & (np.abs(match.gap) < reach)
    points, gap, lever = sample.points[paired], match.gap[paired], match.lever[paired]
    if len(gap) < 30:
        raise InputError(_no_symmetry(match.share(reach)))
    limit = min(reach, tukey_limit(gap))
    height = points @ normal - offset
    folded = points - (height - np.abs(height))[:, None] * normal
    covariance = clustered_covariance(lever, gap, limit, cells(folded, size))
    one, two = _beside(normal)
    middle = points.mean(axis=0)
    at_middle = np.array([-middle @ one, -middle @ two, 1.0])
    weight = tukey(gap, limit)
    held = (lever * weight[:, None]).T @ lever / weight.sum()
    turns = held[:2, :2] - np.outer(held[:2, 2], held[:2, 2]) / max(held[2, 2], 1e-12)
    # One side's skin as a whole in or out of the other's image (spray, larger triangles) hides in the shift where
    # the surface faces aside, and shows where it does not.
    plain = weight * (match.tell[paired] < 0.5)
    skin = 0.5 * float(plain @ (gap * np.sign(height))) / max(float(plain.sum()), 1e-12)
    away = np.abs(gap)
    return (
        Plane(
            normal=normal,
            offset=offset,
            median_m=float(np.median(away)),
            rms_m=float(np.sqrt(np.mean(gap**2))),
            p95_m=float(np.percentile(away, 95.0)),
            offset_se_m=float(np.sqrt(at_middle @ covariance @ at_middle + skin * skin)),
            turn_se_rad=float(np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[-1])),
            count=len(gap),
            share=match.share(reach),
        ),
        float(np.sqrt(max(np.linalg.eigvalsh(turns)[0], 0.0))),
    )


def _beside(normal: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors square to ``normal`` and to each other."""
    one = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    one = one / np.linalg.norm(one)
    return one, np.cross(normal, one)


def _solved(lever: Floats, gap: Floats, weight: Floats, size: float) -> Floats:
    """The step of least squares; what nothing holds is left where it is."""
    scaled = lever / [size, size, 1.0]
    square = (scaled * weight[:, None]).T @ scaled
    square += 1e-5 * np.trace(square) * np.eye(3) + 1e-30 * np.eye(3)
    return np.asarray(-np.linalg.solve(square, (scaled * weight[:, None]).T @ gap) / [size, size, 1.0])


def _no_symmetry(share: float) -> str:
    return (
        f"No mirror plane found: at best {100.0 * share:.0f} % of the surface that tells left from right has a mirror "
        f"image, {100.0 * LEAST_SHARE:.0f} % are needed. If half the car was scanned, pick points on the centre line "
        "or use its straight cut edge."
    )
