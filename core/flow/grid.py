"""From scene to grid: which cells are solid, and where the links of the lattice meet the true surface.

Axes of the flow: x aft, y to the car's right, z up, which are the vehicle axes turned half round about z. Cells are
cubes; the air moves between their middles along the lattice's links. A link that a surface cuts is closed from either
end, whether or not the surface's inside holds the middle of a cell, so a plate thinner than a cell stops the air too.
The wall's place on a link is what interpolated bounce-back needs (M. Bouzidi, M. Firdaouss and P. Lallemand, Physics of
Fluids 13, 2001). What is solid follows from ``closing``.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.box import Box
from ..geometry.mesh import TriMesh
from .closing import Block, Closing, block_about, closed_rims, hidden_air, loops, rims_of, solid_cells
from .crossings import ON, Crossings, segment_crossings, triangle_crossings
from .fault import Fault
from .flood import ends, widened
from .kernel import NO_WALL, OVERLAP, ROAD
from .stencil import Stencil, stencil

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int32]
Bytes = NDArray[np.int8]
Bools = NDArray[np.bool_]

Side = Literal["left", "right"]
BODY = "body"
"""Name of the scanned body among the parts."""
_FRONT = "front before the body"
MOST_PARTS = 126
_CLOSURE = np.float32(1.5)
_TURN = np.array([-1.0, -1.0, 1.0])
SCANNED_ROAD_M = 0.01
"""Faces of the body wholly below this height are road that was scanned with it; common practice, no source."""
_HIDDEN = 0.02  # share of a body's cells
MOST_OVERLAP = 0.05
"""Share of the smaller part's cells that may lie in another one, as where a mount is let into a wing, before the forces
on the two are mixed up (common practice, no source)."""
BORDER = OVERLAP + 2
"""Coarser cells from the ends of a level with finer ones in which no part may lie."""
_BEYOND = 2 * BORDER
"""Cells about a level within which the body is looked at too: there is air for sure nearer to any surface."""
MOST_CLOSED = 0.5
"""Share of a part's walls that may be closed by rule before the air meets more of the rule than of the part (common
practice, no source)."""


@dataclass(frozen=True)
class FlowGrid:
    """Cells of a run, and the walls that their links meet.

    Arrays over cells are in C order, the last axis (z) fastest.

    Attributes:
        spacing_m: length of a cell's edge.
        origin_m: (3,) m, flow axes, the lowest corner of the first cell.
        size: cells along x, y, z; one along y in a plane run.
        label: (nx, ny, nz) int8: 0 air, 1 + number of the part solid, -1 below the road.
        parts: names; the scanned body comes last.
        cell: (m,) int32 flat index of the cells of air with a link that meets a wall of a part.
        q: (m, directions) float32, share 0..1 of each link from the cell's middle to the wall; 2 where it meets none.
        part: (m, directions) int8, 1 + number of the part met, -1 the road, 0 none.
        notes: sentences for people, harmless: small overlaps, parts thinner than a cell, how the body was closed.
        faults: what weakens the forces: large overlaps, air behind the body's surface, much that is closed by rule.
        half: whether the first layer along y lies at a plane of symmetry.
        finer: the level with cells half as large in a box about the parts, None for none.
    """

    spacing_m: float
    origin_m: Floats
    size: tuple[int, int, int]
    label: Bytes
    parts: tuple[str, ...]
    cell: Ints
    q: Singles
    part: Bytes
    notes: tuple[str, ...] = ()
    half: bool = False
    faults: tuple[Fault, ...] = ()
    finer: FlowGrid | None = None

    def levels(self) -> tuple[FlowGrid, ...]:
        """This one and all finer ones, the coarsest first."""
        return (self, *(self.finer.levels() if self.finer is not None else ()))

    def middles(self, cell: Ints) -> Floats:
        """(n, 3) m, flow axes, middles of the cells of flat indices ``cell`` (n,)."""
        place = np.stack(np.unravel_index(cell, self.size), axis=1)
        return np.asarray(self.origin_m + self.spacing_m * (place + 0.5))


def to_flow(points: Floats) -> Floats:
    """Vehicle axes (n, 3) to flow axes: half round about z."""
    return np.asarray(points, np.float64) * _TURN


def from_flow(points: Floats) -> Floats:
    """Flow axes (n, 3) to vehicle axes."""
    return np.asarray(points, np.float64) * _TURN


def plane_grid(
    contours: Sequence[tuple[str, Floats]],
    spacing_m: float,
    low: tuple[float, float],
    high: tuple[float, float],
    *,
    road: bool = False,
    reaches: Sequence[Reach] = (),
) -> FlowGrid:
    """The grid of a plane run.

    A cell within several contours belongs to the first of them. Either sense will do.

    Args:
        contours: names and (n, 2) points, m, x aft and z up, as placed; the last is joined to the first.
        spacing_m: edge of the coarsest cells.
        low, high: (x, z) m, corners of the domain, which grows to whole cells.
        road: put a road at z = 0, half way between two layers; it takes the place of ``low``'s height.
        reaches: how far about the contours each level with finer cells goes, the coarsest first.

    Raises:
        InputError: no contours, too few points, numbers that are not finite, a name twice, a domain without room, or a
            contour outside it or too near its ends for finer cells.
    """
    frame = plane_frame(spacing_m, low, high, road)
    _check_names([name for name, _ in contours])
    for name, contour in contours:
        points = np.asarray(contour, np.float64)
        if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3 or not np.isfinite(points).all():
            raise InputError(f"The contour “{name}” must be three or more points of two numbers each; cut it again.")
    frames = finer_frames(frame, *box_in_plane(contours), reaches)
    told = [*[()] * len(frames), [name for name, _ in contours]]
    return _nested([_plane_level(f, contours, t) for f, t in zip((frame, *frames), told, strict=True)])


def box_in_plane(contours: Sequence[tuple[str, Floats]]) -> tuple[Floats, Floats]:
    """(3,), (3,) m, flow axes: the corners of the box about all contours."""
    every = np.concatenate([np.asarray(c, np.float64) for _, c in contours])[:, [0, 0, 1]] * [1.0, 0.0, 1.0]
    return every.min(axis=0), every.max(axis=0)


def _plane_level(frame: Frame, contours: Sequence[tuple[str, Floats]], told: Container[str]) -> FlowGrid:
    lattice = stencil("D2Q9")
    surfaces = []
    for name, contour in contours:
        points = np.asarray(contour, np.float64)
        placed = np.column_stack([points[:, 0], np.zeros(len(points)), points[:, 1]])
        frame.check_inside(name, placed)
        cells = frame.cells(placed)[:, [0, 2]]
        ends = np.stack([cells, np.roll(cells, -1, axis=0)], axis=1).transpose(2, 1, 0)
        cuts = [segment_crossings(ends, c) for c in _forward(lattice)]
        surfaces.append(_surface(frame, name, cuts, frame.cells(placed), lattice, 0, _OPEN))
    return _put_together(frame, surfaces, lattice, [], [], told)


def space_grid(
    parts: Sequence[tuple[str, TriMesh]],
    body: TriMesh | None,
    spacing_m: float,
    domain: Box,
    *,
    road: bool = True,
    half: Side | None = None,
    closing: Closing | None = None,
    front: TriMesh | None = None,
    reaches: Sequence[Reach] = (),
) -> FlowGrid:
    """The grid of a run in space.

    A cell within several parts belongs to the first of them, within a part and the body to the part. Winding is of no
    matter. Holes in a surface are closed as ``closing`` says; a part with wider ones is a sheet with air on both sides.

    Parts lie wholly in all levels with finer cells. The body may reach through their ends; they ask the coarser one
    where it is solid, and settle anew only what lies near its surface.

    Takes some 12 bytes a cell of the box about the largest part, 1 byte a cell of the domain, 500 bytes a cell with a
    wall and 300 bytes a triangle: 20 M cells with 1.3 M triangles about 3 s on one core and 0.5 GB.

    Args:
        parts: names and meshes in vehicle axes, several shells and overlaps allowed.
        body: the scanned body in vehicle axes, open or holed, or None.
        domain: m, vehicle axes; it grows to whole cells.
        road: put a road at z = 0, half way between two layers; it takes the place of the domain's lowest height, and
            what reaches below it is left out.
        half: keep this half of a car that is alike left and right, with a plane of symmetry at y = 0, between two
            layers; the grid is always the half at y >= 0 in flow axes, so the left one is mirrored. A scan of that
            half alone will do.
        closing: how open surfaces are closed, its planes only for the body; without planes where None.
        front: a closed mesh in vehicle axes that stands before the body and counts as it; levels with finer cells end
            behind it.
        reaches: how far about the parts, without the body, each level with finer cells goes, the coarsest first.

    Raises:
        InputError: nothing to put in the air, a mesh without faces or with numbers that are not finite, a name twice,
            a domain without room, a part outside it or too near its ends for finer cells, or those about no part.
    """
    closing = closing or Closing()
    frame, turn = space_frame(spacing_m, domain, road, half)
    meshes = [*parts, *([(BODY, body)] if body is not None else [])]
    _check_names([name for name, _ in meshes])
    for name, mesh in meshes:
        if len(mesh.triangles) == 0 or not np.isfinite(mesh.points).all():
            raise InputError(f"“{name}” has no faces, or points that are not numbers; build or import it again.")
    finer = finer_frames(frame, *box_about(parts, turn), reaches) if len(reaches) else ()
    sheets = [_sheet(name, mesh, turn, closing, road, mesh is body) for name, mesh in meshes]
    if front is not None:
        sheets.append(_sheet(_FRONT, front, turn, closing, road, False))
    for sheet in sheets:
        frame.check_inside(sheet.name, sheet.faces)
    # The whole body is seen on the coarsest level, the parts as they are on the finest.
    told = [[BODY], *[()] * (len(finer) - 1), [name for name, _ in parts]] if finer else [[s.name for s in sheets]]
    grids, coarser = list[FlowGrid](), None
    for one, names in zip((frame, *finer), told, strict=True):
        seen = [sheet for sheet in sheets if not grids or sheet.name != _FRONT]
        grid, coarser = _space_level(one, seen, half, names, coarser)
        grids.append(grid if front is None or grids else _as_body(grid))
    return _nested(grids)


def _as_body(grid: FlowGrid) -> FlowGrid:
    """With the front, the last part, counted as the body before it."""
    last = len(grid.parts)
    grid.label[grid.label == last] = last - 1
    grid.part[grid.part == last] = last - 1
    return replace(grid, parts=grid.parts[:-1])


def box_about(parts: Sequence[tuple[str, TriMesh]], turn: Floats) -> tuple[Floats, Floats]:
    """(3,), (3,) m, flow axes: the corners of the box about all faces of ``parts``.

    Raises:
        InputError: no parts.
    """
    if not len(parts):
        raise InputError("Finer cells lie about the parts of the wing; give one.")
    every = np.concatenate([mesh.points[np.unique(mesh.triangles)] for _, mesh in parts]) * turn
    return every.min(axis=0), every.max(axis=0)


@dataclass(frozen=True)
class _Sheet:
    """A part's faces and what closes them.

    Attributes:
        points: (n, 3) m, flow axes, of its mesh.
        rim: (j, 2) points of its rims.
        faces: (3 m, 3) m, flow axes, corners of the triangles that the air meets.
        closing: its own.
        body: whether it is the scanned body.
    """

    name: str
    points: Floats
    rim: Ints
    faces: Floats
    closing: Closing
    body: bool


def _sheet(name: str, mesh: TriMesh, turn: Floats, closing: Closing, road: bool, body: bool) -> _Sheet:
    own = closing if body else replace(closing, floor_m=None, front_m=None)
    corners = mesh.corners
    if body and road:
        corners = corners[corners[:, :, 2].max(axis=1) > SCANNED_ROAD_M]
    if own.front_m is not None:
        corners = corners[corners[:, :, 0].min(axis=1) <= own.front_m]
    if len(corners) == 0:
        raise InputError(f"All of “{name}” lies on the road or ahead of its front plane; place it or that plane anew.")
    rim = rims_of(mesh)
    faces = np.concatenate([corners, closed_rims(mesh.points, rim, own)]).reshape(-1, 3)
    return _Sheet(name, mesh.points * turn, rim, faces * turn, own, body)


def _space_level(
    frame: Frame, sheets: Sequence[_Sheet], half: Side | None, told: Container[str], coarser: _Coarser | None
) -> tuple[FlowGrid, _Coarser | None]:
    """A level, and what the next finer one has to know of the body in it.

    Args:
        told: parts of which notes and faults are wanted.
        coarser: of the level around; None for the coarsest.
    """
    lattice = stencil("D3Q19")
    surfaces, notes, faults = [], list[str](), list[Fault]()
    body: _Coarser | None = None
    for sheet in sheets:
        name, rim, tells = sheet.name, sheet.rim, sheet.name in told
        if half:
            # The plane of symmetry closes what ends there.
            rim = rim[(sheet.points[rim, 1] > frame.spacing).any(axis=1)]
        if tells and not sheet.body and len(rim):
            length = float(np.linalg.norm(sheet.points[rim[:, 0]] - sheet.points[rim[:, 1]], axis=1).sum())
            said = (
                f"“{name}” is open, with {length:.2g} m of rim: holes up to {sheet.closing.hole_m:g} m are closed by "
                "cones to their middles, what is behind wider ones counts as air."
            )
            if (loops(sheet.points, rim)[1] > sheet.closing.hole_m).any():
                faults.append(Fault(said, (name,)))
            else:
                notes.append(said)
        cells = frame.cells(sheet.faces)
        if half:
            cells, gone = _right_half(cells)
            if gone and tells:
                notes.append(f"“{name}” lies wholly on the side that the half model of the {half} leaves out.")
        around = coarser if sheet.body else None
        near = cells if around is None else _near(cells, frame.size)
        planes = frame.planes(sheet.closing)
        turned = np.ascontiguousarray(near.reshape(-1, 3, 3).transpose(2, 1, 0))
        cuts = [_behind(triangle_crossings(turned, c), c, planes[0]) for c in _forward(lattice)]
        crack_cells = sheet.closing.crack_cells if len(rim) else 0
        surface = _surface(frame, name, cuts, cells, lattice, crack_cells, planes, around)
        if sheet.body:
            body = _Coarser(frame, surface)
            if tells and surface.hidden > max(_HIDDEN * surface.solid.sum(), 27.0):
                said = (
                    f"Air reaches {surface.hidden * frame.spacing**3:.2g} m³ behind the body's surface, through holes "
                    f"wider than {sheet.closing.hole_m:g} m or below it; close them in the mesh."
                )
                faults.append(Fault(said))
        surfaces.append(surface)
    return _put_together(frame, surfaces, lattice, notes, faults, told), body


_OPEN = (-np.inf, -np.inf)


def _nested(grids: Sequence[FlowGrid]) -> FlowGrid:
    """Each with the next as its finer level; the coarsest has what all say."""
    found = grids[-1]
    for grid in reversed(grids[:-1]):
        found = replace(grid, finer=found, notes=(*grid.notes, *found.notes), faults=(*grid.faults, *found.faults))
    return found


@dataclass(frozen=True)
class Reach:
    """How far about the parts a level goes, m: ahead, behind, and to the other sides."""

    ahead_m: float
    behind_m: float
    beside_m: float


def finer_frames(frame: Frame, low: Floats, high: Floats, reaches: Sequence[Reach]) -> tuple[Frame, ...]:
    """Where the cells of finer levels lie, each half as large as those before and in a box within theirs.

    A box ends with whole cells of the one around, ``BORDER`` of them inside it, or with the road or the mirror where
    that is near.

    Args:
        frame: of the coarsest cells.
        low, high: (3,) m, flow axes, between which the parts lie.
        reaches: by level.

    Raises:
        InputError: a part too near the ends of a level.
    """
    found = [frame]
    for number, reach in enumerate(reaches):
        around = found[-1]
        h, size = around.spacing, np.array(around.size)
        ends = (
            np.array([reach.ahead_m, reach.beside_m, reach.beside_m]),
            np.array([reach.behind_m, reach.beside_m, reach.beside_m]),
        )
        first = np.floor((low - ends[0] - around.origin) / h + 1e-6).astype(np.int64)
        last = np.ceil((high + ends[1] - around.origin) / h - 1e-6).astype(np.int64)
        near = np.maximum(first, BORDER), np.minimum(last, size - BORDER)
        origin, cells = around.origin + near[0] * h, 2 * (near[1] - near[0])
        if size[1] == 1:
            origin[1], cells[1] = -0.25 * h, 1
        elif around.half:
            origin[1], cells[1] = around.origin[1], 2 * near[1][1]
        # A level that does not end with the domain's below keeps off the road as off any other end.
        road = bool(around.road and first[2] < 2 * BORDER)
        if road:
            origin[2], cells[2] = -0.5 * h, 2 * near[1][2] - 1
        inner = Frame(0.5 * h, origin, (int(cells[0]), int(cells[1]), int(cells[2])), road, around.half)
        inside = origin + BORDER * h, origin + np.array(inner.size) * inner.spacing - BORDER * h
        free = np.array([False, size[1] == 1 or around.half, road]), np.array([False, size[1] == 1, False])
        if ((low < inside[0] - 1e-9) & ~free[0]).any() or ((high > inside[1] + 1e-9) & ~free[1]).any():
            raise InputError(
                f"The parts lie too near the ends of the cells of level {number + 1}; make the domain larger."
            )
        found.append(inner)
    return tuple(found[1:])


def plane_frame(spacing_m: float, low: tuple[float, float], high: tuple[float, float], road: bool) -> Frame:
    """Where the cells of ``plane_grid`` lie."""
    return Frame.of(spacing_m, (low[0], -0.5 * spacing_m, low[1]), (high[0], 0.5 * spacing_m, high[1]), road)


def space_frame(spacing_m: float, domain: Box, road: bool, half: Side | None) -> tuple[Frame, Floats]:
    """Where the cells of ``space_grid`` lie, and the factors (3,) that take vehicle axes there."""
    turn = _TURN * ([1.0, -1.0, 1.0] if half == "left" else [1.0, 1.0, 1.0])
    low, high = np.sort([domain.low * turn, domain.high * turn], axis=0)
    if half:
        low[1] = 0.0
    return Frame.of(spacing_m, low.tolist(), high.tolist(), road, half is not None), turn


@dataclass(frozen=True)
class Frame:
    """Where the cells lie.

    Attributes:
        spacing: m, edge of a cell.
        origin: (3,) m, flow axes, lowest corner.
        size: cells along x, y, z.
        road: whether the lowest layer is the road.
        half: whether y = 0 is a plane of symmetry.
    """

    spacing: float
    origin: Floats
    size: tuple[int, int, int]
    road: bool
    half: bool

    @staticmethod
    def of(spacing: float, low: Sequence[float], high: Sequence[float], road: bool, half: bool = False) -> Frame:
        if not (np.isfinite(spacing) and spacing > 0.0 and np.isfinite([*low, *high]).all()):
            raise InputError(f"Cells of {spacing:g} m in a domain from {low} to {high} cannot be laid; give numbers.")
        origin, reach = np.array(low, np.float64), np.array(high, np.float64)
        if road:
            origin[2] = 0.0
        size = np.ceil((reach - origin) / spacing - 1e-6).astype(np.int64)
        if (size < 1).any():
            raise InputError("The domain of the flow has no room along an axis; give a lower and a higher end.")
        if road:
            origin[2] -= spacing
            size[2] += 1
        if float(np.prod(size.astype(np.float64))) >= 2**31:
            raise InputError(f"{np.prod(size.astype(float)):.3g} cells are too many; make the cells larger.")
        return Frame(float(spacing), origin, (int(size[0]), int(size[1]), int(size[2])), road, half)

    def cells(self, points: Floats) -> Floats:
        """Flow axes (n, 3) m to cells, middles on whole numbers."""
        return (points - self.origin) / self.spacing - 0.5

    def planes(self, closing: Closing) -> tuple[float, float]:
        """Front and floor, or the road, in cells, middles on whole numbers; -inf without."""
        front, floor = closing.front_m, closing.floor_m
        x = -np.inf if front is None else (-front - self.origin[0]) / self.spacing - 0.5
        z = -np.inf if floor is None else (floor - self.origin[2]) / self.spacing - 0.5
        return float(x), float(max(z, 0.0) if self.road else z)

    def check_inside(self, name: str, points: Floats) -> None:
        low, high = self.origin, self.origin + self.spacing * np.array(self.size)
        for k, (below, above) in enumerate((("ahead of", "behind"), ("left of", "right of"), ("below", "above"))):
            least, most = float(points[:, k].min()), float(points[:, k].max())
            open_below = (k == 2 and self.road) or (k == 1 and self.half)
            for beyond, side in ((low[k] - least, below), (most - high[k], above)):
                if beyond > 1e-9 and not (open_below and side == below):
                    raise InputError(
                        f"“{name}” reaches {beyond:.3g} m {side} the domain of the flow; make the domain larger, or "
                        "leave the part out."
                    )


@dataclass(frozen=True)
class _Surface:
    """One part in the grid.

    Attributes:
        solid: (nx, ny, nz) of the block that begins at ``low``.
        node, slot, share: (k,) flat cell, direction and share of each end of a cut link.
        planes: see ``Frame.planes``.
        open: whether it has a rim.
        hidden: cells of air inside.
    """

    name: str
    low: Ints
    solid: Bools
    node: Ints
    slot: Bytes
    share: Singles
    planes: tuple[float, float]
    open: bool
    hidden: int


@dataclass(frozen=True)
class _Coarser:
    """The body on a level, for the next finer one.

    Attributes:
        frame: of the level.
        surface: the body there.
    """

    frame: Frame
    surface: _Surface


def _check_names(names: Sequence[str]) -> None:
    if not names:
        raise InputError("There is nothing to put into the flow; give at least one part.")
    if len(set(names)) < len(names):
        raise InputError("Two parts of the flow have one name; give each its own.")
    if len(names) > MOST_PARTS:
        raise InputError(f"{len(names)} parts are too many to tell apart; join some, {MOST_PARTS} are the most.")


def _forward(lattice: Stencil) -> list[tuple[int, ...]]:
    """One of each two opposite directions: the first number that is not 0 is 1."""
    rows = [tuple(int(c) for c in v) for v in lattice.velocities]
    return [v for v in rows if next((c for c in v if c), 0) == 1]


def _right_half(cells: Floats) -> tuple[Floats, bool]:
    """Triangles (3 n, 3) that reach a link with an end on the right of the plane of symmetry at y = -0.5."""
    keep = cells[:, 1].reshape(-1, 3).max(axis=1) >= -1.0
    if keep.any():
        return cells.reshape(-1, 3, 3)[keep].reshape(-1, 3), False
    return np.full((3, 3), -4.0), True


def _near(cells: Floats, size: tuple[int, int, int]) -> Floats:
    """Those of triangles (3 n, 3) that may cut a link of ``size`` cells and of those ``_BEYOND`` them."""
    corners, beyond = cells.reshape(-1, 3, 3), _BEYOND + 3.0
    near = ((corners.max(axis=1) >= -beyond) & (corners.min(axis=1) <= np.array(size) + beyond)).all(axis=1)
    return corners[near].reshape(-1, 3)


def _behind(cuts: Crossings, direction: tuple[int, ...], front: float) -> Crossings:
    """Without what lies ahead of the front's plane."""
    if front == -np.inf:
        return cuts
    keep = cuts.low[0] + direction[0] * cuts.share > front
    return Crossings(cuts.low[:, keep], cuts.share[keep])


