"""Lifting surfaces as a lattice of vortex rings on the elements' mean surfaces, end plates and other upright plates.

Places along the chord and the span follow the cosine rule of Lan, "A Quasi-Vortex-Lattice Method in
Thin Wing Theory", Journal of Aircraft 11(9), 1974: exact for a flat plate in plane flow with any
number of rows. Upright plates are as high at each place along them as their outline. The road is the
mirror image. Wakes run straight aft. Forces are those of Kutta and Joukowski on every bound segment in
the local wind.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..elements.element import Element
from ..elements.plate import plate_outline
from ..errors import InputError

Floats = NDArray[np.float64]

ROWS = 8
COLUMNS = 28
PLATE_ROWS = 3
CORNER_SHARE = 0.05
"""Nearer its ends than this over its length a plate counts as high as there: the wake leaves a rounded corner too."""
LEAST_REACH = 0.05
"""Least reach of a plate off its spine over the greatest, so that no panel there is without area."""
CORE_SHARE = 0.05
"""Vortex core over the rows' spacing, felt only by other elements and the body."""
OWN_CORE_SHARE = 1e-4
"""The same on the element itself, only so that a segment's own middle, off it by rounding, is left in peace."""
BLOCK = 128
"""Places worked on at a time, so that what is at hand stays in the processor's cache."""
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


def bracket_sheet(outline: Floats, owner: int, rows: int = ROWS) -> Sheet:
    """An upright flat plate, such as a bracket, as a lattice of its own.

    Args:
        outline: (m, 3) m, the points round it, all in one plane that does not lie level.

    Raises:
        InputError: fewer than three points, points off the plane by a twentieth of its size, or a level plate.
    """
    outline = np.asarray(outline, np.float64)
    if outline.ndim != 2 or outline.shape[1:] != (3,) or len(outline) < 3 or not np.isfinite(outline).all():
        raise InputError("A bracket's outline needs three or more points of three finite numbers; draw it again.")
    middle = outline.mean(axis=0)
    _, sizes, axes = np.linalg.svd(outline - middle)
    normal = axes[2] * (1.0 if axes[2, 1] >= 0.0 else -1.0)
    if len(sizes) < 3 or sizes[1] <= 1e-6 * sizes[0] or sizes[2] > 0.05 * sizes[1]:
        raise InputError("A bracket's outline does not lie in one plane; draw it flat.")
    if abs(normal[1]) < 0.5:
        raise InputError(
            "A bracket's plane is level or stands across the wind; only upright plates along the car count."
        )
    sides = outline[:, [0, 2]]
    along = np.append(0.5 * (1.0 - np.cos((np.arange(rows) + 0.5) * np.pi / rows)), 1.0)
    x = sides[:, 0].max() - along * np.ptp(sides[:, 0])
    low, high = _extent(sides, x)
    spine = np.column_stack([x, np.zeros(len(x)), 0.5 * (low + high)])
    sheet = _upright(spine, high - spine[:, 2], spine[:, 2] - low, owner)

    def onto(at: Floats) -> Floats:
        lean = (at - middle) * [1.0, 0.0, 1.0] @ normal / normal[1]
        return np.stack([at[..., 0], middle[1] - lean, at[..., 2]], axis=-1)

    return replace(
        sheet,
        nodes=onto(sheet.nodes),
        controls=onto(sheet.controls),
        normals=np.broadcast_to(normal, sheet.normals.shape),
    )


def left_of(sheets: list[Sheet]) -> list[Sheet]:
    """The parts of sheets that are mirror images about y = 0 which lie on its left.

    Raises:
        InputError: a sheet crosses y = 0 without a line of corners there.
    """
    left = []
    for s in sheets:
        y = s.nodes[..., 1]
        size = 1e-9 * max(1.0, float(np.abs(y).max()))
        if y.min() >= -size and y.max() > size:
            left.append(s)
        elif y.max() > size:
            column = s.nodes.shape[1] // 2
            if np.abs(y[:, column]).max() > size:
                raise InputError(
                    "A wing with an odd number of columns has no line of corners at mid-span; take an even one."
                )
            nodes = s.nodes[:, column:].copy()
            nodes[:, 0, 1] = 0.0
            left.append(replace(s, nodes=nodes, controls=s.controls[:, column:], normals=s.normals[:, column:]))
    return left


