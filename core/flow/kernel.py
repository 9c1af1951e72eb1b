"""What a flow run is made of: set-up and boundary cells.

The scheme, the same in the plane and in space; ``reference`` has it in numpy, ``shaders`` for a graphics card:

- Collision: cumulants of order two relaxed with the viscosity, their trace and all higher ones set to rest at once
  (Geier, Schoenherr, Pasquali & Krafczyk, "The cumulant lattice Boltzmann equation in three dimensions: Theory and
  validation", Computers & Mathematics with Applications 70, 2015, here for the moments that the lattice has). Only
  density, velocity and stress survive a step, so nothing else can grow. The trace's rate damps sound.
- Eddy viscosity: Smagorinsky's, from the local stress in closed form (Hou, Sterling, Chen & Doolen, "A lattice
  Boltzmann subgrid model for high Reynolds number flows", Fields Institute Communications 6, 1996).
- Walls: interpolated bounce-back, linear (Bouzidi, Firdaouss & Lallemand, "Momentum transfer of a
  Boltzmann-lattice fluid with boundaries", Physics of Fluids 13, 2001).
- Wall function, a switch: where the flow at a cell next to the wall is not laminar, the wall slips so much that the
  links pass on the shear stress of the power law of Werner & Wengle, "Large-eddy simulation of turbulent flow over and
  around a cube in a plate channel", 8th Symposium on Turbulent Shear Flows, 1991, taken half a cell off the wall at
  least. Parts thinner than a cell, as trailing edges are, do not slip, nor does air beyond ``FASTEST_SLIP``. The law
  knows nothing of separation.
- Inlet: what comes in is the equilibrium at the wind's velocity and the cell's own density a step earlier. Far field:
  that of the wind. Outlet: that at rest pressure and the cell's own velocity a step earlier. Before them lies a sponge
  that draws pressure, and before inlets and far faces velocity, to the wind's, and has a raised viscosity.
- Forces: momentum exchange over the links (Ladd 1994). Parts stand still, where the Galilean invariant form of Wen,
  Zhang, Tu, Wang & Fang, "Galilean invariant fluid-solid interfacial dynamics in lattice Boltzmann simulations",
  Journal of Computational Physics 266, 2014, is the same sum. The pressure at rest is left out.

Distributions are kept less their value at rest, for single precision's sake.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .stencil import Stencil, stencil

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Ints = NDArray[np.int64]

FASTEST = 0.1
"""Greatest speed of wind or road, cells a step: the scheme's error grows with its square (Mach number 0.17)."""
SPONGE_VISCOSITY = 0.5
"""Added to the viscosity at the outer face of a sponge, cells squared a step; it falls with the square inwards."""
SPONGE_RATE = 0.1
"""Share of the difference to the wind's pressure, and before inlets and far faces to its velocity, taken away a step
at the outer face of a sponge."""
WALL_LAW = (8.3, 1.0 / 7.0)
"""Factor and power of Werner and Wengle's law."""
FASTEST_SLIP = 0.2
"""Cells a step above which a wall does not slip: the air is no longer incompressible there (Mach number 0.35)."""
SUBLAYER = WALL_LAW[0] ** (2.0 / (1.0 - WALL_LAW[1]))
"""Reynolds number of a cell's speed and distance from the wall below which the flow there is laminar."""
FLAT = 1e-6
"""Mean square, cells, below which places on a wall lie on a line (in the plane, at one point) and span no plane."""
EDGE_CELLS = 1.0
"""Parts thinner than this do not slip: at a sharp trailing edge the air of both sides must leave together (Kutta)."""
NO_WALL = 2.0
"""Share of a direction that says that it meets no wall."""
ROAD = -1
WALL = -2
"""Numbers of the road and of still walls at the domain's faces where parts have 1, 2, ..."""
FACES = ("low x", "high x", "low y", "high y", "low z", "high z")
FACE_KINDS = ("inlet", "far", "outlet", "symmetry", "wall", "road", "periodic", "coarser")
"""Beyond a coarser face lie the cells of the level around, see ``levels``."""

SOLID, AIR, EDGE = 0, 1, 2
"""Kinds of a cell: not part of the flow, air, air that the run keeps more about (by a wall or at a face)."""