def _surface(
    frame: Frame,
    name: str,
    cuts: list[Crossings],
    cells: Floats,
    lattice: Stencil,
    crack_cells: int,
    planes: tuple[float, float],
    coarser: _Coarser | None = None,
) -> _Surface:
    """What ``cuts`` say of a part whose faces reach as far as ``cells``; of the body inside a coarser level, there."""
    plane = len(lattice.axes) == 2
    forward = [(c[0], 0, c[1]) if plane else c for c in _forward(lattice)]
    slots = {tuple(int(w) for w in v): k for k, v in enumerate(lattice.steps)}
    starts = {}
    node, slot, share = [], [], []
    shape = np.array(frame.size)[:, None]
    for c, found in zip(forward, cuts, strict=True):
        low = np.insert(found.low, 1, 0, axis=0) if plane else found.low
        starts[c] = low
        end = low + np.array(c, np.int32)[:, None]
        for place, way, part in ((low, c, found.share), (end, tuple(-w for w in c), 1.0 - found.share)):
            inside = np.flatnonzero(((place >= 0) & (place < shape)).all(axis=0))
            node.append(np.ravel_multi_index(tuple(place[:, inside]), frame.size).astype(np.int32))
            slot.append(np.full(len(inside), slots[way], np.int8))
            share.append(part[inside].astype(np.float32))
    pad = crack_cells + 3
    low, high = np.floor(cells.min(axis=0)).astype(int) - pad, np.ceil(cells.max(axis=0)).astype(int) + pad
    if plane:
        low[1] = high[1] = 0
    if coarser is not None:
        low, high = _whole(frame, coarser.frame, low, high)
    none = np.zeros((3, 0), np.int32)
    along = [starts.get(c, none) for c in ((1, 0, 0), (0, 1, 0), (0, 0, 1))]
    block = block_about(low.tolist(), high.tolist(), along, frame.half, planes)
    hidden = 0
    if coarser is None:
        solid = solid_cells(block, crack_cells)
        hidden = hidden_air(block, solid, planes[0] == -np.inf) if crack_cells else 0
    elif block.allowed.size:
        solid = solid_cells(block, crack_cells, _known(frame, block, coarser, crack_cells > 0))
    else:
        solid = block.allowed
    return _Surface(
        name,
        block.low,
        solid,
        np.concatenate(node),
        np.concatenate(slot),
        np.concatenate(share),
        planes,
        crack_cells > 0,
        hidden,
    )