def _plate(element: Element, owner: int, tip: Floats) -> Sheet:
    """An end plate's lattice, which shares the line ``tip`` (rows + 1, 3) with the wing's."""
    plate = element.end_plate
    assert plate is not None
    side = np.array([1.0 if tip[0, 1] > element.leading_edge[1] else -1.0])
    nose, chord, incidence = element.planform(side)
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
    # Lengths along the chord line from the nose, for the reaches off it.
    aft = (nose[0] - spine) @ forward
    low, high = _extent(plate_outline(plate, float(chord[0])), aft)
    return _upright(spine, np.maximum(high, 0.0), np.maximum(-low, 0.0), owner)


def _upright(spine: Floats, above: Floats, below: Floats, owner: int) -> Sheet:
    """A lattice straight above and below the line ``spine`` (r, 3), by the reaches (r,) from it."""
    columns, places = [np.zeros((len(spine), 1))], [np.zeros((len(spine), 0))]
    # Edges and middles as along the span: fine both at the spine and at the free edge, half a step inside it.
    angle = np.pi / (PLATE_ROWS + 0.5)
    steps = 0.5 * (1.0 - np.cos(angle * np.arange(1, PLATE_ROWS + 1)))
    halves = 0.5 * (1.0 - np.cos(angle * (np.arange(PLATE_ROWS) + 0.5)))
    least = LEAST_REACH * float(max(above.max(), below.max()))
    if below.max() > least:
        reach = np.maximum(below, least)[:, None]
        columns.insert(0, -reach * steps[::-1])
        places.insert(0, -reach * halves[::-1])
    if above.max() > least:
        reach = np.maximum(above, least)[:, None]
        columns.append(reach * steps)
        places.append(reach * halves)
    nodes, middle = (
        spine[:, None, :] + np.concatenate(heights, axis=1)[..., None] * np.array([0.0, 0.0, 1.0])
        for heights in (columns, places)
    )
    controls = np.concatenate([0.5 * (middle[1:-1] + middle[:-2]), middle[-1:]])
    normals = np.broadcast_to(np.array([0.0, 1.0, 0.0]), controls.shape)
    return Sheet(owner, nodes, controls, normals, True)