OWN, COARSER, FINER = 0, 1, 2
"""Where the flow of an edge cell comes from: the run itself, the level with coarser cells, the one with finer."""
OVERLAP = 2
"""Layers of cells inside the box of a level with finer cells that are run on both."""


@dataclass(frozen=True)
class RunSetup:
    """One run, in lattice units (cells, steps, density 1).

    Attributes:
        stencil: "D2Q9" in the plane (x, z) or "D3Q19" in space.
        size: cells along x, y, z; one along y in the plane.
        inlet_velocity: the wind, cells a step.
        viscosity: of the air, cells squared a step.
        smagorinsky: constant of the eddy viscosity, None for none.
        wall_function: whether walls act through the law of the wall.
        road_speed: of the road along x, cells a step; None for no road at the low z face. 0 is a road that stands.
        symmetry: whether the low y face is a mirror.
        sponge: lengths of the sponges at inlets, outlets and far faces, cells.
        faces: what the faces in the order of ``FACES`` are, each one of ``FACE_KINDS``; None for a run in the wind.
        acceleration: of all air along x, cells a step squared.
        parabolic: whether the inlet's speed is a parabola along z with the wind as its mean, not even.
    """

    stencil: str
    size: tuple[int, int, int]
    inlet_velocity: tuple[float, float, float]
    viscosity: float
    smagorinsky: float | None = None
    wall_function: bool = False
    road_speed: float | None = None
    symmetry: bool = False
    sponge: tuple[int, int, int] = (0, 0, 0)
    faces: tuple[str, ...] | None = None
    acceleration: float = 0.0
    parabolic: bool = False

    def face_kinds(self) -> tuple[str, ...]:
        """What the faces are, in the order of ``FACES``."""
        if self.faces is not None:
            return self.faces
        sides = ("periodic", "periodic")
        if len(stencil(self.stencil).axes) == 3:
            sides = ("symmetry" if self.symmetry else "far", "far")
        return ("inlet", "outlet", *sides, "far" if self.road_speed is None else "road", "far")

    def checked(self) -> Stencil:
        """The run's lattice, once the set-up makes sense.

        Raises:
            InputError: a size, speed, viscosity or face that cannot be run.
        """
        lattice = stencil(self.stencil)
        if len(self.size) != 3 or min(self.size) < 1 or (len(lattice.axes) == 2 and self.size[1] != 1):
            raise InputError(f"A {self.stencil} run cannot have {self.size} cells: give x, y, z, in the plane y = 1.")
        speed = max(math.hypot(*self.inlet_velocity), abs(self.road_speed or 0.0))
        if not speed <= FASTEST + 1e-12:
            raise InputError(f"Wind or road at {speed:g} cells a step is too fast: set at most {FASTEST:g}.")
        if not (math.isfinite(self.viscosity) and self.viscosity > 0.0):
            raise InputError(f"A viscosity of {self.viscosity:g} cells squared a step cannot be run: set it above 0.")
        if not 0.0 <= (self.smagorinsky or 0.0) <= 0.5:
            raise InputError(f"A Smagorinsky constant of {self.smagorinsky:g} cannot be run: set 0 to 0.5.")
        if len(self.sponge) != 3 or min(self.sponge) < 0:
            raise InputError(f"Sponges of {self.sponge} cells cannot be laid: give the lengths of three, 0 for none.")
        if len(self.face_kinds()) != 6:
            raise InputError(f"A domain has six faces, not {len(self.face_kinds())}: name what each is.")
        for kind, face in zip(self.face_kinds(), FACES, strict=True):
            if kind not in FACE_KINDS:
                raise InputError(f"The face {face} cannot be {kind!r}: choose one of {', '.join(FACE_KINDS)}.")
        for a in range(0, 6, 2):
            if (self.face_kinds()[a] == "periodic") != (self.face_kinds()[a + 1] == "periodic"):
                raise InputError(f"The faces {FACES[a]} and {FACES[a + 1]} are periodic both or neither: make them so.")
        if self.face_kinds().count("symmetry") > 1:
            raise InputError("A run has one mirror at most: make the other faces far ones.")
        return lattice