def _whole(frame: Frame, around: Frame, low: Ints, high: Ints) -> tuple[Ints, Ints]:
    """The cells ``low`` to ``high`` as far as they lie in or near a level, widened to whole cells of the one around."""
    start = np.rint((frame.origin - around.origin) / frame.spacing).astype(int)
    first = (np.maximum(low, -_BEYOND) + start) // 2 * 2 - start
    last = (np.minimum(high, np.array(frame.size) - 1 + _BEYOND) + start) // 2 * 2 + 1 - start
    return first, last


def _known(frame: Frame, block: Block, coarser: _Coarser, cracks: bool) -> tuple[Bools, Bools]:
    """Cells of a body's block that are air for sure, and solid for sure, by the coarser level around.

    Air: the eight in a coarser cell of air that no surface parts from each other. Solid: those in a coarser cell with
    no air around it; a slit of a closed body that is narrower than a coarser cell therefore ends two cells deep. Of one
    with cracks, those in any solid coarser cell: what the coarser level has closed stays so, and only cells within half
    a crack's width of the surface are settled anew.
    """
    own = coarser.surface
    start = np.rint((frame.origin - coarser.frame.origin) / frame.spacing).astype(int)
    first, count = (block.low + start) // 2, np.array(block.allowed.shape) // 2
    # Beyond the coarser block lies what lies at its ends: air, the mirror image, or cells that nothing is known of.
    place = [
        np.clip(np.arange(-1, n + 1) + f - at, 0, size - 1)
        for n, f, at, size in zip(count, first, own.low, own.solid.shape, strict=True)
    ]
    solid = own.solid[np.ix_(*place)]
    middle = (slice(1, -1),) * 3
    parted = (ends(block.cut) | ~block.allowed).reshape(count[0], 2, count[1], 2, count[2], 2).any(axis=(1, 3, 5))
    air, sure = ~solid[middle] & ~parted, solid[middle] if cracks else ~widened(~solid, 1)[middle]
    return _halved(air), _halved(sure)


