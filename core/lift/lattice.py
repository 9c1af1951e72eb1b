"""Lifting surfaces as a lattice of vortex rings on the elements' mean surfaces and end plates.

Places along the chord and the span follow the cosine rule of Lan, "A Quasi-Vortex-Lattice Method in
Thin Wing Theory", Journal of Aircraft 11(9), 1974: exact for a flat plate in plane flow with any
number of rows. The road is the mirror image. Wakes run straight aft. Forces are those of
Kutta and Joukowski on every bound segment in the local wind.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..elements.element import Element

Floats = NDArray[np.float64]

ROWS = 8
COLUMNS = 28
PLATE_ROWS = 3
CORE_SHARE = 0.05
"""Vortex core over the rows' spacing, felt only by other elements and the body."""
SAME_PLANE_CHORDS = 0.1
"""Plates of two elements nearer than this over the chord count as one sheet where they cover each other."""


@dataclass(frozen=True)
class Sheet:
    """One lattice. Rows run aft, columns along the span (or up an end plate).

    Attributes:
        owner: index of its element.
        nodes: (rows + 1, columns + 1, 3) m, corners of the rings; the last row is the trailing edge.
        controls: (rows, columns, 3) m, where the flow has to be tangent.
        normals: (rows, columns, 3) unit.
        plate: whether this is an end plate.
    """

    owner: int
    nodes: Floats
    controls: Floats
    normals: Floats
    plate: bool


def sheets_of(element: Element, owner: int, rows: int = ROWS, columns: int = COLUMNS) -> list[Sheet]:
    """The element's mean surface and, if it has them, its end plates as lattices."""
    along = np.append(0.5 * (1.0 - np.cos((np.arange(rows) + 0.5) * np.pi / rows)), 1.0)
    at = 0.5 * (1.0 - np.cos(np.arange(1, rows + 1) * np.pi / rows))
    if element.end_plate is None:
        # Edges half a step inside the tip, where a free tip's load has already fallen.
        edges = -np.cos((np.arange(columns + 1) + 0.5) * np.pi / (columns + 1))
        middles = -np.cos(np.arange(1, columns + 1) * np.pi / (columns + 1))
    else:
        edges = -np.cos(np.arange(columns + 1) * np.pi / columns)
        middles = -np.cos((np.arange(columns) + 0.5) * np.pi / columns)
    step = 1e-4
    aft = _mean(element, middles, np.minimum(at + step, 1.0)) - _mean(element, middles, at - step)
    inside = np.clip(middles, step - 1.0, 1.0 - step)
    left = _mean(element, inside + step, at) - _mean(element, inside - step, at)
    normals = np.cross(left, aft)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    wing = Sheet(owner, _mean(element, edges, along), _mean(element, middles, at), normals, False)
    return [wing, *(_plate(element, owner, wing.nodes[:, column]) for column in (0, -1) if element.end_plate)]


def _mean(element: Element, eta: Floats, x: Floats) -> Floats:
    up, low = element.surfaces(eta, x)
    return (0.5 * (up + low)).swapaxes(0, 1)