@dataclass(frozen=True, eq=False)
class Boundary:
    """The kinds of all cells, and what is kept about the cells at walls and faces.

    Attributes:
        kind: (nx, ny, nz) ``SOLID``, ``AIR`` or ``EDGE``.
        cell: (m,) flat index of the edge cells, those at a part's wall first, those that another level gives last.
        q: (m, Q) share of each direction at which a wall is met, ``NO_WALL`` for none.
        part: (m, Q) whose wall, 0 for none, ``ROAD``, ``WALL``, or the number of the part.
        normal: (m, 3) unit, off the wall; zero where there is none.
        distance: (m,) of the cell's middle from the wall, cells.
        slips: (m,) whether the law of the wall may act there.
        comes: (m,) ``OWN``, or which level gives the cell's flow.
        parts: how many parts have walls.
    """

    kind: NDArray[np.uint8]
    cell: Ints
    q: Singles
    part: NDArray[np.int16]
    normal: Floats
    distance: Floats
    slips: NDArray[np.bool_]
    comes: NDArray[np.uint8]
    parts: int

    @property
    def own(self) -> int:
        """How many edge cells no other level gives."""
        return int((self.comes == OWN).sum())

    @property
    def walled(self) -> int:
        """How many edge cells lie at a part's wall."""
        return int((self.part > 0).any(axis=1).sum())


