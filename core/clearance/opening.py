"""The boot lid opened: how near parts come to each other on the way, and where they first touch.

Conservative advancement over stretches of the way (B. Mirtich, "Impulse-based Dynamic Simulation of Rigid Body
Systems", PhD thesis, Berkeley 1996; directional bounds for triangles: M. Tang, Y. J. Kim and D. Manocha, "C2A:
Controlled Conservative Advancement for Continuous Collision Detection of Polygonal Models", ICRA 2009; both from
memory). Distances at the samples come from the index. Between two samples no point can come nearer than its distance
from the axis times the turn lets it, which rules out most stretches and, in the rest, all but few pairs of triangles.
For one pair, d apart along a unit normal n, no turn by t brings it nearer than ``d - s t - r t^2 / 2``, with s the
largest speed of a corner against n and r its distance from the axis (its acceleration). The stretch of a pair that
this does not rule out is halved. What is left out is therefore proven, however thin a thing passes between samples.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Part
from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import TriMesh, face_normals, moved
from ..geometry.pairs import closest_between_triangles
from ..units import to_degrees, to_mm
from .allowance import allowance_words, check_allowance
from .surroundings import Surroundings

Floats = NDArray[np.float64]
Slots = NDArray[np.intp]

TOUCH_M = 1e-6
"""Surfaces so near to each other touch: far below what a scan can tell."""
LEAST_M = 1e-4
"""The least distance between samples is proven to so much, or to ``LEAST_SHARE`` of itself where that is more."""
LEAST_SHARE = 0.01
_CHUNK = 4096  # pairs of triangles measured at once
_CROWD = 400_000  # with more pairs to follow a stretch is halved first
_SEEN = 0.04  # normals over less than some 40 degrees of a cylinder hold its axis too weakly


@dataclass(frozen=True)
class Hinge:
    """The axis the lid turns about.

    Attributes:
        point: (3,) m, on the axis.
        axis: (3,) unit; the lid opens by turning right-handed about it.
        rms_m: how well it is known, m; 0.0 for picked points.
    """

    point: Floats
    axis: Floats
    rms_m: float = 0.0

    def opened(self, angle_rad: float) -> Floats:
        """(4, 4) where the lid's points go when it is opened by ``angle_rad`` (Rodrigues' rotation)."""
        x, y, z = self.axis
        skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        matrix = np.eye(4)
        matrix[:3, :3] += np.sin(angle_rad) * skew + (1.0 - np.cos(angle_rad)) * skew @ skew
        matrix[:3, 3] = self.point - matrix[:3, :3] @ self.point
        return matrix


def hinge_between(first: Floats, second: Floats, lid: Floats) -> Hinge:
    """The axis through two picked points (3,) m, turned so that opening first raises the middle of ``lid`` (n, 3) m.

    Raises:
        InputError: points that coincide, or a lid whose middle lies straight above or below the axis.
    """
    points = np.array([first, second], np.float64)
    if points.shape != (2, 3) or not np.isfinite(points).all():
        raise InputError("The hinge needs two points with three numbers each; pick them again.")
    run = points[1] - points[0]
    length = float(np.linalg.norm(run))
    if length < 1e-3:
        raise InputError("The two points of the hinge lie less than 1 mm apart; pick them at both ends of the axis.")
    return _raising(points[0], run / length, lid)


def hinge_through(faces: TriMesh, lid: Floats) -> Hinge:
    """The axis of the round hinge (pin or knuckles) that ``faces`` were picked on; ``lid`` as in ``hinge_between``.

    Raises:
        InputError: too few faces, or faces that lie on no cylinder (their normals do not go round).
    """
    if len(faces.triangles) < 12:
        raise InputError(
            f"The hinge's axis needs at least 12 faces round its pin, not {len(faces.triangles)}; pick more."
        )
    if not np.isfinite(faces.points).all():
        raise InputError("The hinge's faces have points whose coordinates are not numbers; export the scan again.")
    corners = faces.corners
    normals, areas = face_normals(corners)
    if not areas.sum() > 0.0:
        raise InputError("The hinge's faces have no area; pick faces round its pin.")
    # Normals of a cylinder are square to its axis, so that the scatter of all of them has least along it.
    spread, ways = np.linalg.eigh((normals * areas[:, None]).T @ normals / areas.sum())
    if spread[1] < _SEEN:
        raise InputError("The hinge's faces all look one way; pick faces that go at least 60 degrees round its pin.")
    if spread[0] > 0.3 * spread[1]:
        raise InputError("The hinge's faces look every way, as on a ball; pick faces of its round pin alone.")
    points = faces.points[np.unique(faces.triangles)]
    point, axis, radius, rms = _cylinder(points, ways[:, 0])
    out = corners.mean(axis=1) - point
    out -= (out @ axis)[:, None] * axis
    out /= np.maximum(np.linalg.norm(out, axis=1), 1e-12)[:, None]
    slant = 1.0 - np.average((out * normals).sum(axis=1) ** 2, weights=areas)
    if slant > 0.3 or rms > 0.05 * radius:
        raise InputError(
            f"The hinge's faces lie on no cylinder (off by {to_mm(rms):.2f} mm at a radius of {to_mm(radius):.1f} mm); "
            "pick faces of its round pin alone."
        )
    return _raising(point, axis, lid, rms)


@dataclass(frozen=True)
class OpeningPair:
    """One thing that moves with the lid against one that stays.

    Attributes:
        part: the part's name.
        against: a zone, or another part.
        distance_m: (k,) m at ``Opening.angles_rad``, less the allowance; 0.0 where they touch or cross, or where not
            even the allowance is left, which counts as touching.
        contact_rad: first angle at which they touch, nan when they never do; they touch there, and have not done so
            earlier than ``Opening.tolerance_rad`` before it.
        least_m: smallest distance over the whole way, also between the samples; nothing is nearer by more than
            ``LEAST_M`` or, where that is more, ``LEAST_SHARE`` of it. 0.0 where they touch.
        least_rad: where that is; the first place of contact.
        on_part, on_other: (3,) m, the two points that are that near, with the lid opened by ``least_rad`` (what
            does not move with the lid stands as it is; what does is where it then stands).
    """

    part: str
    against: str
    distance_m: Floats
    contact_rad: float
    least_m: float
    least_rad: float
    on_part: Floats
    on_other: Floats


@dataclass(frozen=True)
class Opening:
    """The way from closed to fully open.

    Attributes:
        hinge: the axis.
        angles_rad: (k,) from 0 to the largest, rising; the curves' samples.
        pairs: all that can come near each other.
        tolerance_rad: to which contact angles hold.
        allowance_m: what was taken off every distance.
        on_lid: names of the riding parts that cross or touch the lid that they ride on, as mounts do; no contacts.
    """

    hinge: Hinge
    angles_rad: Floats
    pairs: tuple[OpeningPair, ...]
    tolerance_rad: float
    allowance_m: float = 0.0
    on_lid: tuple[str, ...] = ()

    @property
    def first(self) -> OpeningPair | None:
        """The pair that touches first, or None."""
        touching = [pair for pair in self.pairs if np.isfinite(pair.contact_rad)]
        return min(touching, key=lambda pair: pair.contact_rad, default=None)

    @property
    def sentence(self) -> str:
        """What people need to know: how far the lid opens and what touches what, or what comes nearest where."""
        cuts = "".join(f" “{part}” rides on the lid and cuts or touches it." for part in self.on_lid)
        if not self.pairs:
            return (
                "Nothing was compared: no part rides on the lid past another zone or part, and none stays in its way."
                f"{cuts}"
            )
        return f"{self._way}{cuts} {allowance_words(self.allowance_m)}"

    @property
    def _way(self) -> str:
        shut = [pair for pair in self.pairs if pair.contact_rad == 0.0]
        free = [pair for pair in self.pairs if pair.contact_rad != 0.0]
        words = "".join(f"“{pair.part}” touches “{pair.against}” with the lid closed. " for pair in shut)
        later = min((p for p in free if np.isfinite(p.contact_rad)), key=lambda p: p.contact_rad, default=None)
        if later is not None:
            touch = f"then “{later.part}” touches “{later.against}”."
            return f"{words}The lid opens to {to_degrees(later.contact_rad):.1f} degrees; {touch}"
        words += f"The lid opens to {to_degrees(float(self.angles_rad[-1])):.1f} degrees"
        if not free:
            return f"{words}; nothing {'else ' * bool(shut)}can come near it."
        near = min(free, key=lambda p: p.least_m)
        return (
            f"{words} and nothing {'else ' * bool(shut)}touches; “{near.part}” comes nearest to “{near.against}”, "
            f"{to_mm(near.least_m):.1f} mm at {to_degrees(near.least_rad):.1f} degrees."
        )


def opening(
    around: Surroundings,
    parts: Sequence[Part],
    poses: Sequence[Floats | None],
    rides: Sequence[bool],
    lid: str,
    hinge: Hinge,
    largest_rad: float,
    *,
    samples: int = 46,
    tolerance_rad: float = np.radians(0.05),
    allowance_m: float = 0.0,
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> Opening:
    """Open the lid and follow all that may touch, by conservative advancement.

    A riding part turns with the lid and is followed against every other zone and every part that stays; the lid
    itself is followed against the parts that stay. A part that rides is not followed against the lid; whether it
    cuts the lid, closed, is told.

    Args:
        around: the body and its zones.
        parts: elements and mounts, as they stand with the lid closed when moved by ``poses``.
        poses: (4, 4) rigid each, or None.
        rides: for each part whether it rides on the lid.
        lid: the zone that opens.
        hinge: its axis.
        largest_rad: how far it is to open.
        samples: points of each curve.
        tolerance_rad: to which contact angles are found.
        allowance_m: taken off every distance, as in ``measure_clearance``.
        tick: told how far it is (0..1); may raise to stop.

    Raises:
        InputError: no zone of that name, an angle that is no way (not above 0, or beyond 180 degrees), lists that do
            not fit each other, fewer than 2 samples, a pose that is not rigid, or an allowance that is no length.
    """
    check_allowance(allowance_m)
    angles = _checked(parts, poses, rides, hinge, largest_rad, samples, tolerance_rad)
    names = [zone.name for zone in around.scan.zones]
    if lid not in names:
        raise InputError(f"There is no zone “{lid}” to open; mark the faces of the lid and name them so.")
    number = names.index(lid)
    body = around.index
    zones = np.arange(len(names), dtype=np.int32)
    others, itself, only = zones[zones != number], zones[zones == number], np.zeros(1, np.int32)
    moves = list(zip(parts, poses, rides, strict=True))
    standing = [(part, pose) for part, pose, rider in moves if not rider]
    back = replace(hinge, axis=-hinge.axis)
    # What moves, and the names of what it may meet.
    chases: list[tuple[_Chase, list[str]]] = []
    for part, pose, rider in moves:
        if rider and len(others):
            chases.append((_Chase(part, pose, hinge, body, others), names))
        if rider:
            chases.extend((_Chase(part, pose, hinge, o.placed(at), only), [o.name]) for o, at in standing)
    # The lid is the larger, so that the part is turned back before it.
    chases.extend((_Chase(part, pose, back, body, itself), names) for part, pose in standing)
    pairs = []
    for k, (chase, against) in enumerate(chases):
        for share in (course := _Course.over(chase, angles, tolerance_rad, allowance_m)).followed():
            tick((k + share) / len(chases), f"Opening the lid: {chase.part.name}")
        for row, label in enumerate(chase.labels):
            points = course.points[row]
            if chase.hinge is back:
                points = moved(points, hinge.opened(float(course.least_rad[row])))
            pairs.append(
                OpeningPair(
                    part=chase.part.name,
                    against=against[label],
                    distance_m=course.distance[:, row],
                    contact_rad=float(course.touch[row]) if np.isfinite(course.touch[row]) else np.nan,
                    least_m=float(course.least[row]),
                    least_rad=float(course.least_rad[row]),
                    on_part=points[0],
                    on_other=points[1],
                )
            )
    on_lid = [part.name for part, pose, rider in moves if rider and _cuts(around, number, part, pose)]
    tick(1.0, "Opening the lid")
    return Opening(hinge, angles, tuple(pairs), tolerance_rad, allowance_m, tuple(on_lid))


def _checked(
    parts: Sequence[Part],
    poses: Sequence[Floats | None],
    rides: Sequence[bool],
    hinge: Hinge,
    largest_rad: float,
    samples: int,
    tolerance_rad: float,
) -> Floats:
    """The samples' angles of an opening that makes sense."""
    if not len(parts) == len(poses) == len(rides):
        raise InputError(
            f"{len(parts)} parts need a pose each ({len(poses)} given) and whether they ride ({len(rides)} given)."
        )
    if not 0.0 < largest_rad <= np.pi:
        raise InputError(f"The lid cannot open by {to_degrees(largest_rad):.1f} degrees; give more than 0, up to 180.")
    if samples < 2:
        raise InputError(f"A curve needs at least 2 samples, not {samples}.")
    if not 0.0 < tolerance_rad < np.inf:
        raise InputError("The tolerance of the contact angle must be an angle above 0.")
    if not (np.isfinite(hinge.point).all() and abs(np.linalg.norm(hinge.axis) - 1.0) < 1e-6):
        raise InputError("The hinge needs a point and an axis of length 1; pick it again.")
    return np.linspace(0.0, largest_rad, samples)