def _halved(cells: Bools) -> Bools:
    return cells.repeat(2, axis=0).repeat(2, axis=1).repeat(2, axis=2)


def _put_together(
    frame: Frame,
    surfaces: list[_Surface],
    lattice: Stencil,
    notes: list[str],
    faults: list[Fault],
    told: Container[str],
) -> FlowGrid:
    label = np.zeros(frame.size, np.int8)
    if frame.road:
        label[:, :, 0] = ROAD
    for number, surface in enumerate(surfaces):
        more, overlaps = _labelled(label, surface, number, surfaces, told)
        notes.extend(more)
        faults.extend(overlaps)
    cell, q, part = _links(label, surfaces, lattice.steps)
    closed = _close(frame, surfaces, lattice.steps, cell, q, part)
    for number, surface in enumerate(surfaces):
        if surface.open and closed[number] and surface.name in told:
            share = closed[number] / np.count_nonzero(part == number + 1)
            said = f"{share:.1%} of the walls of “{surface.name}” are where a plane or the rule for cracks closed it."
            if share > MOST_CLOSED:
                faults.append(Fault(said))
            else:
                notes.append(said)
    if frame.road:
        _lay_road(label, lattice.steps, cell, q, part)
    return FlowGrid(
        frame.spacing, frame.origin, frame.size, label, tuple(s.name for s in surfaces), cell, q, part,
        tuple(notes), frame.half, tuple(faults),
    )  # fmt: skip