def boundary(
    setup: RunSetup,
    label: NDArray[np.integer] | None = None,
    cell: NDArray[np.integer] | None = None,
    q: NDArray[np.floating] | None = None,
    part: NDArray[np.integer] | None = None,
    hole: tuple[Ints, Ints] | None = None,
) -> Boundary:
    """Edge cells of a run from its grid.

    Args:
        setup: the run.
        label: (nx, ny, nz) 0 air, 1 + number of a solid part, ``ROAD`` below the road; None for air everywhere.
        cell: (m,) flat index (order of ``label.ravel()``) of air cells next to a wall.
        q: (m, Q) share 0..1 of each direction at which the wall is met, more than 1 where none is.
        part: (m, Q) the part met, as in ``label``.
        hole: (3,) first cell of the box of a level with finer cells, and (3,) the one after its last; beyond the
            domain where they share a face.

    A solid neighbour that the links do not tell of counts as a wall half way. Walls at the faces lie half a cell
    outside the outermost cells' middles. Walls where two levels overlap are of no part on the one of them that does
    not count their force: on the coarser from its second layer inside the box on, on the finer before that.

    Raises:
        InputError: shapes that do not fit, links of cells that are not air, shares below 0, no air at all.
    """
    lattice = setup.checked()
    size, Q = setup.size, lattice.directions
    label = np.zeros(size, np.int16) if label is None else np.asarray(label, np.int16)
    if label.shape != tuple(size):
        raise InputError(f"The grid has {label.shape} cells, the run {tuple(size)}: make them alike.")
    flat = label.ravel()
    if not (flat == 0).any():
        raise InputError("The grid has no air cell: enlarge the domain or check that the meshes are not inside out.")
    cell = np.zeros(0, np.int64) if cell is None else np.asarray(cell, np.int64)
    q = np.full((len(cell), Q), NO_WALL) if q is None else np.asarray(q, np.float64)
    part = np.zeros((len(cell), Q), np.int16) if part is None else np.asarray(part, np.int16)
    if q.shape != (len(cell), Q) or part.shape != q.shape:
        raise InputError(f"Links of {len(cell)} cells in {Q} directions do not have the shape {q.shape}: check them.")
    if len(cell) and (cell.min() < 0 or cell.max() >= flat.size or (flat[cell] != 0).any()):
        raise InputError("A link starts at a cell that is not air: make the links from the same grid.")
    if not (q >= 0.0).all():
        raise InputError("A wall lies at a negative share of a link: make the links from the same grid.")

    kinds = setup.face_kinds()
    air = label == 0
    edge = np.zeros(size, bool)
    edge.ravel()[cell] = True
    found = list[tuple[int, NDArray[np.integer], NDArray[np.integer]]]()
    for i in range(1, Q):
        to, faces = [], []
        for axis, step in enumerate(lattice.steps[i].tolist()):
            along = np.arange(size[axis]) + step
            kind = kinds[2 * axis + (step > 0)]
            if step and kind != "periodic":
                # Nothing to be met beyond an open face: look at the cell itself.
                along[-1 if step > 0 else 0] -= step
                faces.append((_layer(axis, -1 if step > 0 else 0), kind))
            to.append(along % size[axis])
        met = label[np.ix_(*to)]
        for face, kind in faces:
            edge[face] |= air[face]
            if kind in ("wall", "road"):
                met[face] = ROAD if kind == "road" else WALL
        rows = np.flatnonzero((met != 0) & air)
        edge.ravel()[rows] = True
        found.append((i, rows, met.ravel()[rows]))
    source, counts = np.zeros(size, np.uint8), np.ones(size, bool)
    for axis in range(3):
        for side, kind in enumerate(kinds[2 * axis : 2 * axis + 2]):
            if kind == "coarser":
                source[_layer(axis, -1 if side else 0)] = COARSER
                counts[_layer(axis, slice(-2, None) if side else slice(2))] = False
    run = air
    if hole is not None:
        # How deep a cell lies in the box; the layers about its faces are what the finer level reads.
        deep = [np.minimum(np.arange(n) - a, b - 1 - np.arange(n)) for n, a, b in zip(size, *hole, strict=True)]
        within = np.minimum(deep[0][:, None, None], np.minimum(deep[1][:, None], deep[2]))
        source[within == OVERLAP] = FINER
        edge |= (within >= -OVERLAP) & (within < OVERLAP)
        counts &= within < 1
        run = air & (within <= OVERLAP)
    edge = (edge | (source != OWN)) & run
    rows_of = np.full(flat.size, -1, np.int32)
    cells = np.flatnonzero(edge)
    rows_of[cells] = np.arange(len(cells))
    all_q = np.full((len(cells), Q), NO_WALL, np.float32)
    all_part = np.zeros((len(cells), Q), np.int16)
    for i, start, wall in found:
        keep = edge.ravel()[start]
        all_q[rows_of[start[keep]], i] = 0.5
        all_part[rows_of[start[keep]], i] = wall[keep]
    given = (q <= 1.0) & edge.ravel()[cell][:, None]
    row, direction = np.nonzero(given)
    all_q[rows_of[cell[row]], direction] = q[given]
    all_part[rows_of[cell[row]], direction] = part[given]
    comes = source.ravel()[cells]
    all_q[comes != OWN], all_part[comes != OWN] = NO_WALL, 0
    all_part[(all_part > 0) & ~counts.ravel()[cells][:, None]] = WALL
    # Forces are summed over the first of them only, walls looked at in the first two groups only, and the last are not
    # worked out. Within each the cells come as in the textures, so that neighbours lie together.
    group = 2 - (all_q <= 1.0).any(axis=1).astype(np.int64) - (all_part > 0).any(axis=1) + comes
    order = np.lexsort((*np.unravel_index(cells, size), group))
    cells, all_q, all_part, comes = cells[order], all_q[order], all_part[order], comes[order]
    walled = int((all_q <= 1.0).any(axis=1).sum())
    normal, distance = np.zeros((len(cells), 3)), np.zeros(len(cells))
    normal[:walled], distance[:walled] = _off_wall(lattice, size, cells[:walled], all_q[:walled].astype(np.float64))
    slips = (distance > 0.0) & ~_thin(flat, size, cells, normal, distance)
    kind_of = np.where(run, np.where(edge, EDGE, AIR), SOLID).astype(np.uint8)
    parts = max(int(label.max()), int(all_part.max(initial=0)))
    return Boundary(kind_of, cells, all_q, all_part, normal, distance, slips, comes, parts)


def _layer(axis: int, cells: int | slice) -> tuple[int | slice, ...]:
    """Index of those cells along an axis and all along the others."""
    return tuple(cells if n == axis else slice(None) for n in range(3))


