"""A coarsely placed part settled on the scan, and how well the common area holds it there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, check_mesh, face_normals, moved

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]

REACH_M = 0.02
"""How far off the picked pairs may leave the part: two degrees at half a metre. Common practice, no source."""
WEAK_M = 0.0005
"""Standard error at the part's far end above which a direction counts as weakly held; the user may set it."""
LEAST_SHARE, LEAST_M2 = 0.1, 0.001
"""Share of the part, and area, that must be common. Common practice, no source."""
NOISE_M = 1e-5
"""No hand-held scanner repeats better, so no residual is believed to be smaller. Common practice, no source."""
SLOPE = 0.005
"""A surface whose slopes against a direction are smaller (rms) does not hold it: a dent or a warp gives as much."""
SAMPLES = 20000
"""Points at which the part is compared: more than a common area has independent measurements of its pose."""
_PER_CELL = 20
"""Samples whose normals are averaged before they tell what holds the part."""
_TURNS = 60
_BLOCKS = 12
"""Fewer blocks of residuals tell nothing reliable about how they hang together."""
_TUKEY = 4.685
"""Residuals beyond this many standard deviations get no weight (95 % efficient; A. E. Beaton and J. W. Tukey,
Technometrics 16(2), 1974)."""
_AXES = ("fore-aft", "sideways", "up-down")


@dataclass(frozen=True)
class Direction:
    """One of the six independent motions of the part and how well the common area holds it.

    Attributes:
        motion: (6,) shift of the common area's middle in m along x, y, z, then turn in rad about x, y, z through
            it: one standard error of this motion.
        error_m: how far that moves the part's far end, m; never more than the reach of the search.
        weak: whether the picked pairs, not the common area, decide it.
        bound: False where nothing in the common area holds it, so that ``error_m`` is only that reach.
    """

    motion: Floats
    error_m: float
    weak: bool
    bound: bool

    @property
    def words(self) -> str:
        """Such as "slide 1.40 mm sideways" or "turn 0.30° about the fore-aft axis", both at once, or "slide freely"."""
        slide, turn = self.motion[:3], self.motion[3:]
        share = float(np.linalg.norm(slide)) / self.error_m
        said = []
        if share > 0.3:
            far = f"{np.linalg.norm(slide) * 1000.0:.2f} mm" if self.bound else "freely"
            said.append(f"slide {far} {_along(slide)}")
        if share < 0.95:
            far = f"{np.degrees(np.linalg.norm(turn)):.2f}°" if self.bound else "freely"
            said.append(f"turn {far} about the {_along(turn)} axis")
        return " and ".join(said)


@dataclass(frozen=True)
class Settled:
    """How a part was settled on the scan.

    Attributes:
        matrix: (4, 4) rigid motion to apply after the coarse placing.
        middle: (3,) m, middle of the common area once settled.
        common_m2, common_share: area of the part that has a counterpart on the scan, and its share of the part.
        median_m, p95_m, rms_m: distances of the common area from the scan.
        reach_m: how near a counterpart had to be in the end.
        independent: number of independent measurements that the samples of the common area are worth.
        covariance: (6, 6) of the pose: shift of ``middle`` in m along x, y, z, turn about it in rad about x, y, z.
        directions: the six motions, weakest held first.
    """

    matrix: Floats
    middle: Floats
    common_m2: float
    common_share: float
    median_m: float
    p95_m: float
    rms_m: float
    reach_m: float
    independent: float
    covariance: Floats
    directions: tuple[Direction, ...]

    @property
    def weak(self) -> tuple[Direction, ...]:
        """The directions that the picked pairs decide, weakest first."""
        return tuple(d for d in self.directions if d.weak)

    def sentence(self, part: str) -> str:
        """What came out, in one line for the person at the screen."""
        held = (
            "weakly held and so left as picked: " + "; ".join(f"may {d.words}" for d in self.weak)
            if self.weak
            else f"all six directions held, the weakest to {self.directions[0].error_m * 1000.0:.2f} mm at its far end"
        )
        return (
            f"“{part}” settled on {self.common_m2 * 1e4:.0f} cm² common with the scan "
            f"({self.common_share * 100.0:.0f} % of it): {self.median_m * 1000.0:.3f} mm median, "
            f"{self.p95_m * 1000.0:.3f} mm 95 %, {self.rms_m * 1000.0:.3f} mm rms; {held}."
        )