def _labelled(
    label: Bytes, surface: _Surface, number: int, surfaces: list[_Surface], told: Container[str]
) -> tuple[list[str], list[Fault]]:
    """Write a part's cells into ``label``; notes on it and faults."""
    low = np.maximum(surface.low, 0)
    high = np.minimum(surface.low + np.array(surface.solid.shape), np.array(label.shape))
    if (high <= low).any():
        return [], []
    there = label[tuple(slice(a, b) for a, b in zip(low, high, strict=True))]
    own = surface.solid[tuple(slice(a, b) for a, b in zip(low - surface.low, high - surface.low, strict=True))]
    notes, faults = list[str](), list[Fault]()
    if not own.any() and len(surface.node) and surface.name in told:
        notes.append(f"“{surface.name}” is nowhere thick enough to hold a cell; it stops the air at its surface alone.")
    taken = np.bincount(there[own & (there > 0)], minlength=1)
    for other in np.flatnonzero(taken):
        first = surfaces[other - 1]
        if first.name not in told:
            continue
        said = (
            f"“{first.name}” and “{surface.name}” overlap in {taken[other]} cells, which count as “{first.name}”, "
            "named first."
        )
        if taken[other] > MOST_OVERLAP * min(first.solid.sum(), surface.solid.sum()):
            faults.append(Fault(said, (first.name, surface.name)))
        else:
            notes.append(said)
    there[own & (there == 0)] = number + 1
    # A middle on the surface itself would be air squeezed between two walls.
    flat, on = label.ravel(), surface.node[surface.share <= ON]
    flat[on[flat[on] == 0]] = number + 1
    return notes, faults


