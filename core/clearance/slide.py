"""Where else the wing could stand: heights, fore-aft places and incidences at which everything stays clear.

No distance changes by more than the largest way that any point of the part goes (a distance is 1-Lipschitz in each
point), and the two points that were nearest elsewhere, moved along, are at least as far apart as what is nearest here.
Both bounds together leave few distances to be searched for, and those within a narrow shell.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..assembly.part import Part, rigid
from ..errors import InputError
from ..geometry.index import TriangleIndex
from ..geometry.mesh import moved
from ..units import to_degrees, to_mm
from .surroundings import Surroundings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Slots = NDArray[np.intp]

BOUND_M = 1e-4
"""Room is interpolated only where it is known to lie between two values no farther apart than this."""
_ASKED = 64  # places nearby whose nearest points are tried here
_SHELL_M = 1e-7  # a search reaches that much beyond what it is to confirm


@dataclass(frozen=True)
class SlideMap:
    """Room to spare over two of the three ways to move.

    Attributes:
        across: what the first axis is: "aft" (m, positive to the rear), "up" (m) or "turn" (rad, positive nose up).
        along: what the second axis is.
        across_values: (i,) rising, 0 is today's place.
        along_values: (j,).
        room_m: (i, j) m, the least of distance less what its zone asks for, over all parts and zones; below zero
            it is tight, and at most minus the requirement where it touches.
        touches: (i, j) bool.
        tightest: (i, j) int, number of the zone (of ``around.scan.zones``) that is tightest.
    """

    across: str
    along: str
    across_values: Floats
    along_values: Floats
    room_m: Floats
    touches: NDArray[np.bool_]
    tightest: NDArray[np.intp]

    @property
    def clear(self) -> Bools:
        """(i, j) whether everything has the room asked for and nothing touches."""
        return np.asarray((self.room_m >= 0.0) & ~self.touches)

    @property
    def sentence(self) -> str:
        """How far it may go each way from today's place before something is tight, or that today's is not clear.

        Between the map's places room runs in straight lines; what is said is rounded down to a tenth of a step. Heights
        are left to the map of places where the other axis is incidence.
        """
        i, j = int(np.argmin(np.abs(self.across_values))), int(np.argmin(np.abs(self.along_values)))
        if not self.clear[i, j]:
            return self._elsewhere(i, j)
        axes = [(self.across, self.across_values, self.room_m[:, j], self.touches[:, j], i)]
        if self.across != "turn":
            axes.append((self.along, self.along_values, self.room_m[i], self.touches[i], j))
        ways = [_way(*axis, sign) for axis in axes for sign in (1, -1)]
        ways = [way for way in ways if way]
        if not ways:
            return "Today's place is clear."
        listed = f"{', '.join(ways[:-1])}{' or ' * (len(ways) > 1)}{ways[-1]}"
        return f"From today's place it may be {listed} with everything clear."

    def _elsewhere(self, i: int, j: int) -> str:
        amiss = "touches" if self.touches[i, j] else f"is too near by {to_mm(-float(self.room_m[i, j])):.1f} mm"
        rows, columns = np.nonzero(self.clear)
        if len(rows) == 0:
            return f"Today's place {amiss}, and no place on the map is clear."
        # Ways of two kinds are compared as shares of what the map covers.
        spans = [max(float(np.ptp(v)), 1e-300) for v in (self.across_values, self.along_values)]
        if self.across != "turn":
            spans = [1.0, 1.0]
        across, along = self.across_values[rows], self.along_values[columns]
        k = int(np.argmin((across / spans[0]) ** 2 + (along / spans[1]) ** 2))
        moves = [
            f"{_amount(axis, abs(float(value)))} {_WAYS[axis][int(value < 0.0)][1]}"
            for axis, value in ((self.across, across[k]), (self.along, along[k]))
            if value != 0.0
        ]
        return f"Today's place {amiss}; the nearest clear place on the map is {' and '.join(moves)}."


_WAYS = {
    "aft": (("moved aft", "aft"), ("moved forward", "forward")),
    "up": (("raised", "up"), ("lowered", "down")),
    "turn": (("turned nose up", "nose up"), ("turned nose down", "nose down")),
}


def slide_maps(
    around: Surroundings,
    parts: Sequence[Part],
    poses: Sequence[Floats | None],
    pivot: Floats,
    *,
    aft_m: Floats,
    up_m: Floats,
    turn_rad: Floats,
    standing: Sequence[tuple[Part, Floats | None, float]] = (),
    tick: Callable[[float, str], None] = lambda _share, _doing: None,
) -> tuple[SlideMap, SlideMap]:
    """Two maps through today's place: fore-aft against height, and incidence against height.

    ``touches`` and whether a place is clear are exact everywhere. So is ``room_m``, but where two bounds known from
    other places lie within ``BOUND_M`` of each other it is their middle, so within half of that.

    Args:
        around: the body and its zones.
        parts: what is moved, all together and rigidly.
        poses: today's (4, 4) pose of each, or None.
        pivot: (3,) m, the point about which incidence turns (axis along y), such as the quarter-chord point.
        aft_m, up_m, turn_rad: rising values; 0 must lie among each.
        standing: parts that stay, their pose and the clearance asked to them, m; they count as zones after those of
            the body (``tightest`` goes on counting).
        tick: told how far it is (0..1); may raise to stop.

    Raises:
        InputError: no parts, axes that are not rising or without 0, a pose that is not rigid, or a clearance that is
            no length.
    """
    aft, up, turn = _axes(aft_m=aft_m, up_m=up_m, turn_rad=turn_rad)
    pivot = np.asarray(pivot, np.float64)
    if len(parts) == 0 or len(parts) != len(poses):
        raise InputError(
            f"{len(parts)} parts with {len(poses)} poses are to be moved; give at least one, and a pose each."
        )
    if pivot.shape != (3,) or not np.isfinite(pivot).all():
        raise InputError("The point to turn about must be three numbers.")
    for part, _, required in standing:
        if not 0.0 <= required < np.inf:
            raise InputError(f"The clearance asked for at “{part.name}” must be a length of 0 mm or more.")
    grids = [
        np.stack(np.broadcast_arrays(a[:, None], up, t[:, None]), axis=2)
        for a, t in ((aft, np.zeros_like(aft)), (np.zeros_like(turn), turn))
    ]
    # Today's column is in both.
    places, number = np.unique(np.concatenate([g.reshape(-1, 3) for g in grids]), axis=0, return_inverse=True)
    parted = np.split(number.ravel(), [aft.size * up.size])
    columns = [n.reshape(g.shape[:2]) for n, g in zip(parted, grids, strict=True)]
    search = _Search.over(around, parts, poses, pivot, standing, places)
    order = list(dict.fromkeys(_order(columns[0], aft, up) + _order(columns[1], turn, up)))
    for done, place in enumerate(order):
        tick(done / len(order), f"Place {done + 1} of {len(order)}")
        search.settle(place)
    tick(1.0, f"{len(order)} places")
    maps = [
        SlideMap(name, "up", values, up, search.room[here], search.touches[here], search.tightest[here])
        for name, values, here in (("aft", aft, columns[0]), ("turn", turn, columns[1]))
    ]
    return maps[0], maps[1]


@dataclass(frozen=True)
class _Search:
    """Places to be tried, and what is known about them so far; its arrays are filled on the way.

    Obstacles are the body's zones and then the standing parts, k together.

    Attributes:
        parts, poses: what is moved, from where.
        reach_of: (p,) m, how far each part's points lie from the turning axis at most.
        pivot: (3,) m.
        obstacles: indices with the number of their label 0.
        required: (k,) m.
        places: (n, 3) aft m, up m, turn rad.
        lower: (n, p, k) m, no nearer than this; -inf where nothing was measured.
        points: (n, p, k, 2, 3) m, the two nearest points found there, the part's one as it lies today; NaN.
        room, touches, tightest: (n,) the answer.
    """

    parts: Sequence[Part]
    poses: Sequence[Floats | None]
    reach_of: Floats
    pivot: Floats
    obstacles: Sequence[tuple[TriangleIndex, int]]
    required: Floats
    places: Floats
    lower: Floats
    points: Floats
    room: Floats
    touches: Bools
    tightest: Slots

    @staticmethod
    def over(
        around: Surroundings,
        parts: Sequence[Part],
        poses: Sequence[Floats | None],
        pivot: Floats,
        standing: Sequence[tuple[Part, Floats | None, float]],
        places: Floats,
    ) -> _Search:
        zones = len(around.scan.zones)
        obstacles = [(around.index, 0)]
        obstacles += [(part.placed(pose), zones + k) for k, (part, pose, _) in enumerate(standing)]
        required = np.array([z.required_m for z in around.scan.zones] + [asked for _, _, asked in standing])
        off = []
        for part, pose in zip(parts, poses, strict=True):
            points = part.mesh.points if pose is None else moved(part.mesh.points, rigid(pose, part.name))
            off.append(float(np.hypot(points[:, 0] - pivot[0], points[:, 2] - pivot[2]).max()))
        n, p, k = len(places), len(parts), len(required)
        return _Search(
            parts, poses, np.array(off), pivot, obstacles, required, places, np.full((n, p, k), -np.inf),
            np.full((n, p, k, 2, 3), np.nan), np.zeros(n), np.zeros(n, bool), np.zeros(n, np.intp),
        )  # fmt: skip

    def settle(self, place: int) -> None:
        """Find room, touching and the tightest obstacle at a place."""
        lower, upper = self._bounds(place)
        room = upper - self.required
        first = np.isinf(upper).all()
        at_least = float((lower - self.required).min())
        least = float(room.min())
        certain = at_least >= 0.0 or least < 0.0
        if certain and least - at_least <= BOUND_M and lower.min() > _SHELL_M:
            self._tell(place, 0.5 * (least + at_least), False, room)
            return
        matrix = self._matrix(place)
        for p in np.argsort((lower - self.required).min(axis=1)):
            # What may be tightest is measured; of the rest, what may touch is searched for touching alone.
            reach = np.maximum(np.minimum(upper[p], float(room.min()) + self.required), 0.0) + _SHELL_M
            if first:
                reach[:] = np.inf
            apart = bool((upper == 0.0).any()) | (lower[p] > _SHELL_M)
            reach[(lower[p] - self.required >= room.min()) & apart] = -1.0
            if (reach < 0.0).all():
                continue
            pose = self.poses[p]
            moving = self.parts[p].placed(matrix if pose is None else matrix @ pose)
            for index, start in self.obstacles:
                stop = start + int(index.forest.root_labels.max()) + 1
                wanted = reach[start:stop]
                if (wanted < 0.0).all():
                    continue
                self.lower[place, p, start:stop] = np.maximum(lower[p, start:stop], wanted)
                for label, near in index.approaches(moving, wanted).items():
                    if np.isinf(near.distance_m):
                        continue
                    k = start + label
                    upper[p, k] = self.lower[place, p, k] = near.distance_m
                    self.points[place, p, k] = (near.on_other - matrix[:3, 3]) @ matrix[:3, :3], near.on_body
                room[p] = upper[p] - self.required
        self._tell(place, float(room.min()), bool((upper == 0.0).any()), room)

    def _tell(self, place: int, room: float, touches: bool, rooms: Floats) -> None:
        self.room[place], self.touches[place] = room, touches
        self.tightest[place] = int(rooms.min(axis=0).argmin())

    def _bounds(self, place: int) -> tuple[Floats, Floats]:
        """(p, k), (p, k) m, what each distance is at least and at most, from what was measured elsewhere."""
        known = np.flatnonzero((self.lower > -np.inf).any(axis=(1, 2)))
        shape = self.lower.shape[1:]
        if len(known) == 0:
            return np.zeros(shape), np.full(shape, np.inf)
        off = self.places[known] - self.places[place]
        way = np.hypot(off[:, 0], off[:, 1])[:, None] + 2.0 * np.sin(0.5 * np.abs(off[:, 2:])) * self.reach_of
        lower = np.maximum((self.lower[known] - way[:, :, None]).max(axis=0), 0.0)
        matrix = self._matrix(place)
        near = np.argsort(way.max(axis=1), kind="stable")[:_ASKED]
        on_part, on_body = np.moveaxis(self.points[known[near]], 3, 0)
        apart = np.linalg.norm(on_part @ matrix[:3, :3].T + matrix[:3, 3] - on_body, axis=3)
        return lower, np.where(np.isnan(apart), np.inf, apart).min(axis=0)

    def _matrix(self, place: int) -> Floats:
        """(4, 4) from today's place."""
        aft, up, turn = self.places[place]
        cos, sin = np.cos(turn), np.sin(turn)
        matrix = np.eye(4)
        matrix[:3, :3] = [[cos, 0.0, -sin], [0.0, 1.0, 0.0], [sin, 0.0, cos]]
        matrix[:3, 3] = self.pivot - matrix[:3, :3] @ self.pivot + [-aft, 0.0, up]
        return matrix