def _off_wall(lattice: Stencil, size: tuple[int, int, int], cells: Ints, q: Floats) -> tuple[Floats, Floats]:
    """Normal (m, 3) and distance (m,) of the wall at each edge cell.

    The normal is that of the plane through the places where the links of the cell and of its neighbours that face the
    same way meet the wall, by least squares; exact for a plane. Where those do not span one, the sum of the links that
    the wall cuts, each by its weight.
    """
    axes = list(lattice.axes)
    steps = lattice.velocities.astype(np.float64)
    met = (q <= 1.0) & (np.arange(len(steps)) > 0)
    facing = -(met * lattice.weights) @ steps
    count = met.sum(axis=1).astype(np.float64)
    reach = np.where(met, q, 0.0)
    first = reach @ steps
    second = np.einsum("mi,ia,ib->mab", reach**2, steps, steps)
    place = np.stack(np.unravel_index(cells, size))
    row_of = np.full(int(np.prod(size)), -1, np.int32)
    row_of[cells] = np.arange(len(cells))
    n, p, pp = np.zeros_like(count), np.zeros_like(first), np.zeros_like(second)
    for step in np.array(list(np.ndindex(3, 3, 3))) - 1:
        if len(axes) == 2 and step[1]:
            continue
        to = place + step[:, None]
        inside = ((to >= 0) & (to < np.array(size)[:, None])).all(axis=0)
        row = np.full(len(cells), -1)
        row[inside] = row_of[np.ravel_multi_index(tuple(to[:, inside]), size)]
        alike = np.flatnonzero((row >= 0) & ((facing * facing[row]).sum(axis=1) > 0.0))
        other, s = row[alike], step[axes].astype(np.float64)
        n[alike] += count[other]
        p[alike] += first[other] + count[other, None] * s
        mixed = first[other][:, :, None] * s
        pp[alike] += second[other] + mixed + mixed.transpose(0, 2, 1) + count[other, None, None] * np.outer(s, s)
    mean = p / np.maximum(n, 1.0)[:, None]
    spread, ways = np.linalg.eigh(pp / np.maximum(n, 1.0)[:, None, None] - mean[:, :, None] * mean[:, None, :])
    plain = spread[:, 1] < FLAT
    normal = np.where(plain[:, None], facing, ways[:, :, 0] * np.sign((ways[:, :, 0] * facing).sum(axis=1))[:, None])
    length = np.linalg.norm(normal, axis=1)
    normal = normal / np.where(length > 0.0, length, 1.0)[:, None]
    into = np.maximum(-normal @ steps.T, 0.0) * met
    weight = into.sum(axis=1)
    wall = (length > 0.0) & (weight > 0.0)
    full = np.zeros((len(cells), 3))
    full[:, axes] = normal * wall[:, None]
    return full, np.where(wall, (into**2 * q).sum(axis=1) / np.where(wall, weight, 1.0), 0.0)


def _thin(
    flat: NDArray[np.integer], size: tuple[int, int, int], cells: Ints, normal: Floats, distance: Floats
) -> NDArray[np.bool_]:
    """(m,) whether there is air again ``EDGE_CELLS`` behind the wall."""
    behind = np.stack(np.unravel_index(cells, size), axis=1) - (distance + EDGE_CELLS)[:, None] * normal
    nearest = np.rint(behind).astype(np.int64)
    inside = np.flatnonzero(((nearest >= 0) & (nearest < np.array(size))).all(axis=1))
    thin = np.zeros(len(cells), bool)
    thin[inside] = flat[np.ravel_multi_index(tuple(nearest[inside].T), size)] == 0
    return thin


def inlet_velocities(setup: RunSetup) -> Floats:
    """(nz, 3) the wind that enters at each height, cells a step."""
    nz = setup.size[2]
    shape = np.ones(nz)
    if setup.parabolic:
        height = np.arange(nz) + 0.5
        shape = 6.0 * height * (nz - height) / nz**2
    return np.outer(shape, setup.inlet_velocity)


def sponge_lengths(setup: RunSetup) -> tuple[int, ...]:
    """Length of the sponge at each face in the order of ``FACES``, cells."""
    of = dict(zip(("inlet", "outlet", "far"), setup.sponge, strict=True))
    return tuple(of.get(kind, 0) for kind in setup.face_kinds())


def road_only(edges: Boundary) -> NDArray[np.bool_]:
    """(m,) whether an edge cell lies at the road and no other wall."""
    return np.asarray((edges.part == ROAD).any(axis=1) & ((edges.part == ROAD) | (edges.part == 0)).all(axis=1))


def check_layer(setup: RunSetup, axis: int, index: int) -> None:
    """Raises InputError: the run has no layer of cells ``index`` across ``axis`` (0, 1, 2 for x, y, z)."""
    across = (1,) if len(stencil(setup.stencil).axes) == 2 else (0, 1, 2)
    if axis not in across or not 0 <= index < setup.size[axis]:
        raise InputError(f"The run has no layer {index} of cells across axis {axis}: choose one that it has.")