def settle(
    part: TriMesh,
    onto: TriMesh | TriangleIndex,
    reach_m: float = REACH_M,
    weak_m: float = WEAK_M,
    least_share: float = LEAST_SHARE,
    what: str = "the part",
    samples: int = SAMPLES,
) -> Settled:
    """Bring a coarsely placed part onto the area it has in common with the scan.

    Method: point-to-plane closest points (Y. Chen and G. Medioni, Image and Vision Computing 10(3), 1992) on
    samples even over the part's area. A counterpart counts where both surfaces face the same way and the way to it
    runs along the normal, which leaves out rims and what was scanned on one of the two only; Tukey's weights leave
    out dents, with a reach that shrinks to the noise.

    What holds the part: each sample's motion-to-distance row is averaged over cells of a few millimetres to
    centimetres, once with the part's normals and once with the scan's. Noise tilts both, but not alike, so the mean
    product of the two counts only slopes that both scans show; twice its doubt, taken from their
    difference, is taken off. What is
    left, with the residual and the number of independent measurements, gives the covariance. That number comes from
    sums of residuals over cells of growing size (H. Flyvbjerg and H. G. Petersen, J. Chem. Phys. 91, 1989): noise
    that hangs together makes them larger. What hangs together over a third of the common area's length is understated
    by up to half, and over all of it (scale, a bend) it does not show in residuals and is not in the covariance.

    Directions with a standard error above ``weak_m`` at the part's far end are left where the pairs put them.

    Args:
        part: m, vehicle axes, placed by the pairs.
        onto: the scan, m, or its index.
        reach_m: how far the pairs may have left it off, m.
        weak_m: standard error at the far end above which a direction is left alone, m.
        least_share: of the part's area that must be common, 0 to 1.
        what: the part's name, for the messages.
        samples: points of the part that are compared with the scan.

    Raises:
        InputError: no usable mesh; too little common area; fewer than three directions held.
    """
    check_mesh(part, what)
    scan, sample = _Scan.of(onto), _Sample.of(part, samples)
    match = _matched(sample, scan, np.eye(4), reach_m)
    _check_common(match, sample, reach_m, least_share, what)
    middle = match.points.mean(axis=0)
    # At first all is tried that the surfaces slope against: residuals tell nothing yet.
    hold = _Hold.of(match, sample, middle, _far(sample, middle))
    count, tried = int((hold.information > 0.0).sum()), 0
    while True:
        if count < 3:
            raise InputError(
                f"The {len(match.points) * sample.each_m2 * 1e4:.0f} cm² that {what} has in common with the scan hold "
                f"only {count} of six directions; scan more of what both share, with edges and ends."
            )
        matrix, reach = _descended(sample, scan, hold.axes[:, :count], middle, hold.far_m, reach_m)
        match = _matched(sample, scan, matrix, reach)
        _check_common(match, sample, reach, least_share, what)
        centre = match.points.mean(axis=0)
        middle = moved(centre[None], np.asarray(np.linalg.inv(matrix), np.float64))[0]
        hold = _Hold.of(match, sample, centre, _far(sample, middle))
        errors, independent = hold.errors(match, sample, reach_m)
        strong = int(((errors <= weak_m) & (hold.information > 0.0)).sum())
        if count == 6 == strong or tried and strong >= count:
            break
        # Once more from where the pairs put it, without the directions found weak; but what shows slopes only from
        # nearby gets its trial first, for until it has moved the residuals hold its own error.
        sloped = int((hold.information > 0.0).sum())
        count = min(strong, count) if tried or sloped <= count else sloped
        tried += 1
    scale = np.repeat([1.0, 1.0 / hold.far_m], 3)
    motions = (hold.axes * errors).T * scale
    directions = tuple(
        Direction(motions[k], float(errors[k]), k >= count, bool(hold.information[k] > 0.0)) for k in range(5, -1, -1)
    )
    return Settled(
        matrix=matrix,
        middle=centre,
        common_m2=len(match.points) * sample.each_m2,
        common_share=len(match.points) / len(sample.points),
        median_m=float(np.median(match.distance)),
        p95_m=float(np.percentile(match.distance, 95.0)),
        rms_m=float(np.sqrt(np.mean(match.distance**2))),
        reach_m=reach,
        independent=independent,
        covariance=motions.T @ motions,
        directions=directions,
    )