def _cuts(around: Surroundings, zone: int, part: Part, pose: Floats | None) -> bool:
    """Whether a part touches or crosses a zone."""
    reach = np.full(len(around.scan.zones), -1.0)
    reach[zone] = TOUCH_M
    return zone in around.index.nearer(part.placed(pose), reach)


def _raising(point: Floats, axis: Floats, lid: Floats, rms_m: float = 0.0) -> Hinge:
    """The hinge whose axis is turned so that opening first raises the middle of the lid."""
    lid = np.asarray(lid, np.float64)
    if lid.ndim != 2 or lid.shape[1:] != (3,) or len(lid) == 0 or not np.isfinite(lid).all():
        raise InputError("The lid needs points with three numbers each; mark its faces.")
    arm = 0.5 * (lid.min(axis=0) + lid.max(axis=0)) - point
    rise = float(np.cross(axis, arm)[2])
    # Under half a degree off the plumb line rounding and noise decide which way is up.
    if abs(rise) <= 0.01 * np.linalg.norm(arm):
        raise InputError(
            "The middle of the lid is not raised by turning about the hinge, for it lies straight above or below the "
            "axis, or the axis is upright; pick the hinge again."
        )
    return Hinge(point, axis if rise > 0.0 else -axis, rms_m)


def _cylinder(points: Floats, axis: Floats) -> tuple[Floats, Floats, float, float]:
    """A point on the axis, its unit direction, the radius and the rms distance of ``points`` (n, 3) to the cylinder.

    A circle by I. Kasa ("A circle fitting procedure and its error analysis", IEEE Trans. Instrum. Meas., 1976) in the
    plane square to ``axis`` is the start; Gauss-Newton on the distances turns and moves the axis (both from memory).
    """
    middle = points.mean(axis=0)
    size = float(np.abs(points - middle).max())
    start, centre, radius, rms = np.zeros(3), np.zeros(2), 0.0, np.inf
    for step in range(50):
        u = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
        u /= np.linalg.norm(u)
        v = np.cross(axis, u)
        x, y, along = np.array([u, v, axis]) @ (points - middle).T
        if step == 0:
            kasa = np.column_stack([x, y, np.ones(len(x))])
            cx, cy, rest = np.linalg.lstsq(kasa, x * x + y * y, rcond=None)[0]
            centre, radius = np.array([cx, cy]) / 2.0, float(np.sqrt(max(rest + (cx * cx + cy * cy) / 4.0, 0.0)))
        else:
            centre = np.array([start @ u, start @ v])
        dx, dy = x - centre[0], y - centre[1]
        off = np.maximum(np.hypot(dx, dy), 1e-12)
        miss = off - radius
        rms = float(np.sqrt(np.mean(miss * miss)))
        cos, sin = dx / off, dy / off
        # Centre, tilt of the axis towards u and v about the middle of the points (in sizes), radius.
        slope = -np.column_stack([cos, sin, cos * along / size, sin * along / size, np.ones(len(x))])
        move = np.linalg.lstsq(slope, -miss, rcond=None)[0]
        start = (centre[0] + move[0]) * u + (centre[1] + move[1]) * v
        axis = axis + (move[2] * u + move[3] * v) / size
        axis /= np.linalg.norm(axis)
        start -= (start @ axis) * axis
        radius += float(move[4])
        if np.abs(move).max() < 1e-10 * size:
            break
    return middle + start, axis, radius, rms