def _extent(outline: Floats, x: Floats) -> tuple[Floats, Floats]:
    """Lowest and highest z (s,) of a polygon (m, 2) of x and z at each x (s,), ``CORNER_SHARE`` inside its ends."""
    start, end = outline, np.roll(outline, -1, axis=0)
    inset = CORNER_SHARE * float(np.ptp(outline[:, 0]))
    at = np.clip(x, outline[:, 0].min() + inset, outline[:, 0].max() - inset)[:, None]
    run = end[:, 0] - start[:, 0]
    share = (at - start[:, 0]) / np.where(run == 0.0, 1.0, run)
    z = start[:, 1] + share * (end[:, 1] - start[:, 1])
    met = (np.minimum(start[:, 0], end[:, 0]) <= at) & (at <= np.maximum(start[:, 0], end[:, 0]))
    return np.where(met, z, np.inf).min(axis=1), np.where(met, z, -np.inf).max(axis=1)


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

    def __init__(self, sheets: list[Sheet], mirrored: bool = False) -> None:
        """``mirrored``: the sheets are the left half of a set whose right half mirrors them about y = 0."""
        self.sheets = sheets
        self.mirrored = mirrored
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
        if mirrored:
            # There the right half's vortices cancel the left half's.
            self.bound_share[(self.bound_from[:, 1] == 0.0) & (self.bound_to[:, 1] == 0.0)] = 0.0
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
        """(3, len(at), n) velocity at ``at`` (m, 3) for unit strength of each ring (and of its mirrored twin).

        Args:
            owner: (m,) element that each place belongs to; None for places on no element.
            road: with the mirror image under z = 0.
        """
        out = np.empty((3, len(at), len(self.owner)))
        for part in _blocks(len(at)):
            for sheet, (_, place_of) in zip(self.sheets, self.places, strict=True):
                foreign = np.ones(len(at[part]), bool) if owner is None else owner[part] != sheet.owner
                total = _rings(sheet, at[part], foreign)
                for flip in images(road, self.mirrored)[1:]:
                    total += flip[:, None, None] * _rings(sheet, at[part] * flip, foreign)
                out[:, part, place_of] = total
        return out

    def through(self, at: Floats, normals: Floats, road: bool = True) -> Floats:
        """(m, n) velocity along ``normals`` (m, 3) at places ``at`` (m, 3) on no element, rings as in ``velocity``."""
        out = np.empty((len(at), len(self.owner)))
        for part in _blocks(len(at)):
            for sheet, (_, place_of) in zip(self.sheets, self.places, strict=True):
                total = _through(sheet, at[part], normals[part])
                for flip in images(road, self.mirrored)[1:]:
                    total += _through(sheet, at[part] * flip, normals[part] * flip)
                out[part, place_of] = total
        return out

    def solve(self, matrix: Floats, right: Floats) -> Floats:
        """(n, c) ring strengths from the equations of the control points; doubled rings get none."""
        if self.doubled.any():
            matrix, right = matrix.copy(), right.copy()
            matrix[self.doubled] = np.eye(len(matrix))[self.doubled]
            right[self.doubled] = 0.0
        return np.asarray(np.linalg.solve(matrix, right), np.float64)


def images(road: bool, mirrored: bool) -> Floats:
    """(i, 3) signs of x, y and z of the images of a half model over the road, the thing itself first.

    An image's velocity at a place is the thing's own at the flipped place, flipped back.
    """
    flips = [[1.0, 1.0, 1.0]]
    flips += [[1.0, 1.0, -1.0]] if road else []
    flips += [[1.0, -1.0, z] for _, _, z in flips] if mirrored else []
    return np.array(flips)


def ring_strengths(lattice: Lattice, normals: Floats, velocity: Floats, wind: Floats) -> Floats:
    """(n,) m2/s strengths with which no air crosses the sheets.

    Args:
        normals: (n, 3) unit, at the control points.
        velocity: (3, n, n) at the control points for unit strength of each ring.
        wind: (3, n) m/s, everything else.
    """
    matrix = np.einsum("ni,inm->nm", normals, velocity)
    return lattice.solve(matrix, -np.einsum("ni,in->n", normals, wind)[:, None])[:, 0]


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


def _blocks(count: int) -> Iterator[slice]:
    return (slice(start, start + BLOCK) for start in range(0, count, BLOCK))


def _rings(sheet: Sheet, at: Floats, foreign: NDArray[np.bool_]) -> Floats:
    nodes = sheet.nodes
    rows, columns = sheet.controls.shape[:2]
    spacing = float(np.mean(np.linalg.norm(np.diff(nodes, axis=0), axis=-1)))
    core2 = (np.where(foreign, CORE_SHARE, OWN_CORE_SHARE) * spacing)[:, None, None] ** 2
    ray = at.T[:, :, None, None] - nodes.transpose(2, 0, 1)[:, None]
    r = np.sqrt(ray[0] * ray[0] + ray[1] * ray[1] + ray[2] * ray[2])
    across = _segments(ray[:, :, :-1, :-1], ray[:, :, :-1, 1:], r[:, :-1, :-1], r[:, :-1, 1:], core2)
    along = _segments(ray[:, :, :-1], ray[:, :, 1:], r[:, :-1], r[:, 1:], core2)
    out = along[..., 1:] - along[..., :-1]
    out += across
    out[:, :, :-1] -= across[:, :, 1:]
    # The trailing edge itself carries nothing: ring and wake cancel there.
    wake = _legs(ray[:, :, -1], r[:, -1], core2[:, 0])
    out[:, :, -1] += wake[..., 1:]
    out[:, :, -1] -= wake[..., :-1]
    return out.reshape(3, len(at), rows * columns)