def _links(label: Bytes, surfaces: list[_Surface], steps: NDArray[np.int64]) -> tuple[Ints, Singles, Bytes]:
    """Cells of air with a wall, and the nearest wall on each of their links; ``_CLOSURE`` where no surface cuts it."""
    flat = label.ravel()
    node, slot, share, part = [], [], [], []
    for number, s in enumerate(surfaces):
        air = np.flatnonzero(flat[s.node] == 0)
        node.append(s.node[air])
        slot.append(s.slot[air])
        share.append(s.share[air])
        part.append(np.full(len(air), number + 1, np.int8))
    for k, at, met in _beside_solids(label, steps):
        node.append(at)
        slot.append(np.full(len(at), k, np.int8))
        share.append(np.full(len(at), _CLOSURE, np.float32))
        part.append(met)
    nodes, shares = np.concatenate(node), np.concatenate(share)
    walled = np.zeros(flat.shape, bool)
    walled[nodes] = True
    cell = np.flatnonzero(walled).astype(np.int32)
    # The nearest is written last and stays.
    order = np.argsort(-shares, kind="stable")
    row = np.searchsorted(cell, nodes[order])
    way = np.concatenate(slot)[order]
    q = np.full((len(cell), len(steps)), NO_WALL, np.float32)
    walls = np.zeros(q.shape, np.int8)
    q[row, way] = shares[order]
    walls[row, way] = np.concatenate(part)[order]
    return cell, q, walls