@dataclass(frozen=True)
class _Chase:
    """A part turned about an axis before labels (rows,) of an index that stands."""

    part: Part
    pose: Floats | None
    hinge: Hinge
    standing: TriangleIndex
    labels: NDArray[np.int32]

    def turned(self, angle_rad: float) -> TriangleIndex:
        turn = self.hinge.opened(angle_rad)
        return self.part.placed(turn if self.pose is None else turn @ self.pose)

    @cached_property
    def circles(self) -> Floats:
        """(3, faces, 3, 3) m: the corners' circles as centre and two radii, the place being centre + cos + sin."""
        mesh = self.part.mesh if self.pose is None else self.part.mesh.transformed(self.pose)
        arm = mesh.corners - self.hinge.point
        along = (arm @ self.hinge.axis)[..., None] * self.hinge.axis
        return np.stack([self.hinge.point + along, arm - along, np.cross(self.hinge.axis, arm)])

    @cached_property
    def radius(self) -> Floats:
        """(faces,) m, the largest distance of a face from the axis."""
        return np.asarray(np.linalg.norm(self.circles[1], axis=2).max(axis=1))

    def reach(self, by_row: Floats) -> Floats:
        """By label, as the index wants it; below zero for what is not to be met."""
        reach = np.full(int(self.standing.forest.root_labels.max()) + 1, -1.0)
        reach[self.labels] = by_row
        return reach


