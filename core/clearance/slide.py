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
from .allowance import allowance_words, check_allowance
from .surroundings import Surroundings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Slots = NDArray[np.intp]

BOUND_M = 1e-4
"""Room is interpolated only where it is known to lie between two values no farther apart than this."""
JOINED_M = 1e-4
"""Parts so near to each other today count as joined (common practice, no source): bolted faces are not modelled to
less."""
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
        room_m: (i, j) m, the least of distance less the allowance and less what its zone asks for, over all parts and
            zones; below zero it is tight, and at most minus the requirement where it touches.
        touches: (i, j) bool; surfaces touch or cross, or not even the allowance is left.
        tightest: (i, j) int, number in ``obstacles`` of what is tightest, among those that touch where any does.
        allowance_m: what was taken off every distance.
        mover: (i, j) int, number in ``movers`` of the part that is tightest there; None when it was not told.
        movers: names of the parts that are moved.
        obstacles: names of the zones, and after them of the parts that stay.
        joined: a moved part and one that stays, for each such pair that touches today and is therefore not looked at.
    """

    across: str
    along: str
    across_values: Floats
    along_values: Floats
    room_m: Floats
    touches: NDArray[np.bool_]
    tightest: NDArray[np.intp]
    allowance_m: float = 0.0
    mover: Slots | None = None
    movers: tuple[str, ...] = ()
    obstacles: tuple[str, ...] = ()
    joined: tuple[tuple[str, str], ...] = ()

    @property
    def clear(self) -> Bools:
        """(i, j) whether everything has the room asked for and nothing touches."""
        return np.asarray((self.room_m >= 0.0) & ~self.touches)

    @property
    def sentence(self) -> str:
        """How far it may go each way from today's place before something is tight, or that today's is not clear.

        Between the map's places room runs in straight lines; what is said is rounded down to a tenth of a step. Heights
        are left to the map of places where the other axis is incidence, and so is what goes for both maps.
        """
        i, j = int(np.argmin(np.abs(self.across_values))), int(np.argmin(np.abs(self.along_values)))
        words = self._ways(i, j) if self.clear[i, j] else self._elsewhere(i, j)
        return words if self.across == "turn" else " ".join([words, *self._for_both(i, j)])

    def _ways(self, i: int, j: int) -> str:
        axes = [(self.across, self.across_values, self.room_m[:, j], self.touches[:, j], i)]
        if self.across != "turn":
            axes.append((self.along, self.along_values, self.room_m[i], self.touches[i], j))
        ways = []
        for number, axis in enumerate(axes):
            for sign in (1, -1):
                way, stop = _way(*axis, sign)
                which = self._between(*((i, stop) if number else (stop, j)))
                if way:
                    ways.append(f"{way} (then {which} is too tight)" if stop >= 0 and which else way)
        if not ways:
            return "Today's place is clear."
        listed = f"{', '.join(ways[:-1])}{' or ' * (len(ways) > 1)}{ways[-1]}"
        return f"From today's place it may be {listed} with everything clear."

    def _between(self, i: int, j: int) -> str:
        """What is tightest at a place, in words; empty when names were not told."""
        if not self.obstacles or self.mover is None:
            return ""
        return f"“{self.movers[self.mover[i, j]]}” to “{self.obstacles[self.tightest[i, j]]}”"

    def _for_both(self, i: int, j: int) -> list[str]:
        words, which = [], self._between(i, j)
        if which and self.clear[i, j]:
            words.append(f"Tightest today is {which}, by {to_mm(float(self.room_m[i, j])):.1f} mm more than asked for.")
        words += [f"“{stays}” touches “{part}” today, so the two count as joined." for part, stays in self.joined]
        return [*words, allowance_words(self.allowance_m)]

    def _elsewhere(self, i: int, j: int) -> str:
        which = self._between(i, j)
        amiss = "touches" if self.touches[i, j] else f"is too near by {to_mm(-float(self.room_m[i, j])):.1f} mm"
        amiss += f" ({which})" if which else ""
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
    allowance_m: float = 0.0,
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
            the body (``tightest`` goes on counting). Those that touch a moved part today are taken as joined to it,
            and are not looked at together with it.
        allowance_m: taken off every distance, as in ``measure_clearance``.
        tick: told how far it is (0..1); may raise to stop.

    Raises:
        InputError: no parts, axes that are not rising or without 0, a pose that is not rigid, or a clearance or an
            allowance that is no length.
    """
    check_allowance(allowance_m)
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
    search = _Search.over(around, parts, poses, pivot, standing, places, allowance_m)
    order = list(dict.fromkeys(_order(columns[0], aft, up) + _order(columns[1], turn, up)))
    for done, place in enumerate(order):
        tick(done / len(order), f"Place {done + 1} of {len(order)}")
        search.settle(place)
    tick(1.0, f"{len(order)} places")
    maps = [
        SlideMap(
            name,
            "up",
            values,
            up,
            search.room[here],
            search.touches[here],
            search.tightest[here],
            allowance_m,
            search.mover[here],
            tuple(part.name for part in parts),
            search.names,
            search.joined,
        )
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
        names: (k,)
        joined: pairs of names that are left out.
        required: (k,) m, with the allowance.
        allowance: m; what is no farther touches.
        places: (n, 3) aft m, up m, turn rad.
        left_out: (p, k) whether they are joined.
        lower: (n, p, k) m, no nearer than this; -inf where nothing was measured.
        points: (n, p, k, 2, 3) m, the two nearest points found there, the part's one as it lies today; NaN.
        room, touches, tightest, mover: (n,) the answer.
    """

    parts: Sequence[Part]
    poses: Sequence[Floats | None]
    reach_of: Floats
    pivot: Floats
    obstacles: Sequence[tuple[TriangleIndex, int]]
    names: tuple[str, ...]
    joined: tuple[tuple[str, str], ...]
    required: Floats
    allowance: float
    places: Floats
    left_out: Bools
    lower: Floats
    points: Floats
    room: Floats
    touches: Bools
    tightest: Slots
    mover: Slots

    @staticmethod
    def over(
        around: Surroundings,
        parts: Sequence[Part],
        poses: Sequence[Floats | None],
        pivot: Floats,
        standing: Sequence[tuple[Part, Floats | None, float]],
        places: Floats,
        allowance: float,
    ) -> _Search:
        zones = len(around.scan.zones)
        obstacles = [(around.index, 0)]
        obstacles += [(part.placed(pose), zones + k) for k, (part, pose, _) in enumerate(standing)]
        required = np.array([z.required_m for z in around.scan.zones] + [asked for _, _, asked in standing])
        required = required + allowance
        names = (*(zone.name for zone in around.scan.zones), *(part.name for part, _, _ in standing))
        n, p, k = len(places), len(parts), len(required)
        left_out, joined, off = np.zeros((p, k), bool), [], []
        for row, (part, pose) in enumerate(zip(parts, poses, strict=True)):
            points = part.mesh.points if pose is None else moved(part.mesh.points, rigid(pose, part.name))
            off.append(float(np.hypot(points[:, 0] - pivot[0], points[:, 2] - pivot[2]).max()))
            placed = part.placed(pose)
            for index, number in obstacles[1:]:
                if index.nearer(placed, JOINED_M):
                    left_out[row, number] = True
                    joined.append((part.name, names[number]))
        return _Search(
            parts, poses, np.array(off), pivot, obstacles, names, tuple(joined), required, allowance, places,
            left_out, np.full((n, p, k), -np.inf), np.full((n, p, k, 2, 3), np.nan),
            np.zeros(n), np.zeros(n, bool), np.zeros(n, np.intp), np.zeros(n, np.intp),
        )  # fmt: skip

    def settle(self, place: int) -> None:
        """Find room, touching and the tightest obstacle at a place."""
        lower, upper = self._bounds(place)
        room = upper - self.required
        first = np.isinf(upper).all()
        at_least = float((lower - self.required).min())
        least = float(room.min())
        certain = at_least >= 0.0 or least < 0.0
        touches, near = bool((upper <= self.allowance).any()), self.allowance + _SHELL_M
        if certain and least - at_least <= BOUND_M and (touches or lower.min() > near):
            self._tell(place, 0.5 * (least + at_least), upper)
            return
        matrix = self._matrix(place)
        for p in np.argsort((lower - self.required).min(axis=1)):
            # What may be tightest is measured; of the rest, what may touch is searched for touching alone.
            reach = np.minimum(upper[p], float(room.min()) + self.required)
            reach = np.maximum(reach, self.allowance) + _SHELL_M
            if first:
                reach[:] = np.inf
            apart = bool((upper <= self.allowance).any()) | (lower[p] > near)
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
                for label, found in index.approaches(moving, wanted).items():
                    if np.isinf(found.distance_m):
                        continue
                    k = start + label
                    upper[p, k] = self.lower[place, p, k] = found.distance_m
                    self.points[place, p, k] = (found.on_other - matrix[:3, 3]) @ matrix[:3, :3], found.on_body
                room[p] = upper[p] - self.required
        self._tell(place, float(room.min()), upper)

    def _tell(self, place: int, room: float, upper: Floats) -> None:
        touching = upper <= self.allowance
        self.room[place], self.touches[place] = room, touching.any()
        rooms = np.where(touching == touching.any(), upper - self.required, np.inf)
        self.mover[place], self.tightest[place] = np.unravel_index(rooms.argmin(), rooms.shape)

    def _bounds(self, place: int) -> tuple[Floats, Floats]:
        """(p, k), (p, k) m, what each distance is at least and at most, from what was measured elsewhere."""
        known = np.flatnonzero((self.lower > -np.inf).any(axis=(1, 2)))
        shape = self.lower.shape[1:]
        if len(known) == 0:
            return np.where(self.left_out, np.inf, 0.0), np.full(shape, np.inf)
        off = self.places[known] - self.places[place]
        way = np.hypot(off[:, 0], off[:, 1])[:, None] + 2.0 * np.sin(0.5 * np.abs(off[:, 2:])) * self.reach_of
        lower = np.maximum((self.lower[known] - way[:, :, None]).max(axis=0), 0.0)
        matrix = self._matrix(place)
        near = np.argsort(way.max(axis=1), kind="stable")[:_ASKED]
        on_part, on_body = np.moveaxis(self.points[known[near]], 3, 0)
        apart = np.linalg.norm(on_part @ matrix[:3, :3].T + matrix[:3, 3] - on_body, axis=3)
        return np.where(self.left_out, np.inf, lower), np.where(np.isnan(apart), np.inf, apart).min(axis=0)

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


def _way(axis: str, values: Floats, room: Floats, touches: Bools, start: int, sign: int) -> tuple[str, int]:
    """How far it may go along an axis, and the number of the place where that ends; -1 where nothing stops it.

    Args:
        axis, values: of the axis.
        room, touches: along it.
        start: today's place.
        sign: which way.
    """
    clear = (room >= 0.0) & ~touches
    at, end = start, (len(values) - 1 if sign > 0 else 0)
    if at == end:
        return "", -1
    while at != end and clear[at + sign]:
        at += sign
    done = _WAYS[axis][int(sign < 0)][0]
    if at == end:
        return f"{done} by {_amount(axis, abs(float(values[at])))} or more", -1
    step = abs(float(values[at + sign] - values[at]))
    fall = float(room[at] - room[at + sign])
    if axis != "turn" and touches[at + sign]:
        # Room ends with the touch, though the way down goes on: as steep as can be is on the safe side.
        fall = max(fall, step)
    share = float(room[at]) / fall if fall > 0.0 else 0.0
    far = abs(float(values[at])) + np.floor(10.0 * share + 1e-9) * 0.1 * step
    return f"{done} by {_amount(axis, far)}", at + sign


def _amount(axis: str, value: float) -> str:
    return f"{round(to_degrees(value), 2):g}°" if axis == "turn" else f"{round(to_mm(value), 2):g} mm"