@dataclass(frozen=True)
class _Scan:
    """The index and (m,) where each face stands in it."""

    index: TriangleIndex
    slot: Ints

    @staticmethod
    def of(onto: TriMesh | TriangleIndex) -> _Scan:
        index = onto if isinstance(onto, TriangleIndex) else TriangleIndex.build(onto)
        face = index.forest.below[: index.corners.shape[1]]
        used = np.flatnonzero(face >= 0).astype(np.int32)
        slot = np.empty(len(used), np.int32)
        slot[face[used]] = used
        return _Scan(index, slot)

    def normals(self, face: Ints) -> Floats:
        return face_normals(self.index.corners.take(self.slot[face], axis=1).T.reshape(-1, 3, 3))[0]


@dataclass(frozen=True)
class _Sample:
    """Points spread evenly over the part's area, in runs of the same ``cell``: near each other and facing alike."""

    points: Floats
    normals: Floats
    voxel: Ints
    cell: NDArray[np.int64]
    each_m2: float

    @staticmethod
    def of(part: TriMesh, count: int) -> _Sample:
        rng = np.random.default_rng(0)
        corners = part.corners
        normals, area = face_normals(corners)
        total = np.cumsum(area)
        face = np.searchsorted(total, (np.arange(count) + rng.random(count)) / count * total[-1])
        face = np.minimum(face, len(area) - 1)
        u, v = np.sqrt(rng.random(count)), rng.random(count)
        share = np.stack([1.0 - u, u * (1.0 - v), u * v], axis=1)
        points = (share[:, :, None] * corners[face]).sum(axis=1)
        each = float(total[-1]) / count
        voxel = ((points - points.min(axis=0)) / np.sqrt(_PER_CELL * each)).astype(np.int32)
        # Three classes a component make 26 ways to face, so that the two sides of a thin wing stay apart.
        facing = (np.rint(1.3 * normals[face]).astype(np.int64) + 1) @ [9, 3, 1]
        cell = 27 * _key(voxel) + facing
        order = np.argsort(cell, kind="stable")
        return _Sample(points[order], normals[face][order], voxel[order], cell[order], each)

    def thinned(self, step: int) -> _Sample:
        some = slice(None, None, step)
        return _Sample(self.points[some], self.normals[some], self.voxel[some], self.cell[some], step * self.each_m2)


@dataclass(frozen=True)
class _Match:
    """Samples with a counterpart: their number, place, both normals, signed height over the scan and distance, m."""

    number: NDArray[np.intp]
    points: Floats
    part_normals: Floats
    scan_normals: Floats
    height: Floats
    distance: Floats


def _matched(sample: _Sample, scan: _Scan, matrix: Floats, reach_m: float) -> _Match:
    points, turned = moved(sample.points, matrix), sample.normals @ matrix[:3, :3].T
    distance, face, foot = scan.index.nearest(points, reach_m)
    number = np.flatnonzero(face >= 0)
    normals = scan.normals(face[number])
    height = ((points[number] - foot[number]) * normals).sum(axis=1)
    # Fine facets lean with the noise, so within 45 degrees is the same way, within 37 along the normal.
    alike = (normals * turned[number]).sum(axis=1) >= 0.7
    along = np.abs(height) >= 0.8 * distance[number] - 1e-7
    keep = alike & along
    number = number[keep]
    return _Match(number, points[number], turned[number], normals[keep], height[keep], distance[number])