def _through(sheet: Sheet, at: Floats, normals: Floats) -> Floats:
    """(m, n) as ``_rings`` along ``normals``, with products of matrices in place of most of the work."""
    rows, columns = sheet.controls.shape[:2]
    spacing = float(np.mean(np.linalg.norm(np.diff(sheet.nodes, axis=0), axis=-1)))
    centre = sheet.nodes.mean(axis=(0, 1))
    nodes, at = sheet.nodes - centre, at - centre
    flat = nodes.reshape(-1, 3)
    r2 = at @ (-2.0 * flat.T)
    r2 += (flat * flat).sum(axis=1)
    r2 += (at * at).sum(axis=1)[:, None]
    r2 = np.maximum(r2, 1e-12 * spacing**2, out=r2).reshape(-1, rows + 1, columns + 1)
    r = np.sqrt(r2)
    lever = np.column_stack([normals, -np.cross(normals, at)])

    def segments(a: Floats, b: Floats, first: tuple[slice, slice, slice], last: tuple[slice, slice, slice]) -> Floats:
        edge = (b - a).reshape(-1, 3)
        length2 = (edge * edge).sum(axis=1).reshape(a.shape[:2])
        ru, rv = r[first], r[last]
        uv = ru * rv
        below = r2[first] + r2[last]
        below -= length2
        below *= 0.5
        below += uv
        below *= uv
        below += 0.5 * (CORE_SHARE * spacing) ** 2 * length2
        np.add(ru, rv, out=uv)
        uv /= below
        uv *= (lever @ np.column_stack([np.cross(a, b).reshape(-1, 3), edge]).T).reshape(uv.shape)
        return uv

    every, fore = slice(None), slice(None, -1)
    across = segments(nodes[:-1, :-1], nodes[:-1, 1:], (every, fore, fore), (every, fore, slice(1, None)))
    along = segments(nodes[:-1], nodes[1:], (every, fore, every), (every, slice(1, None), every))
    out = along[..., 1:] - along[..., :-1]
    out += across
    out[:, :-1] -= across[:, 1:]
    out /= 4.0 * np.pi
    ray = at.T[:, :, None] - nodes[-1].T[:, None]
    wake = np.einsum("mi,imc->mc", normals, _legs(ray, r[:, -1], np.full((1, 1), (CORE_SHARE * spacing) ** 2)))
    out[:, -1] += wake[:, 1:] - wake[:, :-1]
    return out.reshape(len(at), rows * columns)


def _segments(u: Floats, v: Floats, ru: Floats, rv: Floats, core2: Floats) -> Floats:
    """(3, ...) velocity of straight unit vortices at places ``u`` from their start, ``v`` from their end."""
    edge = u[:, :1] - v[:, :1]
    length2 = (edge * edge).sum(axis=0)
    factor = ru * rv
    below = u[0] * v[0]
    below += u[1] * v[1]
    below += u[2] * v[2]
    below += factor
    below *= factor
    below += 0.5 * core2 * length2
    below *= 4.0 * np.pi
    below += 1e-300
    np.add(ru, rv, out=factor)
    factor /= below
    out = np.empty((3, *factor.shape))
    for i, (j, k) in enumerate(((1, 2), (2, 0), (0, 1))):
        np.multiply(u[j], v[k], out=out[i])
        np.multiply(u[k], v[j], out=below)
        out[i] -= below
        out[i] *= factor
    return out


def _legs(ray: Floats, r: Floats, core2: Floats) -> Floats:
    """(3, ...) velocity of unit vortices straight aft without end at places that lie ``ray`` from their start."""
    factor = 1.0 / (4.0 * np.pi * (r * (r + ray[0]) + 0.5 * core2) + 1e-300)
    return np.stack([np.zeros_like(r), ray[2] * factor, -ray[1] * factor])