@dataclass(frozen=True)
class _Pairs:
    """Pairs of triangles, each over a stretch of the way on which it may come near.

    Attributes:
        face: (n,) of the part.
        slot: (n,) lowest slot of what stands.
        row: (n,) of ``_Chase.labels``.
        middle, half: (n,) rad, the stretch.
        lower: (n,) m, no nearer than this within the stretch.
    """

    face: Slots
    slot: Slots
    row: Slots
    middle: Floats
    half: Floats
    lower: Floats

    def __len__(self) -> int:
        return len(self.face)

    def __getitem__(self, keep: Slots | NDArray[np.bool_]) -> _Pairs:
        return _Pairs(*(getattr(self, name)[keep] for name in self.__dataclass_fields__))

    @staticmethod
    def joined(pieces: Sequence[_Pairs]) -> _Pairs:
        return _Pairs(*(np.concatenate([getattr(p, n) for p in pieces]) for n in _Pairs.__dataclass_fields__))


@dataclass(frozen=True)
class _Course:
    """What is known of the way so far; its arrays are filled as it is followed.

    Attributes:
        chase: what moves against what.
        angles: (k,) rad.
        tolerance: rad.
        allowance: m; all distances here but those of ``near`` are less this.
        distance: (k, rows) m.
        touch: (rows,) rad, the first angle at which they are known to touch; inf.
        least, least_rad: (rows,) m and rad, the smallest distance found.
        points: (rows, 2, 3) m, where; on the part and on what stands.
        near: (rows, 2, 3) m, what was nearest at the angle measured last, with the lid closed again; NaN before.
    """

    chase: _Chase
    angles: Floats
    tolerance: float
    allowance: float
    distance: Floats
    touch: Floats
    least: Floats
    least_rad: Floats
    points: Floats
    near: Floats

    @staticmethod
    def over(chase: _Chase, angles: Floats, tolerance: float, allowance: float) -> _Course:
        rows = len(chase.labels)
        return _Course(
            chase,
            angles,
            tolerance,
            allowance,
            np.zeros((len(angles), rows)),
            np.full(rows, np.inf),
            np.full(rows, np.inf),
            np.zeros(rows),
            np.zeros((rows, 2, 3)),
            np.full((rows, 2, 3), np.nan),
        )

    def followed(self) -> Iterator[float]:
        """Follow the whole way; yields how much of it is done."""
        count = len(self.angles)
        for k, angle in enumerate(self.angles):
            self.distance[k] = self._measured(float(angle))
            yield 0.7 * (k + 1) / count
        for k in range(count - 1):
            self._between(float(self.angles[k]), float(self.angles[k + 1]), self.distance[k], self.distance[k + 1])
            yield 0.7 + 0.25 * (k + 1) / (count - 1)
        # At the angle found, another pair may be nearer yet by less than what the search was after.
        for angle in np.setdiff1d(self.least_rad[np.isinf(self.touch)], self.angles):
            self._measured(float(angle))
        yield 1.0

    def _measured(self, angle: float) -> Floats:
        """(rows,) m at one angle. The two points that were nearest last time tell how far to look."""
        chase, turn = self.chase, self.chase.hinge.opened(angle)
        self.near[:, 0] = moved(self.near[:, 0], turn)
        room = np.nan_to_num(np.linalg.norm(self.near[:, 1] - self.near[:, 0], axis=1), nan=np.inf)
        near = chase.standing.approaches(chase.turned(angle), chase.reach(room * (1.0 + 1e-9) + 1e-9))
        for row, label in enumerate(chase.labels.tolist()):
            if (found := near[label]).distance_m < np.inf:
                room[row], self.near[row] = found.distance_m, (found.on_other, found.on_body)
            room[row] = self._told(row, angle, float(room[row]) - self.allowance, *self.near[row])
        # The part's points are kept as with the lid closed.
        self.near[:, 0] = (self.near[:, 0] - turn[:3, 3]) @ turn[:3, :3]
        return room

    def _told(self, row: int, angle: float, distance: float, on_part: Floats, on_other: Floats) -> float:
        """Take a distance into account; 0.0 for all that touches."""
        touches = distance <= TOUCH_M
        distance = 0.0 if touches else distance
        if distance < self.least[row] or (touches and angle < self.touch[row]):
            self.least[row], self.least_rad[row], self.points[row] = distance, angle, (on_part, on_other)
        if touches:
            self.touch[row] = min(angle, self.touch[row])
        return distance

    def _sought(self) -> Floats:
        """(rows,) m, what comes nearer than this is still of interest."""
        worth = np.maximum(LEAST_M, LEAST_SHARE * self.least)
        # Half of what counts as touching, so that halving comes to an end in between.
        return np.maximum(self.least - worth, 0.5 * TOUCH_M)

    def _between(self, low: float, high: float, at_low: Floats, at_high: Floats) -> None:
        """Find what is nearer, or touches earlier, between two angles at which the distances are known."""
        fastest = float(self.chase.radius.max())
        open_ = 0.5 * (at_low + at_high - fastest * (high - low)) < self._sought()
        open_ &= low < self.touch - self.tolerance
        if not open_.any():
            return
        pairs = self._gathered(0.5 * (low + high), 0.5 * (high - low), open_)
        if pairs is None:
            middle = 0.5 * (low + high)
            between = self._measured(middle)
            self._between(low, middle, at_low, between)
            self._between(middle, high, between, at_high)
        else:
            self._halved(pairs)

    def _gathered(self, middle: float, half: float, rows: NDArray[np.bool_]) -> _Pairs | None:
        """All pairs that may be of interest within a stretch; None when they are too many."""
        moving, radius = self.chase.turned(middle), self.chase.radius
        sought = np.where(rows, self._sought(), -np.inf)
        reach = self.chase.reach(np.where(rows, sought + self.allowance + half * radius.max(), -1.0))
        row_of = np.zeros(len(reach), np.intp)
        row_of[self.chase.labels] = np.arange(len(rows))
        pieces, count = [_NONE], 0
        for face, slot, label, room in self.chase.standing.near_pairs(moving, reach):
            row = row_of[label]
            lower = room * (1.0 - 1e-6) - self.allowance - radius[face] * half
            keep = lower < sought[row]
            count += int(keep.sum())
            if count > _CROWD and half > self.tolerance:
                return None
            stretch = np.full(len(face), middle), np.full(len(face), half)
            pieces.append(_Pairs(face.astype(np.intp), slot, row, *stretch, lower)[keep])
        return _Pairs.joined(pieces)

    def _halved(self, pairs: _Pairs) -> None:
        """Measure the most promising pairs in the middle of their stretches and halve these, until none is left."""
        while True:
            keep = pairs.lower < self._sought()[pairs.row]
            keep &= pairs.middle - pairs.half < self.touch[pairs.row] - self.tolerance
            pairs = pairs[keep]
            if len(pairs) == 0:
                return
            count = max(_CHUNK, len(pairs) // 8)
            order = np.argpartition(pairs.lower, count) if len(pairs) > count else np.arange(len(pairs))
            pairs = _Pairs.joined([pairs[order[count:]], *self._halves(pairs[order[:count]])])

    def _halves(self, pairs: _Pairs) -> tuple[_Pairs, _Pairs]:
        """The earlier and the later half of each pair's stretch, with what measuring in its middle tells of them."""
        centre, cos_way, sin_way = self.chase.circles[:, pairs.face]
        cos, sin = np.cos(pairs.middle)[:, None, None], np.sin(pairs.middle)[:, None, None]
        corners = centre + cos * cos_way + sin * sin_way
        standing = self.chase.standing.corners.take(pairs.slot, axis=1).T.reshape(-1, 3, 3)
        apart, on_part, on_other = closest_between_triangles(corners, standing)
        distance = apart - self.allowance
        touches = distance <= TOUCH_M
        # What touches comes first, the earliest of it at the head.
        for k in _first_of_rows(pairs.row, np.where(touches, pairs.middle - 2.0 * np.pi, distance)):
            self._told(int(pairs.row[k]), float(pairs.middle[k]), float(distance[k]), on_part[k], on_other[k])
        normal = (on_part - on_other) / np.maximum(apart, 1e-300)[:, None]
        away = ((cos * sin_way - sin * cos_way) * normal[:, None]).sum(axis=2)
        radius, half = self.chase.radius[pairs.face], 0.5 * pairs.half

        def part(sign: float, speed: Floats) -> _Pairs:
            turn = pairs.half
            nearer = np.minimum(np.maximum(speed, 0.0) * turn + 0.5 * radius * turn * turn, radius * turn)
            lower = np.maximum(np.where(touches, 0.0, distance - nearer), pairs.lower)
            return replace(pairs, middle=pairs.middle + sign * half, half=half, lower=lower)

        return part(-1.0, away.max(axis=1)), part(1.0, (-away).max(axis=1))


_NOTHING, _NOWHERE = np.zeros(0, np.intp), np.zeros(0)
_NONE = _Pairs(_NOTHING, _NOTHING, _NOTHING, _NOWHERE, _NOWHERE, _NOWHERE)


def _first_of_rows(row: Slots, value: Floats) -> Slots:
    """Where the least value of each row stands."""
    order = np.lexsort((value, row))
    return order[np.flatnonzero(np.diff(row[order], prepend=-1))]