def _beside_solids(label: Bytes, steps: NDArray[np.int64]) -> Iterator[tuple[int, Ints, Bytes]]:
    """Direction, cells of air whose link in it ends in a solid, and 1 + the number of that part."""
    solid = label > 0
    box = []
    for axis in range(3):
        some = np.flatnonzero(solid.any(axis=tuple(k for k in range(3) if k != axis)))
        if not len(some):
            return
        box.append((max(int(some[0]) - 1, 0), min(int(some[-1]) + 2, label.shape[axis])))
    low = np.array([a for a, _ in box])
    view = label[tuple(slice(a, b) for a, b in box)]
    air, wall = view == 0, view > 0
    for k, c in enumerate(steps):
        here = tuple(slice(max(0, -w), n - max(0, w)) for w, n in zip(c.tolist(), view.shape, strict=True))
        there = tuple(slice(max(0, w), n - max(0, -w)) for w, n in zip(c.tolist(), view.shape, strict=True))
        place = np.nonzero(air[here] & wall[there])
        at = [p + (low[axis] + here[axis].start) for axis, p in enumerate(place)]
        yield k, np.ravel_multi_index(tuple(at), label.shape).astype(np.int32), view[there][place]


def _close(
    frame: Frame,
    surfaces: list[_Surface],
    steps: NDArray[np.int64],
    cell: Ints,
    q: Singles,
    part: Bytes,
) -> NDArray[np.int64]:
    """Set the walls of what was closed by rule: on the plane where a link crosses it, else half way.

    Returns:
        (parts,) how many there are.
    """
    row, way = np.nonzero(q == _CLOSURE)
    number = part[row, way] - 1
    place = np.stack(np.unravel_index(cell[row], frame.size)).astype(np.float64)
    share = np.full(len(row), 0.5)
    for k, axis in enumerate((0, 2)):
        plane = np.array([s.planes[k] for s in surfaces])[number]
        step = steps[way, axis]
        crossing = (step > 0) & (plane >= place[axis]) & (plane <= place[axis] + 1.0)
        share[crossing] = (plane - place[axis])[crossing]
    q[row, way] = share
    return np.bincount(number, minlength=len(surfaces))


def _lay_road(label: Bytes, steps: NDArray[np.int64], cell: Ints, q: Singles, part: Bytes) -> None:
    """The road on links of cells that have another wall too."""
    on_road = np.flatnonzero(cell % label.shape[2] == 1)
    for k in np.flatnonzero(steps[:, 2] < 0):
        rows = on_road[q[on_road, k] > 0.5]
        q[rows, k] = 0.5
        part[rows, k] = ROAD