def _plate(element: Element, owner: int, tip: Floats) -> Sheet:
    """An end plate's lattice, which shares the line ``tip`` (rows + 1, 3) with the wing's."""
    plate = element.end_plate
    assert plate is not None
    side = np.array([1.0 if tip[0, 1] > element.leading_edge[1] else -1.0])
    nose, _, incidence = element.planform(side)
    forward = np.array([np.cos(incidence[0]), 0.0, np.sin(incidence[0])])
    count = len(tip) - 1
    line = [tip]
    if plate.ahead_m > 0.0:
        shares = np.linspace(1.0, 0.0, max(2, count // 4), endpoint=False)[:, None]
        line.insert(0, nose[0] + shares * plate.ahead_m * forward)
    if plate.behind_m > 0.0:
        shares = np.linspace(0.0, 1.0, max(2, count // 4) + 1)[1:, None]
        line.append(tip[-1] - shares * plate.behind_m * np.array([1.0, 0.0, 0.0]))
    spine = np.concatenate(line)
    heights, places = [np.zeros(1)], [np.zeros(0)]
    # Edges and middles as along the span: fine both at the wing and at the free edge, half a step inside it.
    angle = np.pi / (PLATE_ROWS + 0.5)
    steps = 0.5 * (1.0 - np.cos(angle * np.arange(1, PLATE_ROWS + 1)))
    halves = 0.5 * (1.0 - np.cos(angle * (np.arange(PLATE_ROWS) + 0.5)))
    if plate.below_m > 0.0:
        heights.insert(0, -plate.below_m * steps[::-1])
        places.insert(0, -plate.below_m * halves[::-1])
    if plate.above_m > 0.0:
        heights.append(plate.above_m * steps)
        places.append(plate.above_m * halves)
    nodes, middle = (
        spine[:, None, :] + np.concatenate(levels)[None, :, None] * np.array([0.0, 0.0, 1.0])
        for levels in (heights, places)
    )
    controls = np.concatenate([0.5 * (middle[1:-1] + middle[:-2]), middle[-1:]])
    normals = np.broadcast_to(np.array([0.0, 1.0, 0.0]), controls.shape)
    return Sheet(owner, nodes, controls, normals, True)


class Lattice:
    """All sheets as one list of unknowns, sheet by sheet, row by row.

    Attributes:
        controls, normals: (n, 3).
        owner: (n,) element of each unknown.
        bound_from, bound_to: (s, 3) m, ends of the bound segments.
        bound_owner: (s,) element of each.
        bound_share: (s, n) strength of each segment for unit strength of each ring.
        doubled: (n,) rings of an end plate that an earlier element's plate already covers; they carry nothing.
    """

    def __init__(self, sheets: list[Sheet]) -> None:
        self.sheets = sheets
        self.controls = np.concatenate([s.controls.reshape(-1, 3) for s in sheets])
        self.normals = np.concatenate([s.normals.reshape(-1, 3) for s in sheets])
        self.owner = np.concatenate([np.full(s.controls[..., 0].size, s.owner) for s in sheets])
        starts, ends, owners = [], [], []
        self.bound_share = np.zeros((sum(_bound_count(s) for s in sheets), len(self.owner)))
        self.places: list[tuple[slice, slice]] = []
        row = ring = 0
        for s in sheets:
            rows, columns = s.controls.shape[:2]
            starts += [s.nodes[:-1, :-1].reshape(-1, 3), s.nodes[:-1].reshape(-1, 3)]
            ends += [s.nodes[:-1, 1:].reshape(-1, 3), s.nodes[1:].reshape(-1, 3)]
            count = _bound_count(s)
            owners.append(np.full(count, s.owner))
            number = np.arange(rows * columns).reshape(rows, columns)
            across, along = number, rows * columns + np.arange(rows * (columns + 1)).reshape(rows, columns + 1)
            block = self.bound_share[row : row + count, ring : ring + rows * columns]
            block[across, number] = 1.0
            block[across[1:], number[:-1]] = -1.0
            block[along[:, 1:], number] = 1.0
            block[along[:, :-1], number] -= 1.0
            self.places.append((slice(row, row + count), slice(ring, ring + rows * columns)))
            row, ring = row + count, ring + rows * columns
        self.bound_from, self.bound_to = np.concatenate(starts), np.concatenate(ends)
        self.bound_owner = np.concatenate(owners)
        self.doubled = np.zeros(len(self.owner), bool)
        plates = [(s, place) for s, (_, place) in zip(sheets, self.places, strict=True) if s.plate]
        for i, (earlier, _) in enumerate(plates):
            for later, place in plates[i + 1 :]:
                if later.owner != earlier.owner:
                    self.doubled[place] |= _covered(later, earlier)

    @property
    def bound_middle(self) -> Floats:
        """(s, 3) m."""
        return 0.5 * (self.bound_from + self.bound_to)

    def velocity(self, at: Floats, owner: NDArray[np.intp] | None = None, road: bool = True) -> Floats:
        """(3, len(at), n) velocity at ``at`` (m, 3) for unit strength of each ring.

        Args:
            owner: (m,) element that each place belongs to; None for places on no element.
            road: with the mirror image under z = 0.
        """
        out = np.empty((3, len(at), len(self.owner)))
        for sheet, (_, place) in zip(self.sheets, self.places, strict=True):
            foreign = np.ones(len(at), bool) if owner is None else owner != sheet.owner
            out[:, :, place] = _rings(sheet, at, foreign)
            if road:
                image = _rings(sheet, at * [1.0, 1.0, -1.0], np.zeros(len(at), bool))
                out[:2, :, place] += image[:2]
                out[2, :, place] -= image[2]
        return out


def ring_strengths(lattice: Lattice, normals: Floats, velocity: Floats, wind: Floats) -> Floats:
    """(n,) m2/s strengths with which no air crosses the sheets.

    Args:
        normals: (n, 3) unit, at the control points.
        velocity: (3, n, n) at the control points for unit strength of each ring.
        wind: (3, n) m/s, everything else.
    """
    matrix = np.einsum("ni,inm->nm", normals, velocity)
    right = -np.einsum("ni,in->n", normals, wind)
    matrix[lattice.doubled] = np.eye(len(matrix))[lattice.doubled]
    right[lattice.doubled] = 0.0
    return np.linalg.solve(matrix, right)


def forces(lattice: Lattice, strength: Floats, wind: Floats, density: float) -> Floats:
    """(s, 3) N: force on each bound segment.

    Args:
        strength: (n,) m2/s, the rings.
        wind: (3, s) m/s, at the segments' middles.
    """
    share = lattice.bound_share @ strength
    return density * share[:, None] * np.cross(wind.T, lattice.bound_to - lattice.bound_from)


def _bound_count(sheet: Sheet) -> int:
    rows, columns = sheet.controls.shape[:2]
    return rows * columns + rows * (columns + 1)


def _covered(plate: Sheet, other: Sheet) -> NDArray[np.bool_]:
    """(n,) which rings of ``plate`` have their control point on ``other``, seen from the side."""
    chord = float(np.ptp(other.nodes[..., 0]))
    at = plate.controls.reshape(-1, 3)
    x = other.nodes[::-1, 0, 0]
    lower, upper = (np.interp(at[:, 0], x, other.nodes[::-1, column, 2]) for column in (0, -1))
    inside = (at[:, 0] >= x[0]) & (at[:, 0] <= x[-1]) & (at[:, 2] >= lower) & (at[:, 2] <= upper)
    return inside & (abs(plate.nodes[0, 0, 1] - other.nodes[0, 0, 1]) < SAME_PLANE_CHORDS * chord)


def _rings(sheet: Sheet, at: Floats, foreign: NDArray[np.bool_]) -> Floats:
    nodes = sheet.nodes
    rows, columns = sheet.controls.shape[:2]
    spacing = float(np.mean(np.linalg.norm(np.diff(nodes, axis=0), axis=-1)))
    core = np.where(foreign, CORE_SHARE * spacing, 1e-6 * spacing)[:, None]
    across = _segments(nodes[:-1, :-1].reshape(-1, 3), nodes[:-1, 1:].reshape(-1, 3), at, core)
    along = _segments(nodes[:-1].reshape(-1, 3), nodes[1:].reshape(-1, 3), at, core)
    across = across.reshape(3, len(at), rows, columns)
    along = along.reshape(3, len(at), rows, columns + 1)
    out = across + along[..., 1:] - along[..., :-1]
    out[:, :, :-1] -= across[:, :, 1:]
    # The trailing edge itself carries nothing: ring and wake cancel there.
    wake = _legs(nodes[-1], at, core)
    out[:, :, -1] += wake[..., 1:] - wake[..., :-1]
    return out.reshape(3, len(at), rows * columns)


def _segments(a: Floats, b: Floats, at: Floats, core: Floats) -> Floats:
    """(3, len(at), len(a)) velocity of straight vortices of unit strength from ``a`` to ``b``."""
    ux, uy, uz = (at[:, i, None] - a[:, i] for i in range(3))
    vx, vy, vz = (at[:, i, None] - b[:, i] for i in range(3))
    u, v = np.sqrt(ux * ux + uy * uy + uz * uz), np.sqrt(vx * vx + vy * vy + vz * vz)
    uv = u * v
    length2 = ((b - a) ** 2).sum(axis=1)
    factor = (u + v) / (4.0 * np.pi * (uv * (uv + ux * vx + uy * vy + uz * vz) + 0.5 * core**2 * length2) + 1e-300)
    return np.stack([(uy * vz - uz * vy) * factor, (uz * vx - ux * vz) * factor, (ux * vy - uy * vx) * factor])


def _legs(a: Floats, at: Floats, core: Floats) -> Floats:
    """(3, len(at), len(a)) velocity of unit vortices from ``a`` straight aft without end."""
    x, y, z = (at[:, i, None] - a[:, i] for i in range(3))
    r = np.sqrt(x * x + y * y + z * z)
    factor = 1.0 / (4.0 * np.pi * (r * (r + x) + 0.5 * core**2) + 1e-300)
    return np.stack([np.zeros_like(x), z * factor, -y * factor])