def _check_common(match: _Match, sample: _Sample, reach_m: float, least_share: float, what: str) -> None:
    share = len(match.points) / len(sample.points)
    area = len(match.points) * sample.each_m2
    if share < least_share or area < LEAST_M2:
        raise InputError(
            f"Only {share * 100.0:.1f} % of {what} ({area * 1e4:.0f} cm²) lies within {reach_m * 1000.0:.2g} mm of the "
            f"scan and faces the same way; {least_share * 100.0:.0f} % and {LEAST_M2 * 1e4:.0f} cm² are needed: "
            "pick the pairs more closely, or scan more of what both share."
        )


def _far(sample: _Sample, middle: Floats) -> float:
    """Distance of the part's far end from ``middle``, m."""
    return float(np.linalg.norm(sample.points - middle, axis=1).max())


def _rows(points: Floats, normals: Floats, middle: Floats, far_m: float) -> Floats:
    """(n, 6) change of height a metre of shift, and a metre that turning moves the far end."""
    return np.concatenate([normals, np.cross(points - middle, normals) / far_m], axis=1)


def _motion(step: Floats, middle: Floats, far_m: float) -> Floats:
    """(4, 4) matrix that shifts by ``step[:3]`` and turns about ``middle`` by ``step[3:] / far_m``."""
    turn = step[3:] / far_m
    angle = float(np.linalg.norm(turn))
    x, y, z = turn / angle if angle > 0.0 else np.zeros(3)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    matrix = np.eye(4)
    matrix[:3, :3] += np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross
    matrix[:3, 3] = middle + step[:3] - matrix[:3, :3] @ middle
    return matrix


def _descended(
    sample: _Sample, scan: _Scan, axes: Floats, middle: Floats, far_m: float, reach_m: float
) -> tuple[Floats, float]:
    """The pose found by moving along ``axes`` (6, k) alone, and the reach to which it shrank."""
    step, reach = np.zeros(6), reach_m
    few = sample.thinned(4)
    for _ in range(_TURNS):
        match = _matched(few, scan, _motion(step, middle, far_m), reach)
        if len(match.points) < 50:
            break
        weight = (1.0 - np.minimum(match.height / reach, 1.0) ** 2) ** 2
        cells = _Cells.of(match, few, middle + step[:3], far_m)
        mean = cells.mean @ axes
        curve = axes.T @ cells.product @ axes * weight.mean()
        if few is not sample or np.linalg.eigvalsh(curve)[0] <= 0.0:
            # While it is far off, the means with their noise: shorter steps, but safe ones.
            curve = (mean * cells.size[:, None]).T @ mean * weight.mean()
        pull = mean.T @ np.add.reduceat(weight * match.height, cells.start)
        change = -np.linalg.lstsq(curve, pull, rcond=1e-9)[0]
        step = step + axes @ change
        # The inner quarter stands for the noise, whatever the outliers do.
        noise = max(float(np.percentile(match.distance, 25.0)) / 0.3186, NOISE_M)
        smaller = min(reach, max(0.5 * reach, _TUKEY * noise))
        if smaller > 0.98 * reach and np.linalg.norm(change) < 0.02 * noise:
            if few is sample:
                break
            few = sample
        reach = smaller
    return _motion(step, middle, far_m), reach


@dataclass(frozen=True)
class _Cells:
    """Rows of a match averaged over cells.

    Attributes:
        start, size: (c,) where each cell's samples begin and how many they are.
        mean: (c, 6) mean row of part and scan.
        lean: (c, 6) half of what the two differ by: noise.
        product: (6, 6) sum of products of the part's rows and the scan's, to which noise adds nothing on average.
    """

    start: NDArray[np.intp]
    size: NDArray[np.intp]
    mean: Floats
    lean: Floats
    product: Floats

    @staticmethod
    def of(match: _Match, sample: _Sample, middle: Floats, far_m: float) -> _Cells:
        cell = sample.cell[match.number]
        start = np.flatnonzero(np.concatenate([[True], cell[1:] != cell[:-1]]))
        size = np.diff(start, append=len(cell))
        part, scan = (
            np.add.reduceat(_rows(match.points, normals, middle, far_m), start) / size[:, None]
            for normals in (match.part_normals, match.scan_normals)
        )
        product = (part * size[:, None]).T @ scan
        return _Cells(start, size, 0.5 * (part + scan), 0.5 * (part - scan), 0.5 * (product + product.T))