def _axes(**axes: Floats) -> list[Floats]:
    """The axes as arrays, with exactly 0 in each.

    Raises:
        InputError: one does not rise or has no 0.
    """
    names = {"aft_m": "fore-aft places", "up_m": "heights", "turn_rad": "incidences"}
    checked = []
    for name, values in axes.items():
        axis = np.asarray(values, np.float64)
        if axis.ndim != 1 or len(axis) == 0 or not np.isfinite(axis).all() or (np.diff(axis) <= 0.0).any():
            raise InputError(f"The {names[name]} to try must be numbers that rise.")
        if not (axis == 0.0).any():
            raise InputError(f"The {names[name]} to try must hold 0, which is today's place.")
        checked.append(axis)
    return checked


def _order(number: Slots, across: Floats, along: Floats) -> list[int]:
    """Today's place, then columns from today's outwards, in each the ends and ever finer between them.

    What lies between two places with like bounds may then be left out.
    """
    spans, rows = [(0, len(along) - 1)], [int(np.argmin(np.abs(along))), 0, len(along) - 1]
    while spans:
        low, high = spans.pop(0)
        middle = (low + high) // 2
        if middle > low:
            rows.append(middle)
            spans += [(low, middle), (middle, high)]
    columns = np.argsort(np.abs(across), kind="stable")
    return [int(number[i, j]) for i in columns for j in dict.fromkeys(rows)]


def _way(axis: str, values: Floats, room: Floats, touches: Bools, start: int, sign: int) -> str:
    """How far it may go along an axis: ``room`` and ``touches`` along it, today's place is ``start``."""
    clear = (room >= 0.0) & ~touches
    at, end = start, (len(values) - 1 if sign > 0 else 0)
    if at == end:
        return ""
    while at != end and clear[at + sign]:
        at += sign
    done = _WAYS[axis][int(sign < 0)][0]
    if at == end:
        return f"{done} by {_amount(axis, abs(float(values[at])))} or more"
    step = abs(float(values[at + sign] - values[at]))
    fall = float(room[at] - room[at + sign])
    if axis != "turn" and touches[at + sign]:
        # Room ends with the touch, though the way down goes on: as steep as can be is on the safe side.
        fall = max(fall, step)
    share = float(room[at]) / fall if fall > 0.0 else 0.0
    far = abs(float(values[at])) + np.floor(10.0 * share + 1e-9) * 0.1 * step
    return f"{done} by {_amount(axis, far)}"


def _amount(axis: str, value: float) -> str:
    return f"{round(to_degrees(value), 2):g}°" if axis == "turn" else f"{round(to_mm(value), 2):g} mm"
