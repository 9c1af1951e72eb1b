"""What a flow run is made of (set-up and boundary cells), and its compute shaders, written from one template.

The scheme, the same in the plane and in space; ``core/flow/reference.py`` has it in numpy:

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

Distributions are kept less their value at rest, for single precision's sake. They are streamed in place: each cell
reads and writes the same places, which no other cell touches in that step (Lehmann, "Esoteric Pull and Esoteric Push",
Computation 10, 2022). Each direction is a layer of single numbers in an image, the form that every card may read and
write in one pass. A cell's update moves 4 bytes in and 4 out a direction and 1 byte that tells its kind: 73 bytes in
the plane, 153 in space. What walls need is kept for the cells at them only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

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
FACE_KINDS = ("inlet", "far", "outlet", "symmetry", "wall", "road", "periodic")

SOLID, AIR, EDGE = 0, 1, 2
"""Kinds of a cell: not part of the flow, air, air that the run keeps more about (by a wall or at a face)."""


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
        cell: (m,) flat index of the edge cells, those at a part's wall first.
        q: (m, Q) share of each direction at which a wall is met, ``NO_WALL`` for none.
        part: (m, Q) whose wall, 0 for none, ``ROAD``, ``WALL``, or the number of the part.
        normal: (m, 3) unit, off the wall; zero where there is none.
        distance: (m,) of the cell's middle from the wall, cells.
        slips: (m,) whether the law of the wall may act there.
        parts: how many parts have walls.
    """

    kind: NDArray[np.uint8]
    cell: Ints
    q: Singles
    part: NDArray[np.int16]
    normal: Floats
    distance: Floats
    slips: NDArray[np.bool_]
    parts: int

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
) -> Boundary:
    """Edge cells of a run from its grid.

    Args:
        setup: the run.
        label: (nx, ny, nz) 0 air, 1 + number of a solid part, ``ROAD`` below the road; None for air everywhere.
        cell: (m,) flat index (order of ``label.ravel()``) of air cells next to a wall.
        q: (m, Q) share 0..1 of each direction at which the wall is met, more than 1 where none is.
        part: (m, Q) the part met, as in ``label``.
    A solid neighbour that the links do not tell of counts as a wall half way. Walls at the faces lie half a cell
    outside the outermost cells' middles.

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
    edge = np.zeros(flat.size, bool)
    edge[cell] = True
    place = np.array(np.unravel_index(np.arange(flat.size), size))
    found: list[tuple[int, Ints, Ints]] = []
    for i in range(1, Q):
        to = place + lattice.steps[i][:, None]
        beyond = np.zeros(flat.size, np.int16)
        for axis in range(3):
            for side, out in enumerate((to[axis] < 0, to[axis] >= size[axis])):
                kind = kinds[2 * axis + side]
                if kind in ("wall", "road"):
                    beyond[out] = ROAD if kind == "road" else WALL
                if kind != "periodic":
                    edge |= out & (flat == 0)
                    # Nothing to be met beyond an open face: look at the cell itself.
                    to[axis][out] = place[axis][out]
        neighbour = flat[np.ravel_multi_index(tuple(to), size, mode="wrap")]
        met = np.where(beyond != 0, beyond, neighbour)
        rows = np.flatnonzero((met != 0) & (flat == 0))
        edge[rows] = True
        found.append((i, rows, met[rows]))
    edge &= flat == 0
    rows_of = np.full(flat.size, -1)
    cells = np.flatnonzero(edge)
    rows_of[cells] = np.arange(len(cells))
    all_q = np.full((len(cells), Q), NO_WALL, np.float32)
    all_part = np.zeros((len(cells), Q), np.int16)
    for i, rows, met in found:
        all_q[rows_of[rows], i] = 0.5
        all_part[rows_of[rows], i] = met
    given = q <= 1.0
    row, direction = np.nonzero(given)
    all_q[rows_of[cell[row]], direction] = q[given]
    all_part[rows_of[cell[row]], direction] = part[given]
    # Forces are summed over the first of them only.
    order = np.argsort(~(all_part > 0).any(axis=1), kind="stable")
    cells, all_q, all_part = cells[order], all_q[order], all_part[order]
    normal, distance = _off_wall(lattice, size, cells, all_q.astype(np.float64))
    slips = (distance > 0.0) & ~_thin(flat, size, cells, normal, distance)
    kind_of = np.where(flat == 0, np.where(edge, EDGE, AIR), SOLID).astype(np.uint8).reshape(size)
    parts = max(int(label.max()), int(all_part.max(initial=0)))
    return Boundary(kind_of, cells, all_q, all_part, normal, distance, slips, parts)


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


# --- shaders --------------------------------------------------------------------------------------------------


WIDE = 1024
"""Edge cells a row of their textures."""
GROUPED = 4
"""Directions an image: five images in space, within the eight that every card binds at once."""
GROUP = (32, 4, 1)
"""Invocations a work group of the shaders that go over all cells."""
SUMMED = (4096, 64)
"""Sums that the first and the second of three passes of the force reduction leave."""
HISTORY = 1024
"""Mean forces kept on the card until they are fetched."""


@dataclass(frozen=True)
class ShaderSource:
    """A compute shader for the card to build.

    Attributes:
        name: of the shader.
        local_group: invocations a group along each axis.
        images: slot, format, type, name and qualifiers of each image.
        samplers: slot, type and name of each texture that is only read.
        constants: type and name of each push constant.
        source: GLSL.
        groups: groups to dispatch along each axis.
        defines: names and values set before the source.
    """

    name: str
    local_group: tuple[int, int, int]
    images: tuple[tuple[int, str, str, str, frozenset[str]], ...]
    samplers: tuple[tuple[int, str, str], ...]
    constants: tuple[tuple[str, str], ...]
    source: str
    groups: tuple[int, int, int]
    defines: tuple[tuple[str, str], ...] = ()


def check_layer(setup: RunSetup, axis: int, index: int) -> None:
    """Raises InputError: the run has no layer of cells ``index`` across ``axis`` (0, 1, 2 for x, y, z)."""
    across = (1,) if len(stencil(setup.stencil).axes) == 2 else (0, 1, 2)
    if axis not in across or not 0 <= index < setup.size[axis]:
        raise InputError(f"The run has no layer {index} of cells across axis {axis}: choose one that it has.")


def cells_of(setup: RunSetup) -> tuple[int, int, int]:
    """The run's cells along the texture's width, height and layers: x, z, 1 in the plane, x, y, z in space."""
    nx, ny, nz = setup.size
    return (nx, nz, 1) if len(stencil(setup.stencil).axes) == 2 else (nx, ny, nz)


def image_layers(setup: RunSetup) -> tuple[int, ...]:
    """Layers of each image of distributions."""
    Q = stencil(setup.stencil).directions
    return tuple(min(GROUPED, Q - first) * cells_of(setup)[2] for first in range(0, Q, GROUPED))


def edge_rows(edges: Boundary) -> int:
    """Height of the edge cells' textures."""
    return max(1, -(-len(edges.cell) // WIDE))


def bytes_per_update(setup: RunSetup) -> int:
    """Bytes that a cell's update moves at least: each distribution in and out, and the cell's kind."""
    return 8 * stencil(setup.stencil).directions + 1


def sources(setup: RunSetup, edges: Boundary, started: bool = False) -> dict[str, ShaderSource]:
    """All shaders of a run.

    Args:
        setup: the run.
        edges: its boundary cells.
        started: whether the start is read from a texture ``start`` (velocity along the lattice's axes, density less
            1), not the wind.

    The shaders, with N = 0 or 1 where there is one for even and one for odd steps, counted from 1:
        init, keep: set all places, and ``kept_new`` of the edge cells, as after step 0.
        stepN, edgeN: one step in place, of the plain cells and of the edge cells, in any order. Images F0..
            (distributions), for the edge cells kept_new and exchange; textures kinds, for the edge cells cells, links,
            kept_old, normals (with a wall function), rows (with a mirror). The two textures of kept values change
            places every step.
        reduce, gather, total: the sum of the exchange since the last time, made zero, over blocks of edge cells, then
            over blocks of blocks, then into ``history`` (column ``place``, row part less 1) times ``scale``, beside
            ``mark``.
        sliceN: velocity along the lattice's axes and density less 1 after step N, in the plane ``index`` across the
            texture's axis ``axis``.
        meanN: the same of all cells, ``share`` of it mixed into ``field``.
        shown: a plane of ``field``, like a slice.

    Raises:
        InputError: a set-up that cannot be run.
    """
    lattice = setup.checked()
    writer = _Writer(setup, lattice, edges)
    made = [writer.init(started), writer.keep(started), writer.reduce(), writer.gather(), writer.total()]
    made += [shader for n in (0, 1) for shader in (writer.step(n), writer.edge(n))]
    made.append(writer.shown())
    made += [shader for n in (0, 1) for shader in (writer.slice(n), writer.mean(n))]
    return {shader.name: shader for shader in made}


def copy_source(width: int, height: int, form: str = "R32F") -> ShaderSource:
    """A shader that copies an image of ``form``, to measure the card's bandwidth."""
    body = "ivec2 p = ivec2(gl_GlobalInvocationID.xy);\nimageStore(target, p, imageLoad(origin, p));"
    images = (
        (0, form, "FLOAT_2D", "origin", frozenset({"READ"})),
        (1, form, "FLOAT_2D", "target", frozenset({"WRITE"})),
    )
    group = (64, 4, 1)
    return ShaderSource("copy", group, images, (), (), _main(body), (width // group[0], height // group[1], 1))


def kinds_texture(setup: RunSetup, edges: Boundary) -> Singles:
    """Kind of each cell over 255, in the order of a texture."""
    return _texture_order(setup, edges.kind.astype(np.float32) / np.float32(255.0))


def rows_texture(setup: RunSetup, edges: Boundary) -> Singles:
    """Number of each edge cell, in the order of a texture; exact to 16 million edge cells.

    Raises:
        InputError: more edge cells than a single number counts.
    """
    if len(edges.cell) >= 2**24:
        raise InputError(f"{len(edges.cell)} cells lie at walls, more than can be run: use larger cells.")
    rows = np.zeros(edges.kind.size, np.float32)
    rows[edges.cell] = np.arange(len(edges.cell))
    return _texture_order(setup, rows.reshape(edges.kind.shape))


def cells_texture(setup: RunSetup, edges: Boundary) -> Singles:
    """Place of each edge cell along the texture's axes."""
    x, y, z = np.unravel_index(edges.cell, setup.size)
    wide = np.zeros((WIDE * edge_rows(edges), 4), np.float32)
    wide[: len(edges.cell), :3] = np.stack((x, z, y) if cells_of(setup)[2] == 1 else (x, y, z), axis=1)
    return wide.ravel()


def links_texture(edges: Boundary) -> Singles:
    """Share and part of each link, in the order of a texture with a layer a direction."""
    wide = np.zeros((edges.q.shape[1], WIDE * edge_rows(edges), 2), np.float32)
    wide[:, : len(edges.cell), 0] = edges.q.T
    wide[:, : len(edges.cell), 1] = edges.part.T
    return wide.ravel()


def normals_texture(setup: RunSetup, edges: Boundary) -> Singles:
    """Normal along the lattice's axes and distance of each edge cell's wall, negative for the road's, 0 for no law."""
    axes = list(stencil(setup.stencil).axes)
    wide = np.zeros((WIDE * edge_rows(edges), 4), np.float32)
    wide[: len(edges.cell), : len(axes)] = edges.normal[:, axes]
    wide[: len(edges.cell), 3] = np.where(road_only(edges), -edges.distance, edges.distance) * edges.slips
    return wide.ravel()


def road_only(edges: Boundary) -> NDArray[np.bool_]:
    """(m,) whether an edge cell lies at the road and no part."""
    return np.asarray((edges.part == ROAD).any(axis=1) & ~(edges.part > 0).any(axis=1))


def start_texture(setup: RunSetup, density: Floats, velocity: Floats) -> Singles:
    """Velocity (3, nx, ny, nz) along the lattice's axes and density less 1, in the order of a texture."""
    axes = list(stencil(setup.stencil).axes)
    start = np.zeros((*setup.size, 4), np.float32)
    start[..., : len(axes)] = np.moveaxis(velocity[axes], 0, -1)
    start[..., 3] = density - 1.0
    return _texture_order(setup, start)


def slice_arrays(setup: RunSetup, texture: Any) -> tuple[Floats, Floats]:
    """(h, w) density and (3, h, w) velocity of a slice's picture (h, w, 4); rest in solid cells."""
    picture = np.asarray(texture, np.float32)
    velocity = np.zeros((3, *picture.shape[:2]))
    for n, axis in enumerate(stencil(setup.stencil).axes):
        velocity[axis] = picture[..., n]
    return 1.0 + picture[..., 3].astype(np.float64), velocity


def answered(history: Any, count: int, mark: float) -> bool:
    """Whether the history's texture (parts, HISTORY, 4) holds ``count`` forces that the card gave just now."""
    return bool((np.asarray(history)[:, :count, 3] == mark).all())


def force_arrays(setup: RunSetup, history: Any, count: int) -> Floats:
    """(count, parts, 3) forces from the history's texture (parts, HISTORY, 4)."""
    axes = list(stencil(setup.stencil).axes)
    forces = np.zeros((count, len(history), 3))
    forces[..., axes] = np.moveaxis(np.asarray(history), 0, 1)[:count, :, : len(axes)]
    return forces


def stacked_fields(setup: RunSetup, pictures: Sequence[Any]) -> tuple[Floats, Floats]:
    """(nx, ny, nz) density and (3, nx, ny, nz) velocity from the pictures of all the texture's layers."""
    slices = [slice_arrays(setup, picture) for picture in pictures]
    density = np.stack([d for d, _ in slices]).T
    velocity = np.stack([v for _, v in slices], axis=1).transpose(0, 3, 2, 1)
    return density.reshape(setup.size), velocity.reshape(3, *setup.size)


def _texture_order(setup: RunSetup, values: NDArray[np.float32]) -> Singles:
    return np.ascontiguousarray(values.transpose(2, 1, 0, *range(3, values.ndim)), np.float32).ravel()


def _main(body: str) -> str:
    return "void main()\n{\n" + body + "\n}\n"


def _number(value: float) -> str:
    text = f"{value:.9g}"
    return text if "." in text or "e" in text else text + ".0"


def _sum(terms: Sequence[tuple[float, str]]) -> str:
    """A sum of factors times names."""
    parts = []
    for factor, name in terms:
        if factor:
            size = "" if abs(factor) == 1.0 else _number(abs(factor)) + "*"
            parts.append(("-" if factor < 0.0 else "+") + size + name)
    return "".join(parts).removeprefix("+") or "0.0"


class _Writer:
    """Writes the shaders; u0.. are velocities and s00.. stresses along the lattice's axes, e0.. rebuilt and g0..
    arriving distributions."""

    def __init__(self, setup: RunSetup, lattice: Stencil, edges: Boundary) -> None:
        self.setup, self.lattice, self.edges = setup, lattice, edges
        self.d, self.Q = len(lattice.axes), lattice.directions
        self.cells = cells_of(setup)
        self.group = GROUP
        x, y, z = (-(-n // g) for n, g in zip(self.cells, self.group, strict=True))
        self.groups = (x, y, z)
        self.kinds = [setup.face_kinds()[2 * axis + side] for axis in lattice.axes for side in (0, 1)]
        self.pairs = [(a, b) for a in range(self.d) for b in range(a, self.d)]
        self.speed = [f"u{a}" for a in range(self.d)]

    # --- whole shaders

    def init(self, started: bool) -> ShaderSource:
        body = [self._cell(), *self._neighbours(), *self._begin(started)]
        body.append("if (kind == 0) {" + " ".join(f"e{i} = 0.0;" for i in range(self.Q)) + "}")
        samplers = ["kinds", *(["start_at"] if started else [])]
        return self._shader("init", [*body, *self._store(0)], [], samplers, self._rebuild())

    def keep(self, started: bool) -> ShaderSource:
        body = [*self._edge_cell(), *self._begin(started), *self._keep()]
        samplers = ["cells", *(["start_at"] if started else [])]
        return self._over_edges(self._shader("keep", body, ["kept_new"], samplers, self._rebuild()))

    def step(self, n: int) -> ShaderSource:
        body = [self._cell(), "if (kind != 1) return;", *self._neighbours(), *self._load(n)]
        body += [*self._collision(), *self._store(n)]
        return self._shader(f"step{n}", body, [], ["kinds"], self._rebuild())

    def edge(self, n: int) -> ShaderSource:
        body = [*self._edge_cell(), *self._neighbours(), *self._load(n), *self._faces(), *self._walls()]
        body += [*self._collision(), *self._store(n), *self._keep()]
        samplers = ["cells", "links", "kept_old"]
        samplers += ["normals"] if self.setup.wall_function else []
        samplers += ["kinds", "rows"] if "symmetry" in self.kinds else []
        shader = self._shader(f"edge{n}", body, ["kept_new", "exchange"], samplers, self._rebuild() + _BOUNCE)
        return self._over_edges(shader)

    def slice(self, n: int) -> ShaderSource:
        body = [*self._in_plane(), *self._macroscopic(n), "imageStore(picture, at, value);"]
        return self._shader(f"slice{n}", body, ["picture"], ["kinds"], "", (("INT", "axis"), ("INT", "index")))

    def shown(self) -> ShaderSource:
        body = [*self._in_plane(), "imageStore(picture, at, imageLoad(field, p));"]
        images = (self._image(0, "field"), self._image(1, "picture"))
        constants = (("INT", "axis"), ("INT", "index"))
        return ShaderSource("shown", self.group, images, (), constants, _main("\n".join(body)), self.groups)

    def mean(self, n: int) -> ShaderSource:
        body = ["ivec3 p = ivec3(gl_GlobalInvocationID);"]
        body += [f"if (any(greaterThanEqual(p, {self._vector(self.cells)}))) return;"]
        body += [*self._macroscopic(n), "vec4 before = imageLoad(field, p);"]
        body.append("imageStore(field, p, share == 1.0 ? value : before + share*(value - before));")
        return self._shader(f"mean{n}", body, ["field"], ["kinds"], "", (("FLOAT", "share"),))

    def reduce(self) -> ShaderSource:
        parts = range(1, max(1, self.edges.parts) + 1)
        body = ["int k = int(gl_GlobalInvocationID.x);", *(f"vec3 part{n} = vec3(0.0);" for n in parts)]
        body.append(f"for (int row = k; row < {self.edges.walled}; row += {SUMMED[0]}) {{")
        for i in range(1, self.Q):
            at = f"ivec3(row % {WIDE}, row / {WIDE}, {i})"
            body += [f"{{ float on = texelFetch(links, {at}, 0).y; if (on > 0.5) {{"]
            body += [f"vec3 force = {self._sized(self.lattice.velocities[i])} * imageLoad(exchange, {at}).r;"]
            body += [f"if (on == {_number(n)}) part{n} += force;" for n in parts]
            body += [f"imageStore(exchange, {at}, vec4(0.0)); }} }}"]
        body.append("}")
        body += [f"imageStore(partial, ivec2(k, {n - 1}), vec4(part{n}, 0.0));" for n in parts]
        images = [self._image(0, "exchange"), self._image(1, "partial")]
        samplers = ((0, "FLOAT_2D_ARRAY", "links"),)
        return ShaderSource(
            "reduce", (64, 1, 1), tuple(images), samplers, (), _main("\n".join(body)), (SUMMED[0] // 64, 1, 1)
        )

    def gather(self) -> ShaderSource:
        body = [
            "ivec2 at = ivec2(gl_GlobalInvocationID.xy);",
            "vec4 sum = vec4(0.0);",
            f"for (int k = at.x; k < {SUMMED[0]}; k += {SUMMED[1]}) sum += imageLoad(partial, ivec2(k, at.y));",
            "imageStore(gathered, at, sum);",
        ]
        images = (self._image(0, "partial"), self._image(1, "gathered"))
        groups = (1, max(1, self.edges.parts), 1)
        return ShaderSource("gather", (SUMMED[1], 1, 1), images, (), (), _main("\n".join(body)), groups)

    def total(self) -> ShaderSource:
        body = [
            "int part = int(gl_GlobalInvocationID.x);",
            f"if (part >= {max(1, self.edges.parts)}) return;",
            "vec4 sum = vec4(0.0);",
            f"for (int k = 0; k < {SUMMED[1]}; k++) sum += imageLoad(gathered, ivec2(k, part));",
            "imageStore(history, ivec2(place, part), vec4(scale * sum.xyz, mark));",
        ]
        images = (self._image(0, "gathered"), self._image(1, "history"))
        constants = (("INT", "place"), ("FLOAT", "scale"), ("FLOAT", "mark"))
        groups = (-(-max(1, self.edges.parts) // 32), 1, 1)
        return ShaderSource("total", (32, 1, 1), images, (), constants, _main("\n".join(body)), groups)

    # --- pieces

    def _shader(
        self,
        name: str,
        body: list[str],
        images: list[str],
        samplers: list[str],
        above: str,
        constants: tuple[tuple[str, str], ...] = (),
    ) -> ShaderSource:
        source = above + _main("\n".join(body))
        held = [f"F{n}" for n in range(len(image_layers(self.setup))) if f"(F{n}, " in source]
        bound = [self._image(n, image) for n, image in enumerate([*held, *images])]
        kinds = tuple(
            (n, "FLOAT_2D" if s in ("normals", "cells") else "FLOAT_2D_ARRAY", s) for n, s in enumerate(samplers)
        )
        return ShaderSource(name, self.group, tuple(bound), kinds, constants, source, self.groups)

    @staticmethod
    def _image(slot: int, name: str) -> tuple[int, str, str, str, frozenset[str]]:
        four = name in ("picture", "field", "partial", "gathered", "history")
        flat = name in ("picture", "partial", "gathered", "history")
        both = frozenset({"WRITE"}) if name in ("picture", "history", "kept_new") else frozenset({"READ", "WRITE"})
        return slot, "RGBA32F" if four else "R32F", "FLOAT_2D" if flat else "FLOAT_2D_ARRAY", name, both

    @staticmethod
    def _vector(values: Sequence[int]) -> str:
        return f"ivec3({', '.join(str(int(v)) for v in values)})"

    @staticmethod
    def _sized(step: NDArray[np.int64]) -> str:
        return f"vec3({', '.join(_number(float(v)) for v in (*step, 0)[:3])})"

    def _cell(self) -> str:
        return (
            "ivec3 p = ivec3(gl_GlobalInvocationID);\n"
            f"if (any(greaterThanEqual(p, {self._vector(self.cells)}))) return;\n"
            "int kind = int(texelFetch(kinds, p, 0).r * 255.0 + 0.5);"
        )

    def _in_plane(self) -> list[str]:
        return [
            "ivec2 at = ivec2(gl_GlobalInvocationID.xy);",
            "ivec3 p = axis == 0 ? ivec3(index, at) : (axis == 1 ? ivec3(at.x, index, at.y) : ivec3(at, index));",
            f"if (any(greaterThanEqual(p, {self._vector(self.cells)}))) return;",
        ]

    def _neighbours(self) -> list[str]:
        lines = []
        for n, (axis, cells) in enumerate(zip("xyz", self.cells, strict=True)):
            if n < self.d:
                lines.append(f"int {axis}p = p.{axis} == {cells - 1} ? 0 : p.{axis} + 1;")
                lines.append(f"int {axis}m = p.{axis} == 0 ? {cells - 1} : p.{axis} - 1;")
        return lines

    def _at(self, step: Sequence[int]) -> tuple[str, str, str]:
        """Coordinates of the cell that is ``step`` away."""
        names = [{0: f"p.{a}", 1: f"{a}p", -1: f"{a}m"}[int(s)] for s, a in zip((*step, 0), "xyz", strict=False)]
        return names[0], names[1], names[2]

    def _place(self, i: int, step: Sequence[int]) -> tuple[str, str]:
        """Image and coordinates of direction ``i``'s place at the cell that is ``step`` away."""
        x, y, z = self._at(step)
        image, layer = divmod(i, GROUPED)
        layers = min(GROUPED, self.Q - image * GROUPED)
        depth = str(layer) if self.d == 2 else f"{z}*{layers} + {layer}"
        return f"F{image}", f"ivec3({x}, {y}, {depth})"

    def _places(self, n: int) -> list[tuple[str, str]]:
        """Where each direction is read and written in even (0) and odd (1) steps."""
        none = (0,) * self.d
        places = [self._place(0, none)]
        for i in range(1, self.Q, 2):
            own, other = (i, i + 1) if n else (i + 1, i)
            places += [("", ""), ("", "")]
            places[i], places[i + 1] = self._place(own, none), self._place(other, self.lattice.velocities[i])
        return places

    def _load(self, n: int) -> list[str]:
        return [f"float g{i} = imageLoad({image}, {at}).r;" for i, (image, at) in enumerate(self._places(n))]

    def _store(self, n: int) -> list[str]:
        # What is left behind for the next step: a direction leaves where its opposite came from.
        places = self._places(n)
        turned = self.lattice.opposite
        return [f"imageStore({places[turned[i]][0]}, {places[turned[i]][1]}, vec4(e{i}));" for i in range(self.Q)]

    def _begin(self, started: bool) -> list[str]:
        """Equilibrium of the start."""
        body = [*self._wind("u"), "float r = 0.0;"]
        if started:
            body = ["vec4 start = texelFetch(start_at, p, 0);", "float r = start.w;"]
            body += [f"float u{a} = start[{a}];" for a in range(self.d)]
        return [*body, self._rebuild_call("r", self.speed, still=True)]

    def _edge_cell(self) -> list[str]:
        return [
            "ivec2 row = ivec2(gl_GlobalInvocationID.xy);",
            f"if (row.x + {WIDE}*row.y >= {len(self.edges.cell)}) return;",
            "ivec3 p = ivec3(texelFetch(cells, row, 0).xyz + 0.5);",
        ]

    def _over_edges(self, shader: ShaderSource) -> ShaderSource:
        return replace(shader, local_group=(64, 1, 1), groups=(WIDE // 64, edge_rows(self.edges), 1))

    def _keep(self) -> list[str]:
        return [f"imageStore(kept_new, ivec3(row, {i}), vec4(e{i}));" for i in range(self.Q)]

    def _macroscopic(self, n: int) -> list[str]:
        body = ["int kind = int(texelFetch(kinds, p, 0).r * 255.0 + 0.5);", "vec4 value = vec4(0.0);"]
        body += ["if (kind != 0) {", *self._neighbours()]
        places = self._places(n)
        for i, back in enumerate(self.lattice.opposite):
            body.append(f"float g{i} = imageLoad({places[back][0]}, {places[back][1]}).r;")
        body += [*self._moments("g", ""), "value.w = r;"]
        body += [f"value[{a}] = u{a};" for a in range(self.d)]
        if self.setup.acceleration:
            body.append(f"value[0] -= {_number(0.5 * self.setup.acceleration)};")
        return [*body, "}"]

    def _moments(self, g: str, suffix: str) -> list[str]:
        """Density less 1 and velocity of distributions ``g``."""
        names = [f"{g}{i}" for i in range(self.Q)]
        lines = [f"float r{suffix} = {_sum([(1.0, name) for name in names])};"]
        for a in range(self.d):
            total = _sum(list(zip(self.lattice.velocities[:, a].astype(float), names, strict=True)))
            lines.append(f"float u{a}{suffix} = ({total}) / (1.0 + r{suffix});")
        return lines

    def _wind(self, name: str) -> list[str]:
        wind = [self.setup.inlet_velocity[a] for a in self.lattice.axes]
        shape = "1.0"
        if self.setup.parabolic:
            height = f"(float(p.{'y' if self.d == 2 else 'z'}) + 0.5)"
            nz = self.setup.size[2]
            shape = f"{_number(6.0 / nz**2)}*{height}*({_number(nz)} - {height})"
        return [f"float {name}{a} = {_number(wind[a])}*{shape};" for a in range(self.d)]

    def _rebuild_call(self, excess: str, speed: list[str], still: bool = False, pull: str = "0.0") -> str:
        stress = ["0.0" if still else f"s{a}{b}" for a, b in self.pairs]
        return f"rebuild({', '.join([excess, *speed, *stress, pull])});"

    def _rebuild(self) -> str:
        """A function that sets e0.. from density less 1, velocity, stress and force along x."""
        arguments = ["r", *self.speed, *(f"s{a}{b}" for a, b in self.pairs), "f"]
        lines = [f"float {', '.join(f'e{i}' for i in range(self.Q))};", ""]
        lines += [f"void rebuild({', '.join('float ' + a for a in arguments)})", "{", "float d = 1.0 + r;"]
        for m, power in enumerate(self.lattice.powers):
            lines.append(f"float m{m} = {self._moment(power)};")
        for i in range(self.Q):
            terms = [(float(self.lattice.rebuild[i, m]), f"m{m}") for m in range(self.Q)]
            lines.append(f"e{i} = {_sum(terms)};")
        return "\n".join([*lines, "}", "", ""])

    @staticmethod
    def _moment(power: NDArray[np.int64]) -> str:
        twice, once = np.flatnonzero(power == 2), np.flatnonzero(power == 1)
        # The force acts along x, the lattice's axis 0.
        if len(twice) == 0 and len(once) == 0:
            return "r"
        if len(twice) == 0 and len(once) == 1:
            (a,) = once
            return f"d*u{a}" + (" + 0.5*f" if a == 0 else "")
        if len(twice) == 0:
            a, b = once
            return f"s{a}{b} + d*u{a}*u{b}" + (f" + 0.5*u{b}*f" if a == 0 else "")
        if len(twice) == 1 and len(once) == 0:
            (a,) = twice
            return f"r/3.0 + s{a}{a} + d*u{a}*u{a}" + (" + u0*f" if a == 0 else "")
        if len(once) == 1:
            (a,), (b,) = twice, once
            shear = f"s{min(a, b)}{max(a, b)}"
            return f"2.0*u{a}*{shear} + u{b}*(d/3.0 + s{a}{a}) + d*u{a}*u{a}*u{b}"
        a, b = twice
        return (
            f"r/9.0 + (s{a}{a} + s{b}{b})/3.0 + (s{a}{a}*s{b}{b} + 2.0*s{a}{b}*s{a}{b})/d"
            f" + u{a}*u{a}*(d/3.0 + s{b}{b}) + u{b}*u{b}*(d/3.0 + s{a}{a})"
            f" + 4.0*u{a}*u{b}*s{a}{b} + d*u{a}*u{a}*u{b}*u{b}"
        )

    def _beyond(self, i: int, kind: str) -> str:
        """Condition that direction ``i`` comes from beyond a face of ``kind``; empty if it never does."""
        terms = []
        for a in range(self.d):
            c = int(self.lattice.velocities[i, a])
            if c and self.kinds[2 * a + (c < 0)] == kind:
                terms.append(f"p.{'xyz'[a]} == {0 if c > 0 else self.cells[a] - 1}")
        return " || ".join(terms)

    def _at_faces(self, kind: str) -> str:
        """Condition that the cell lies at a face of ``kind``; empty if there is none."""
        ends = [0, self.cells[0] - 1, 0, self.cells[1] - 1, 0, self.cells[2] - 1]
        terms = [f"p.{'xyz'[f // 2]} == {ends[f]}" for f, k in enumerate(self.kinds) if k == kind]
        return " || ".join(terms)

    def _taken(self, kind: str) -> list[str]:
        taken = [(i, self._beyond(i, kind)) for i in range(self.Q)]
        return [f"if ({condition}) g{i} = e{i};" for i, condition in taken if condition]

    def _faces(self) -> list[str]:
        """What comes in through open faces: mirrors first, then outlets, far faces and inlets over them."""
        body = [f"float o{i} = texelFetch(kept_old, ivec3(row, {i}), 0).r;" for i in range(self.Q)]
        body += self._mirror()
        if "outlet" in self.kinds:
            body += [f"if ({self._at_faces('outlet')}) {{", *self._moments("o", "_o"), "u0_o = max(u0_o, 0.0);"]
            body += [self._rebuild_call("0.0", [f"u{a}_o" for a in range(self.d)], still=True)]
            body += [*self._taken("outlet"), "}"]
        if "far" in self.kinds:
            body += [f"if ({self._at_faces('far')}) {{", *self._wind("w")]
            body += [self._rebuild_call("0.0", [f"w{a}" for a in range(self.d)], still=True)]
            body += [*self._taken("far"), "}"]
        if "inlet" in self.kinds:
            body += [f"if ({self._at_faces('inlet')}) {{", *self._wind("w")]
            body.append(f"float r_o = {_sum([(1.0, f'o{i}') for i in range(self.Q)])};")
            body += [self._rebuild_call("r_o", [f"w{a}" for a in range(self.d)], still=True)]
            body += [*self._taken("inlet"), "}"]
        return body

    def _mirror(self) -> list[str]:
        if "symmetry" not in self.kinds:
            return []
        face = self.kinds.index("symmetry")
        axis = face // 2
        body = [f"if ({self._at_faces('symmetry')}) {{"]
        for i in range(self.Q):
            if not self._beyond(i, "symmetry"):
                continue
            step = self.lattice.velocities[i].copy()
            step[axis] = 0
            turned = self.lattice.velocities[i].copy()
            turned[axis] *= -1
            k = int(np.flatnonzero((self.lattice.velocities == turned).all(axis=1))[0])
            x, y, z = self._at(-step)
            body += [
                f"{{ ivec3 from = ivec3({x}, {y}, {z});",
                "bool edge = int(texelFetch(kinds, from, 0).r * 255.0 + 0.5) == 2;",
                "int other = int(texelFetch(rows, from, 0).r + 0.5);",
                f"g{i} = edge ? texelFetch(kept_old, ivec3(other % {WIDE}, other / {WIDE}, {k}), 0).r",
                f": o{self.lattice.opposite[i]}; }}",
            ]
        return [*body, "}"]

    def _walls(self) -> list[str]:
        body = [f"vec2 l{k} = texelFetch(links, ivec3(row, {k}), 0).xy;" for k in range(1, self.Q)]
        body += [f"float b{k} = 0.0;" for k in range(1, self.Q)]
        road = self.setup.road_speed or 0.0
        for k in range(1, self.Q):
            back = int(self.lattice.opposite[k])
            push = -6.0 * float(self.lattice.weights[k] * self.lattice.velocities[k, 0]) * road
            given = f"(l{k}.y == {_number(ROAD)} ? {_number(push)} : 0.0)" if push else "0.0"
            body.append(f"if (l{k}.x <= 1.0) b{k} = bounce(l{k}.x, l{back}.x, o{k}, o{back}, g{k}, {given});")
        if self.setup.wall_function:
            body += self._slip()
        for k in range(1, self.Q):
            body += [
                f"if (l{k}.x <= 1.0) {{ g{self.lattice.opposite[k]} = b{k};",
                f"if (l{k}.y > 0.5) {{ ivec3 at = ivec3(row, {k});",
                f"imageStore(exchange, at, vec4(imageLoad(exchange, at).r + o{k} + b{k})); }} }}",
            ]
        return body

    def _slip(self) -> list[str]:
        """What walls that slip send back less, such that the links pass on the law's shear stress.

        What they would pass on otherwise is what even air along the wall would, of which the parts even in its velocity
        are left out: they differ from cell to cell by many times the law's stress and cancel over the wall.
        """
        factor, power = WALL_LAW
        road = self.setup.road_speed or 0.0
        links = range(1, self.Q)
        body = ["vec4 wall = texelFetch(normals, row, 0);", "if (wall.w != 0.0) {", *self._moments("o", "_o")]
        body.append(f"vec3 past = vec3({', '.join([*(f'u{a}_o' for a in range(self.d)), '0.0'][:3])});")
        body += [f"if (wall.w < 0.0) past.x -= {_number(road)};", "past -= wall.xyz * dot(wall.xyz, past);"]
        body += ["float speed = length(past);", "past /= max(speed, 1e-12);"]
        body.append(f"float local = speed * max(abs(wall.w), 0.5) * {_number(1.0 / self.setup.viscosity)};")
        law = f"{_number(factor)}*pow(max(local, {_number(SUBLAYER)}), {_number(power)})"
        body.append(f"float friction = speed*speed * pow({law}, {_number(-2.0 / (1.0 + power))});")
        body.append(self._rebuild_call("0.0", [f"past[{a}]*speed" for a in range(self.d)], still=True))
        body += ["float area = 0.0, hold = 0.0, passed = 0.0;"]
        for k in links:
            w, c = float(self.lattice.weights[k]), self._sized(self.lattice.velocities[k])
            back = self.lattice.opposite[k]
            body += [
                f"float t{k} = dot({c}, past), h{k} = 0.5 / max(l{back}.x <= 1.0 ? 0.5 : l{k}.x, 0.5);",
                f"if (l{k}.x <= 1.0) {{ area -= {_number(6.0 * w)}*dot({c}, wall.xyz);",
                f"passed += t{k}*h{k}*(e{k} - e{back});",
                f"hold += {_number(6.0 * w)}*t{k}*t{k}*h{k}; }}",
            ]
        body.append(f"if (local > {_number(SUBLAYER)} && speed < {_number(FASTEST_SLIP)}) {{")
        body.append("float slip = (passed - friction*max(area, 0.0))/max(hold, 1e-6);")
        body.append("slip = clamp(slip, 0.0, speed);")
        body += [f"b{k} -= {_number(6.0 * float(self.lattice.weights[k]))}*t{k}*h{k}*slip;" for k in links]
        return [*body, "} }"]

    def _collision(self) -> list[str]:
        setup, velocities = self.setup, self.lattice.velocities
        body = self._moments("g", "")
        pull = "0.0"
        if setup.acceleration:
            pull = "f"
            body += [f"float f = {_number(setup.acceleration)}*(1.0 + r);"]
            body += [f"u0 += {_number(0.5 * setup.acceleration)};"]
        for a, b in self.pairs:
            raw = [(float(c[a] * c[b]), f"g{i}") for i, c in enumerate(velocities)]
            line = f"float s{a}{b} = {_sum(raw)} - (1.0 + r)*u{a}*u{b}"
            line += " - r/3.0" if a == b else ""
            if setup.acceleration and a == 0:
                line += " + u0*f" if b == 0 else f" + 0.5*u{b}*f"
            body.append(line + ";")
        body.append(f"float trace = ({_sum([(1.0, f's{a}{a}') for a in range(self.d)])}) * {_number(1.0 / self.d)};")
        body += [f"s{a}{a} -= trace;" for a in range(self.d)]
        body += [*self._sponge(), f"float tau = {_number(3.0 * setup.viscosity + 0.5)} + 3.0*more;"]
        if setup.smagorinsky:
            squares = [(1.0 if a == b else 2.0, f"s{a}{b}*s{a}{b}") for a, b in self.pairs]
            factor = 18.0 * math.sqrt(2.0) * setup.smagorinsky**2
            body.append(f"tau = 0.5*(tau + sqrt(tau*tau + {_number(factor)}*sqrt({_sum(squares)})/(1.0 + r)));")
        body.append("float kept = 1.0 - 1.0/tau;")
        body += [f"s{a}{b} *= kept;" for a, b in self.pairs]
        if any(sponge_lengths(setup)):
            body += [*self._wind("w"), "r *= still;"]
            body += [f"u{a} += even*(w{a} - u{a});" for a in range(self.d)]
        return [*body, self._rebuild_call("r", self.speed, pull=pull)]

    def _sponge(self) -> list[str]:
        lengths = [sponge_lengths(self.setup)[2 * axis + side] for axis in self.lattice.axes for side in (0, 1)]
        if not any(lengths):
            return ["float more = 0.0;"]
        body = ["float inside = 0.0, closed = 0.0;"]
        for face, (kind, length) in enumerate(zip(self.kinds, lengths, strict=True)):
            if length:
                axis, cells = "xyz"[face // 2], self.cells[face // 2]
                depth = f"{_number(cells - 0.5)} - float(p.{axis})" if face % 2 else f"float(p.{axis}) + 0.5"
                body.append(f"inside = max(inside, 1.0 - ({depth})*{_number(1.0 / length)});")
                if kind != "outlet":
                    body.append(f"closed = max(closed, 1.0 - ({depth})*{_number(1.0 / length)});")
        return [
            *body,
            f"float more = {_number(SPONGE_VISCOSITY)}*inside*inside;",
            f"float still = 1.0 - {_number(SPONGE_RATE)}*inside*inside;",
            f"float even = {_number(SPONGE_RATE)}*closed*closed;",
        ]


_BOUNCE = """float bounce(float met, float behind, float near, float own, float far, float push)
{
float q = behind <= 1.0 ? 0.5 : met;
float share = 0.5 / max(q, 0.5);
return q < 0.5 ? 2.0*q*near + (1.0 - 2.0*q)*far + push : share*(near + push) + (1.0 - share)*own;
}

"""