@dataclass(frozen=True)
class _Hold:
    """What holds the part.

    Attributes:
        axes: (6, 6) orthonormal motions in columns, the best held first.
        information: (6,) for each the number of samples that slope fully against it; 0 where none surely does.
        spread: (6,) the same, with what noise adds to the slopes.
        far_m: distance of the part's far end.
    """

    axes: Floats
    information: Floats
    spread: Floats
    far_m: float

    @staticmethod
    def of(match: _Match, sample: _Sample, middle: Floats, far_m: float) -> _Hold:
        cells = _Cells.of(match, sample, middle, far_m)
        axes = np.linalg.eigh(cells.product)[1]
        mean, lean, size = cells.mean @ axes, cells.lean @ axes, cells.size[:, None]
        # The lean's fourth moment bounds what noise adds to the sum of products.
        doubt = 2.0 * np.sqrt((size**2 * lean**4).sum(axis=0))
        sure = (size * (mean**2 - lean**2)).sum(axis=0) - 2.0 * doubt
        sure = np.where(sure >= SLOPE**2 * len(match.number), sure, 0.0)
        order = np.argsort(-sure, kind="stable")
        axes, sure = axes[:, order], sure[order]
        loose = sure == 0.0
        axes[:, loose] = _plain(axes[:, loose])
        return _Hold(axes, sure, (size * (cells.mean @ axes) ** 2).sum(axis=0), far_m)

    def errors(self, match: _Match, sample: _Sample, most_m: float) -> tuple[Floats, float]:
        """(6,) standard errors at the far end, m, at most ``most_m``; the number of independent measurements."""
        square = float((match.height**2).sum())
        together, shift = 1.0, 0
        while True:
            block = np.unique(_key(sample.voxel[match.number] >> shift), return_inverse=True)[1].ravel()
            sums = np.bincount(block, match.height)
            together = max(together, float((sums**2).sum()) / max(square, 1e-300))
            if len(sums) < 4 * _BLOCKS:  # the next size would leave too few blocks
                break
            shift += 1
        count = len(match.height)
        independent = count / together
        # Six of them went into the pose.
        variance = max(square / count, NOISE_M**2) * together * independent / max(independent - 6.0, 1.0)
        with np.errstate(divide="ignore"):
            # The pull of the residuals scatters with the noisy slopes, and moves the part by the sure ones.
            errors = np.sqrt(variance * np.maximum(self.spread, self.information)) / self.information
        return np.minimum(errors, most_m), independent


def _plain(axes: Floats) -> Floats:
    """Another orthonormal basis of the space of ``axes`` (6, k), as near to plain slides and turns as can be."""
    inside, plain = axes @ axes.T, []
    for _ in range(axes.shape[1]):
        most = int(np.argmax(np.diag(inside)))
        plain.append(inside[:, most] / np.linalg.norm(inside[:, most]))
        inside = inside - np.outer(plain[-1], plain[-1])
    return np.array(plain).reshape(-1, 6).T


def _key(voxel: Ints) -> NDArray[np.int64]:
    """(n,) one number for each of ``voxel`` (n, 3), which are not negative."""
    size = voxel.max(axis=0).astype(np.int64) + 1
    return (voxel[:, 0] * size[1] + voxel[:, 1]) * size[2] + voxel[:, 2]


def _along(vector: Floats) -> str:
    """The vehicle axes along which ``vector`` (3,) mainly runs, in words."""
    share = np.abs(vector) / np.linalg.norm(vector)
    return " and ".join(_AXES[k] for k in np.argsort(-share, kind="stable") if share[k] > 0.35)
