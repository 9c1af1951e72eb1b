"""The compute shaders of a flow run, written from one template for the run at hand, and the textures that they read.

The scheme is told in ``kernel``. Distributions are streamed in place: each cell
reads and writes the same places, which no other cell touches in that step (Lehmann, "Esoteric Pull and Esoteric Push",
Computation 10, 2022). Each direction is a layer of an image. One texel holds four cells a quarter of the width apart,
which one invocation updates together in vectors of four: cards move whole texels of 16 bytes at twice the rate of
single numbers, and the cells of a texel have their neighbours together in the next texel, but for the last texel of a
row, whose neighbours lie in the first one, each in the place of the next quarter. The last quarter is filled up with
cells that are no part of the flow. The edge cells' step comes first and leaves what it finds beside the images, from
where the step of all texels takes it, so that each texel is written by one invocation. A cell's update moves 4 bytes in
and 4 out a direction and 1 byte that tells its kind: 73 bytes in the plane, 153 in space. What walls need is kept for
the cells at them only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .kernel import (
    FASTEST_SLIP,
    ROAD,
    SPONGE_RATE,
    SPONGE_VISCOSITY,
    SUBLAYER,
    WALL_LAW,
    Boundary,
    Floats,
    RunSetup,
    Singles,
    road_only,
    sponge_lengths,
)
from .levels import Coupling
from .stencil import Stencil, stencil

WIDE = 1024
"""Edge cells a row of their textures."""
GROUPED = 4
"""Directions an image: five images in space, within the eight that every card binds at once."""
PACKED = 4
"""Cells a texel of the images that hold the flow."""
GROUP = (32, 4, 1)
"""Invocations a work group of the shaders that go over single cells."""
TEXELS_GROUP = (8, 8, 1)
"""Invocations a work group of the shaders that go over texels of ``PACKED`` cells."""
EDGE_GROUP = (64, 1, 1)
"""Invocations a work group of the shaders that go over the edge cells."""
COPY_GROUPS = ((64, 4, 1), (16, 8, 1))
"""Work groups with which images are copied to measure the card's bandwidth."""
ONE, FOUR = (("real", "float"),), (("real", "vec4"),)
"""What a number is in the shaders that go over single cells, and in those that go over texels."""
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


def cells_of(setup: RunSetup) -> tuple[int, int, int]:
    """The run's cells along the texture's width, height and layers: x, z, 1 in the plane, x, y, z in space."""
    nx, ny, nz = setup.size
    return (nx, nz, 1) if len(stencil(setup.stencil).axes) == 2 else (nx, ny, nz)


def texels_of(setup: RunSetup) -> tuple[int, int, int]:
    """Width, height and layers of the images with ``PACKED`` cells a texel.

    Component k of texel j of a row of W texels is the cell j + k W; cells beyond the run's are solid.
    """
    width, height, layers = cells_of(setup)
    return -(-width // PACKED), height, layers


def image_layers(setup: RunSetup) -> tuple[int, ...]:
    """Layers of each image of distributions."""
    Q = stencil(setup.stencil).directions
    return tuple(min(GROUPED, Q - first) * cells_of(setup)[2] for first in range(0, Q, GROUPED))


def edge_rows(edges: Boundary) -> int:
    """Height of the edge cells' textures."""
    return wide_rows(len(edges.cell))


def told_layers(setup: RunSetup) -> int:
    """Layers of four numbers in which a level tells density, velocity and stress to a finer one."""
    d = len(stencil(setup.stencil).axes)
    return -(-(1 + d + d * (d + 1) // 2) // 4)


def bytes_per_update(setup: RunSetup) -> int:
    """Bytes that a cell's update moves at least: each distribution in and out, and the cell's kind."""
    return 8 * stencil(setup.stencil).directions + 1


def sources(
    setup: RunSetup,
    edges: Boundary,
    started: bool = False,
    inner: Coupling | None = None,
    outer: Coupling | None = None,
) -> dict[str, ShaderSource]:
    """All shaders of a run, or of one level of it.

    Args:
        setup: the run.
        edges: its boundary cells.
        inner: what joins it to a level with finer cells.
        outer: to one with coarser cells.
        started: whether the start is read from a texture ``start`` (velocity along the lattice's axes, density less
            1), not the wind.

    The shaders, with N = 0 or 1 where there is one for even and one for odd steps, counted from 1:
        init, keep: set all places, and ``kept_new`` of the edge cells, as after step 0.
        edgeN, stepN: one step, first of the edge cells, then of all texels in place. Images F0.. (distributions), for
            the edge cells kept_new and exchange; textures kinds, for the texels rows and kept_new, for the edge cells
            cells, links, kept_old, normals (with a wall function), kinds and rows (with a mirror). The two textures of
            kept values change places every step.
            With a finer level they leave in ``told`` what it reads. With a coarser one they set the cells that it
            gives, from what it told before and after its step, ``told_old`` and ``told_new``, so far between as
            ``share`` says.
        reduce, gather, total: the sum of the exchange since the last time, made zero, over blocks of edge cells, then
            over blocks of blocks, then into ``history`` (column ``place``, row part less 1) times ``scale``, beside
            ``mark``.
        sliceN: velocity along the lattice's axes and density less 1 after step N, in the plane ``index`` across the
            texture's axis ``axis``.
        meanN: the same of all cells, ``share`` of it mixed into ``field``.
        shown: a plane of ``field``, like a slice.
        take: after the even one of two steps, what the coarser level takes of it, into its ``outer_new``.

    Raises:
        InputError: a set-up that cannot be run, or periodic along x with a number of cells that no texels hold.
    """
    lattice = setup.checked()
    if setup.face_kinds()[0] == "periodic" and setup.size[0] % PACKED:
        raise InputError(
            f"A run periodic along x cannot have {setup.size[0]} cells along it: take a multiple of {PACKED} cells."
        )
    writer = _Writer(setup, lattice, edges, inner, outer)
    made = [writer.init(started), writer.keep(started), writer.reduce(), writer.gather(), writer.total()]
    made += [shader for n in (0, 1) for shader in (writer.edge(n), writer.step(n))]
    made.append(writer.shown())
    made += [shader for n in (0, 1) for shader in (writer.slice(n), writer.mean(n))]
    if outer is not None:
        made.append(writer.take(outer))
    return {shader.name: shader for shader in made}


def copy_source(edge: int, form: str, group: tuple[int, int, int]) -> ShaderSource:
    """A shader that copies a square image of ``form``, ``edge`` texels wide, to measure the card's bandwidth."""
    body = "ivec2 p = ivec2(gl_GlobalInvocationID.xy);\nimageStore(target, p, imageLoad(origin, p));"
    images = (
        (0, form, "FLOAT_2D", "origin", frozenset({"READ"})),
        (1, form, "FLOAT_2D", "target", frozenset({"WRITE"})),
    )
    return ShaderSource("copy", group, images, (), (), _main(body), (edge // group[0], edge // group[1], 1))


def noise_source(edge: int, form: str) -> ShaderSource:
    """A shader that fills such an image with noise: drivers pack images of like numbers, which then copy too fast."""
    body = """ivec2 p = ivec2(gl_GlobalInvocationID.xy);
uvec4 h = uint(p.x)*1664525u + uint(p.y)*22695477u + uvec4(1u, 2654435769u, 1013904223u, 3668340011u);
h = (h ^ (h >> 16u))*2246822507u;
h = (h ^ (h >> 13u))*3266489909u;
imageStore(target, p, vec4((h ^ (h >> 16u)) >> 8u)*5.9604645e-8);"""
    images = ((0, form, "FLOAT_2D", "target", frozenset({"WRITE"})),)
    group = COPY_GROUPS[0]
    return ShaderSource("noise", group, images, (), (), _main(body), (edge // group[0], edge // group[1], 1))


def kinds_texture(setup: RunSetup, edges: Boundary) -> Singles:
    """Kind of each cell over 255, in the order of a texture with ``PACKED`` cells a texel."""
    return _packed(setup, edges.kind.astype(np.float32) / np.float32(255.0))


def rows_texture(setup: RunSetup, edges: Boundary) -> Singles:
    """Number of each edge cell, in the order of a texture with ``PACKED`` cells a texel; exact to 16 million of them.

    Raises:
        InputError: more edge cells than a single number counts.
    """
    if len(edges.cell) >= 2**24:
        raise InputError(f"{len(edges.cell)} cells lie at walls, more than can be run: use larger cells.")
    rows = np.zeros(edges.kind.size, np.float32)
    rows[edges.cell] = np.arange(len(edges.cell))
    return _packed(setup, rows.reshape(edges.kind.shape))


def cells_texture(setup: RunSetup, edges: Boundary, inner: Coupling | None = None) -> Singles:
    """Place of each edge cell along the texture's axes, and 1 + which of those it is that a finer level reads, or 0."""
    x, y, z = np.unravel_index(edges.cell, setup.size)
    told = np.zeros(len(edges.cell))
    if inner is not None:
        told[inner.sources] = np.arange(1, len(inner.sources) + 1)
    return _wide(np.stack((x, z, y, told) if cells_of(setup)[2] == 1 else (x, y, z, told), axis=1)[:, None])


def links_texture(edges: Boundary) -> Singles:
    """Share and part of each link, in the order of a texture with a layer a direction."""
    return _wide(np.stack([edges.q, edges.part], axis=2))


def slots_texture(joined: Coupling) -> Singles:
    """Which of them each given cell is made of, and their shares, in the order of a texture with a layer each."""
    return _wide(np.stack([joined.slot, joined.weight], axis=2))


def inside_texture(setup: RunSetup, joined: Coupling) -> Singles:
    """Place along the texture's axes and share of each fine cell that coarser ones are made of, a layer each."""
    x, y, z = np.unravel_index(joined.cell, setup.size)
    return _wide(np.stack([*((x, z, y) if cells_of(setup)[2] == 1 else (x, y, z)), joined.share], axis=2))


def wide_rows(count: int) -> int:
    """Height of a texture with ``WIDE`` places a row."""
    return max(1, -(-count // WIDE))


def _wide(values: NDArray[np.generic]) -> Singles:
    """(n, layers, c) values in the order of a texture with ``WIDE`` places a row."""
    count, layers, numbers = values.shape
    wide = np.zeros((layers, WIDE * wide_rows(count), numbers), np.float32)
    wide[:, :count] = values.transpose(1, 0, 2)
    return wide.ravel()


def normals_texture(setup: RunSetup, edges: Boundary) -> Singles:
    """Normal along the lattice's axes and distance of each edge cell's wall, negative for the road's, 0 for no law."""
    axes = list(stencil(setup.stencil).axes)
    values = np.zeros((len(edges.cell), 4))
    values[:, : len(axes)] = edges.normal[:, axes]
    values[:, 3] = np.where(road_only(edges), -edges.distance, edges.distance) * edges.slips
    return _wide(values[:, None])


def start_texture(setup: RunSetup, density: Floats, velocity: Floats) -> Singles:
    """Velocity (3, nx, ny, nz) along the lattice's axes and density less 1, in the order of a texture."""
    axes = list(stencil(setup.stencil).axes)
    start = np.zeros((*setup.size, 4), np.float32)
    start[..., : len(axes)] = np.moveaxis(velocity[axes], 0, -1)
    start[..., 3] = density - 1.0
    return _texture_order(setup, start)


def slice_arrays(setup: RunSetup, texture: Any) -> tuple[Floats, Floats]:
    """(h, w) density and (3, h, w) velocity of a slice's picture (h, w, 4); rest in solid cells."""
    picture = _read(texture)
    velocity = np.zeros((3, *picture.shape[:2]))
    for n, axis in enumerate(stencil(setup.stencil).axes):
        velocity[axis] = picture[..., n]
    return 1.0 + picture[..., 3].astype(np.float64), velocity


def answered(history: Any, count: int, mark: float) -> bool:
    """Whether the history's texture (parts, HISTORY, 4) holds ``count`` forces that the card gave just now."""
    return bool((_read(history)[:, :count, 3] == mark).all())


def force_arrays(setup: RunSetup, history: Any, count: int) -> Floats:
    """(count, parts, 3) forces from the history's texture (parts, HISTORY, 4)."""
    axes = list(stencil(setup.stencil).axes)
    forces = np.zeros((count, len(history), 3))
    forces[..., axes] = np.moveaxis(_read(history), 0, 1)[:count, :, : len(axes)]
    return forces


def stacked_fields(setup: RunSetup, pictures: Sequence[Any]) -> tuple[Floats, Floats]:
    """(nx, ny, nz) density and (3, nx, ny, nz) velocity from the pictures of all the texture's layers."""
    slices = [slice_arrays(setup, picture) for picture in pictures]
    density = np.stack([d for d, _ in slices]).T
    velocity = np.stack([v for _, v in slices], axis=1).transpose(0, 3, 2, 1)
    return density.reshape(setup.size), velocity.reshape(3, *setup.size)


def _read(texture: Any) -> Singles:
    """(h, w, 4) what was read of a texture. Blender 4 tells an array's strides in the wrong order."""
    found = np.asarray(texture, np.float32)
    return found.ravel(order="K").reshape(found.shape)


def _texture_order(setup: RunSetup, values: NDArray[np.float32]) -> Singles:
    return np.ascontiguousarray(values.transpose(2, 1, 0, *range(3, values.ndim)), np.float32).ravel()


def _packed(setup: RunSetup, values: NDArray[np.float32]) -> Singles:
    """(nx, ny, nz) values in the order of a texture with ``PACKED`` cells a texel, 0 beyond the run's cells."""
    nx, ny, nz = setup.size
    width = texels_of(setup)[0]
    filled = np.zeros((PACKED * width, ny, nz), np.float32)
    filled[:nx] = values
    return np.ascontiguousarray(filled.reshape(PACKED, width, ny, nz).transpose(3, 2, 1, 0)).ravel()


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
    arriving distributions.

    Numbers of the type ``real`` are those of one cell, or of the cells of a texel. ``p`` is the place of the cell or
    the texel, accordingly.
    """

    def __init__(
        self, setup: RunSetup, lattice: Stencil, edges: Boundary, inner: Coupling | None, outer: Coupling | None
    ) -> None:
        self.setup, self.lattice, self.edges = setup, lattice, edges
        self.inner, self.outer = inner, outer
        self.told = ["told"] if inner is not None else []
        self.d, self.Q = len(lattice.axes), lattice.directions
        self.cells, self.texels = cells_of(setup), texels_of(setup)
        self.kinds = [setup.face_kinds()[2 * axis + side] for axis in lattice.axes for side in (0, 1)]
        self.pairs = [(a, b) for a in range(self.d) for b in range(a, self.d)]
        self.speed = [f"u{a}" for a in range(self.d)]

    # --- whole shaders

    def init(self, started: bool) -> ShaderSource:
        body = [*self._texel(), *self._begin(started, PACKED)]
        body += ["vec4 air = vec4(greaterThan(kind, vec4(0.0)));", *(f"e{i} *= air;" for i in range(self.Q))]
        samplers = ["kinds", *(["start_at"] if started else [])]
        return self._over_texels("init", [*body, *self._store(0)], samplers)

    def keep(self, started: bool) -> ShaderSource:
        body = [*self._edge_cell(len(self.edges.cell)), *self._begin(started, 1), *self._keep(), *self._tell()]
        samplers = ["cells", *(["start_at"] if started else [])]
        return self._over_edges("keep", body, ["kept_new", *self.told], samplers, self._rebuild())

    def edge(self, n: int) -> ShaderSource:
        given = len(self.outer.given) if self.outer is not None else 0
        body = [*self._edge_cell(self.edges.own + given), *self._give()]
        body += ["real column = float(p.x);", *self._neighbours(), *self._load_cell(n)]
        body += [*self._faces(), *self._walls(), *self._collision(), *self._keep(), *self._tell()]
        samplers = ["cells", "links", "kept_old"]
        samplers += ["normals"] if self.setup.wall_function else []
        samplers += ["kinds", "rows"] if "symmetry" in self.kinds else []
        samplers += ["slots", "told_old", "told_new"] if given else []
        images, constants = ["kept_new", "exchange", *self.told], (("FLOAT", "share"),) if given else ()
        return self._over_edges(f"edge{n}", body, images, samplers, self._rebuild() + _BOUNCE, constants)

    def step(self, n: int) -> ShaderSource:
        body = [*self._texel(), "if (all(equal(kind, vec4(0.0)))) return;", *self._load(n)]
        # Cells that are not plain go along as air at rest, which stays finite.
        body += ["if (any(notEqual(kind, vec4(1.0)))) {", "vec4 plain = vec4(equal(kind, vec4(1.0)));"]
        body += [*(f"g{i} *= plain;" for i in range(self.Q)), "}"]
        quarters = ", ".join(_number(k * self.texels[0]) for k in range(PACKED))
        body += [f"real column = float(p.x) + vec4({quarters});", *self._collision(), *self._take(), *self._store(n)]
        return self._over_texels(f"step{n}", body, ["kinds", "rows", "kept_new"])

    def take(self, outer: Coupling) -> ShaderSource:
        count, layers = len(outer.taken), range(told_layers(self.setup))
        body = ["ivec2 at = ivec2(gl_GlobalInvocationID.xy);", f"if (at.x + {WIDE}*at.y >= {count}) return;"]
        body += [f"vec4 mean{m} = vec4(0.0);" for m in layers]
        body += [f"for (int k = 0; k < {outer.share.shape[1]}; k++) {{"]
        body += ["vec4 one = texelFetch(inside, ivec3(at, k), 0);", "ivec3 p = ivec3(one.xyz + 0.5);"]
        body += self._neighbours()
        # After two steps the second of which was an even one.
        body += [*self._load_cell(0, turned=True), *self._left("g")]
        body += [*(f"mean{m} += one.w * left{m};" for m in layers), "}"]
        body += [*(f"vec4 left{m} = mean{m};" for m in layers), *self._from_left(1.0 / outer.to_finer)]
        body += [f"int number = {int(outer.taken[0])} + at.x + {WIDE}*at.y;"]
        body += [f"ivec3 row = ivec3(number % {WIDE}, number / {WIDE}, 0);"]
        body += [f"imageStore(outer_new, row + ivec3(0, 0, {i}), vec4(e{i}));" for i in range(self.Q)]
        places = (WIDE, wide_rows(count), 1)
        return self._shader("take", body, ["outer_new"], ["inside"], EDGE_GROUP, places, above=self._rebuild())

    def slice(self, n: int) -> ShaderSource:
        body = [*self._in_plane(), *self._macroscopic(n), "imageStore(picture, at, value);"]
        return self._over_cells(f"slice{n}", body, ["picture"], ["kinds"], (("INT", "axis"), ("INT", "index")))

    def shown(self) -> ShaderSource:
        body = [*self._in_plane(), "imageStore(picture, at, imageLoad(field, p));"]
        return self._over_cells("shown", body, ["field", "picture"], [], (("INT", "axis"), ("INT", "index")))

    def mean(self, n: int) -> ShaderSource:
        body = ["ivec3 p = ivec3(gl_GlobalInvocationID);"]
        body += [f"if (any(greaterThanEqual(p, {self._vector(self.cells)}))) return;"]
        body += [*self._macroscopic(n), "vec4 before = imageLoad(field, p);"]
        body.append("imageStore(field, p, share == 1.0 ? value : before + share*(value - before));")
        return self._over_cells(f"mean{n}", body, ["field"], ["kinds"], (("FLOAT", "share"),))

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
        return self._shader("reduce", body, ["exchange", "partial"], ["links"], (64, 1, 1), (SUMMED[0], 1, 1))

    def gather(self) -> ShaderSource:
        body = [
            "ivec2 at = ivec2(gl_GlobalInvocationID.xy);",
            "vec4 sum = vec4(0.0);",
            f"for (int k = at.x; k < {SUMMED[0]}; k += {SUMMED[1]}) sum += imageLoad(partial, ivec2(k, at.y));",
            "imageStore(gathered, at, sum);",
        ]
        places = (SUMMED[1], max(1, self.edges.parts), 1)
        return self._shader("gather", body, ["partial", "gathered"], [], (SUMMED[1], 1, 1), places)

    def total(self) -> ShaderSource:
        body = [
            "int part = int(gl_GlobalInvocationID.x);",
            f"if (part >= {max(1, self.edges.parts)}) return;",
            "vec4 sum = vec4(0.0);",
            f"for (int k = 0; k < {SUMMED[1]}; k++) sum += imageLoad(gathered, ivec2(k, part));",
            "imageStore(history, ivec2(place, part), vec4(scale * sum.xyz, mark));",
        ]
        constants = (("INT", "place"), ("FLOAT", "scale"), ("FLOAT", "mark"))
        places = (max(1, self.edges.parts), 1, 1)
        return self._shader("total", body, ["gathered", "history"], [], (32, 1, 1), places, constants)

    # --- pieces

    def _over_cells(
        self, name: str, body: list[str], images: list[str], samplers: list[str], constants: tuple[tuple[str, str], ...]
    ) -> ShaderSource:
        return self._shader(name, body, images, samplers, GROUP, self.cells, constants)

    def _over_texels(self, name: str, body: list[str], samplers: list[str]) -> ShaderSource:
        above = self._rebuild()
        return self._shader(name, body, [], samplers, TEXELS_GROUP, self.texels, above=above, defines=FOUR)

    def _over_edges(
        self,
        name: str,
        body: list[str],
        images: list[str],
        samplers: list[str],
        above: str,
        constants: tuple[tuple[str, str], ...] = (),
    ) -> ShaderSource:
        places = (WIDE, edge_rows(self.edges), 1)
        return self._shader(name, body, images, samplers, EDGE_GROUP, places, constants, above)

    def _shader(
        self,
        name: str,
        body: list[str],
        images: list[str],
        samplers: list[str],
        group: tuple[int, int, int],
        places: tuple[int, int, int],
        constants: tuple[tuple[str, str], ...] = (),
        above: str = "",
        defines: tuple[tuple[str, str], ...] = ONE,
    ) -> ShaderSource:
        """A shader that goes over ``places``, with the images of distributions that it uses before the others."""
        source = above + _main("\n".join(body))
        held = [f"F{n}" for n in range(len(image_layers(self.setup))) if f"(F{n}, " in source]
        bound = tuple(self._image(n, image, source) for n, image in enumerate([*held, *images]))
        kinds = tuple(
            (n, "FLOAT_2D" if s in ("normals", "cells") else "FLOAT_2D_ARRAY", s) for n, s in enumerate(samplers)
        )
        x, y, z = (-(-n // g) for n, g in zip(places, group, strict=True))
        return ShaderSource(name, group, bound, kinds, constants, source, (x, y, z), defines)

    @staticmethod
    def _image(slot: int, name: str, source: str) -> tuple[int, str, str, str, frozenset[str]]:
        form = "R32F" if name in ("exchange", "kept_new", "outer_new") else "RGBA32F"
        flat = name in ("picture", "partial", "gathered", "history")
        uses = {"READ": f"imageLoad({name}, ", "WRITE": f"imageStore({name}, "}
        access = frozenset(use for use, call in uses.items() if call in source)
        return slot, form, "FLOAT_2D" if flat else "FLOAT_2D_ARRAY", name, access

    @staticmethod
    def _vector(values: Sequence[int]) -> str:
        return f"ivec3({', '.join(str(int(v)) for v in values)})"

    @staticmethod
    def _sized(step: NDArray[np.int64]) -> str:
        return f"vec3({', '.join(_number(float(v)) for v in (*step, 0)[:3])})"

    def _texel(self) -> list[str]:
        """Place, kinds and neighbours of a texel."""
        lines = ["ivec3 p = ivec3(gl_GlobalInvocationID);"]
        lines.append(f"if (any(greaterThanEqual(p, {self._vector(self.texels)}))) return;")
        lines.append("vec4 kind = floor(texelFetch(kinds, p, 0) * 255.0 + 0.5);")
        lines.append(f"bool last = p.x == {self.texels[0] - 1};")
        return [*lines, "int xp = last ? 0 : p.x + 1;", *self._beside()]

    def _in_plane(self) -> list[str]:
        return [
            "ivec2 at = ivec2(gl_GlobalInvocationID.xy);",
            "ivec3 p = axis == 0 ? ivec3(index, at) : (axis == 1 ? ivec3(at.x, index, at.y) : ivec3(at, index));",
            f"if (any(greaterThanEqual(p, {self._vector(self.cells)}))) return;",
        ]

    def _neighbours(self) -> list[str]:
        """Neighbours of a cell; texel and component along x of its own places and of those at the higher neighbour."""
        width = self.texels[0]
        lines = [f"int xp = p.x == {PACKED * width - 1} ? 0 : p.x + 1;"]
        lines.append(f"int xm = p.x == 0 ? {PACKED * width - 1} : p.x - 1;")
        lines += [f"ivec2 x{s} = ivec2({x} % {width}, {x} / {width});" for s, x in enumerate(("p.x", "xp"))]
        return [*lines, *self._beside()]

    def _beside(self) -> list[str]:
        lines = []
        for axis, cells in list(zip("xyz", self.cells, strict=True))[1 : self.d]:
            lines.append(f"int {axis}p = p.{axis} == {cells - 1} ? 0 : p.{axis} + 1;")
            lines.append(f"int {axis}m = p.{axis} == 0 ? {cells - 1} : p.{axis} - 1;")
        return lines

    def _at(self, step: Sequence[int]) -> tuple[str, str, str]:
        """Coordinates of the cell that is ``step`` away."""
        names = [{0: f"p.{a}", 1: f"{a}p", -1: f"{a}m"}[int(s)] for s, a in zip((*step, 0), "xyz", strict=False)]
        return names[0], names[1], names[2]

    def _place(self, i: int, step: Sequence[int]) -> tuple[str, int, str]:
        """Image, step along x and coordinates along the other axes of direction ``i``'s place ``step`` away."""
        _, y, z = self._at(step)
        image, layer = divmod(i, GROUPED)
        layers = min(GROUPED, self.Q - image * GROUPED)
        return f"F{image}", int(step[0]), f"{y}, {layer}" if self.d == 2 else f"{y}, {z}*{layers} + {layer}"

    def _places(self, n: int) -> list[tuple[str, int, str]]:
        """Where each direction is read and written in even (0) and odd (1) steps, here or one cell up x."""
        none = (0,) * self.d
        places = [self._place(0, none)]
        for i in range(1, self.Q, 2):
            own, other = (i, i + 1) if n else (i + 1, i)
            places += [("", 0, ""), ("", 0, "")]
            places[i], places[i + 1] = self._place(own, none), self._place(other, self.lattice.velocities[i])
        return places

    def _load(self, n: int) -> list[str]:
        """What arrives at a texel's cells; neighbours of the last texel's cells lie in the first, a component on."""
        places = self._places(n)
        body = [f"vec4 g{i} = imageLoad({image}, ivec3({_X[s]}, {at}));" for i, (image, s, at) in enumerate(places)]
        return [*body, "if (last) {", *(f"g{i} = g{i}.yzwx;" for i in range(self.Q) if places[i][1]), "}"]

    def _store(self, n: int) -> list[str]:
        # What is left behind for the next step: a direction leaves where its opposite came from.
        turned = self.lattice.opposite
        places = [self._places(n)[turned[i]] for i in range(self.Q)]
        body = ["if (last) {", *(f"e{i} = e{i}.wxyz;" for i in range(self.Q) if places[i][1]), "}"]
        return body + [f"imageStore({image}, ivec3({_X[s]}, {at}), e{i});" for i, (image, s, at) in enumerate(places)]

    def _load_cell(self, n: int, turned: bool = False) -> list[str]:
        """What arrives at a cell, or what its last step has left behind where it will go on from."""
        places = self._places(n)
        places = [places[back] for back in self.lattice.opposite] if turned else places
        return [
            f"float g{i} = imageLoad({image}, ivec3(x{s}.x, {at}))[x{s}.y];" for i, (image, s, at) in enumerate(places)
        ]

    def _take(self) -> list[str]:
        """What the edge cells of a texel have left."""
        body = ["if (any(equal(kind, vec4(2.0)))) {", "vec4 numbers = texelFetch(rows, p, 0);"]
        body += [f"for (int k = 0; k < {PACKED}; k++) {{", "if (kind[k] != 2.0) continue;"]
        body += ["vec4 on = vec4(equal(ivec4(0, 1, 2, 3), ivec4(k)));", "int number = int(numbers[k]);"]
        body += [f"ivec2 row = ivec2(number % {WIDE}, number / {WIDE});"]
        kept = "texelFetch(kept_new, ivec3(row, {}), 0).r"
        body += [f"e{i} = mix(e{i}, vec4({kept.format(i)}), on);" for i in range(self.Q)]
        return [*body, "} }"]

    def _begin(self, started: bool, cells: int) -> list[str]:
        """Equilibrium of the start, of so many cells."""
        body = [*self._wind("u"), "real r = real(0.0);"]
        if started:
            body = ["vec4 start = texelFetch(start_at, p, 0);"]
            if cells > 1:
                x = [f"min(p.x + {k * self.texels[0]}, {self.cells[0] - 1})" for k in range(cells)]
                columns = ", ".join(f"texelFetch(start_at, ivec3({at}, p.yz), 0)" for at in x)
                body = [f"mat4 start = transpose(mat4({columns}));"]
            body += ["real r = start[3];", *(f"real u{a} = start[{a}];" for a in range(self.d))]
        return [*body, self._rebuild_call("r", self.speed, still=True)]

    def _edge_cell(self, count: int) -> list[str]:
        return [
            "ivec2 row = ivec2(gl_GlobalInvocationID.xy);",
            f"if (row.x + {WIDE}*row.y >= {count}) return;",
            "ivec3 p = ivec3(texelFetch(cells, row, 0).xyz + 0.5);",
        ]

    def _tell(self) -> list[str]:
        """Leave what a finer level reads of the cell's ``e``."""
        if self.inner is None:
            return []
        layers = range(told_layers(self.setup))
        body = ["int slot = int(texelFetch(cells, row, 0).w + 0.5) - 1;", "if (slot >= 0) {", *self._left("e")]
        to = f"ivec3(slot % {WIDE}, slot / {WIDE}, {{}})"
        return [*body, *(f"imageStore(told, {to.format(m)}, left{m});" for m in layers), "}"]

    def _give(self) -> list[str]:
        """Set a cell that the coarser level gives, from what it told, and be done with it."""
        if self.outer is None:
            return []
        layers = range(told_layers(self.setup))
        body = [f"int given = row.x + {WIDE}*row.y - {self.edges.own};", "if (given >= 0) {"]
        body += [f"ivec3 at = ivec3(given % {WIDE}, given / {WIDE}, 0);"]
        body += [*(f"vec4 left{m} = vec4(0.0);" for m in layers)]
        body += [f"for (int k = 0; k < {self.outer.slot.shape[1]}; k++) {{"]
        body += ["vec2 one = texelFetch(slots, at + ivec3(0, 0, k), 0).xy;", "int slot = int(one.x + 0.5);"]
        body += [f"ivec3 from = ivec3(slot % {WIDE}, slot / {WIDE}, 0);"]
        for m in layers:
            old, new = (f"texelFetch({told}, from + ivec3(0, 0, {m}), 0)" for told in ("told_old", "told_new"))
            body.append(f"left{m} += one.y * mix({old}, {new}, share);")
        return [*body, "}", *self._from_left(self.outer.to_finer), *self._keep(), "return; }"]

    def _left(self, g: str) -> list[str]:
        """What a collision leaves of distributions: density less 1, velocity and stress, in ``left0`` and on."""
        body = self._moments(g, "")
        names = ["r", *self.speed]
        for a, b in self.pairs:
            raw = [(float(c[a] * c[b]), f"{g}{i}") for i, c in enumerate(self.lattice.velocities)]
            names.append(f"({_sum(raw)} - (1.0 + r)*u{a}*u{b}" + (" - r/3.0)" if a == b else ")"))
        names += ["0.0"] * (-len(names) % 4)
        fours = [", ".join(names[4 * m : 4 * m + 4]) for m in range(len(names) // 4)]
        return [*body, *(f"vec4 left{m} = vec4({four});" for m, four in enumerate(fours))]

    def _from_left(self, factor: float) -> list[str]:
        """e0.. of what ``_left`` tells, the stress times ``factor``."""
        names = [f"left{n // 4}[{n % 4}]" for n in range(1 + self.d + len(self.pairs))]
        stress = [f"{_number(factor)}*{name}" for name in names[1 + self.d :]]
        return [f"rebuild({', '.join([*names[: 1 + self.d], *stress, 'real(0.0)'])});"]

    def _keep(self) -> list[str]:
        return [f"imageStore(kept_new, ivec3(row, {i}), vec4(e{i}));" for i in range(self.Q)]

    def _macroscopic(self, n: int) -> list[str]:
        body = [*self._neighbours(), "vec4 value = vec4(0.0);"]
        body += [f"if ({self._kind_at('x0', 'p')} != 0) {{", *self._load_cell(n, turned=True)]
        body += [*self._moments("g", ""), "value.w = r;"]
        body += [f"value[{a}] = u{a};" for a in range(self.d)]
        if self.setup.acceleration:
            body.append(f"value[0] -= {_number(0.5 * self.setup.acceleration)};")
        return [*body, "}"]

    @staticmethod
    def _kind_at(x: str, p: str) -> str:
        """Kind of the cell ``p``, whose texel and component are ``x``."""
        return f"int(texelFetch(kinds, ivec3({x}.x, {p}.yz), 0)[{x}.y] * 255.0 + 0.5)"

    def _moments(self, g: str, suffix: str) -> list[str]:
        """Density less 1 and velocity of distributions ``g``."""
        names = [f"{g}{i}" for i in range(self.Q)]
        lines = [f"real r{suffix} = {_sum([(1.0, name) for name in names])};"]
        for a in range(self.d):
            total = _sum(list(zip(self.lattice.velocities[:, a].astype(float), names, strict=True)))
            lines.append(f"real u{a}{suffix} = ({total}) / (1.0 + r{suffix});")
        return lines

    def _wind(self, name: str) -> list[str]:
        wind = [self.setup.inlet_velocity[a] for a in self.lattice.axes]
        shape = "1.0"
        if self.setup.parabolic:
            height = f"(float(p.{'y' if self.d == 2 else 'z'}) + 0.5)"
            nz = self.setup.size[2]
            shape = f"{_number(6.0 / nz**2)}*{height}*({_number(nz)} - {height})"
        return [f"real {name}{a} = real({_number(wind[a])}*{shape});" for a in range(self.d)]

    def _rebuild_call(self, excess: str, speed: list[str], still: bool = False, pull: str = "real(0.0)") -> str:
        stress = ["real(0.0)" if still else f"s{a}{b}" for a, b in self.pairs]
        return f"rebuild({', '.join([excess, *speed, *stress, pull])});"

    def _rebuild(self) -> str:
        """A function that sets e0.. from density less 1, velocity, stress and force along x."""
        arguments = ["r", *self.speed, *(f"s{a}{b}" for a, b in self.pairs), "f"]
        lines = [f"real {', '.join(f'e{i}' for i in range(self.Q))};", ""]
        lines += [f"void rebuild({', '.join('real ' + a for a in arguments)})", "{", "real d = 1.0 + r;"]
        for m, power in enumerate(self.lattice.powers):
            lines.append(f"real m{m} = {self._moment(power)};")
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
                f"ivec2 x = ivec2(from.x % {self.texels[0]}, from.x / {self.texels[0]});",
                f"bool edge = {self._kind_at('x', 'from')} == 2;",
                "int other = int(texelFetch(rows, ivec3(x.x, from.yz), 0)[x.y]);",
                f"g{i} = edge ? texelFetch(kept_old, ivec3(other % {WIDE}, other / {WIDE}, {k}), 0).r",
                f": o{self.lattice.opposite[i]}; }}",
            ]
        return [*body, "}"]

    def _walls(self) -> list[str]:
        walled = int((self.edges.q <= 1.0).any(axis=1).sum())
        body = [f"if (row.x + {WIDE}*row.y < {walled}) {{"]
        body += [f"vec2 l{k} = texelFetch(links, ivec3(row, {k}), 0).xy;" for k in range(1, self.Q)]
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
        return [*body, "}"]

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
        pull = "real(0.0)"
        if setup.acceleration:
            pull = "f"
            body += [f"real f = {_number(setup.acceleration)}*(1.0 + r);"]
            body += [f"u0 += {_number(0.5 * setup.acceleration)};"]
        for a, b in self.pairs:
            raw = [(float(c[a] * c[b]), f"g{i}") for i, c in enumerate(velocities)]
            line = f"real s{a}{b} = {_sum(raw)} - (1.0 + r)*u{a}*u{b}"
            line += " - r/3.0" if a == b else ""
            if setup.acceleration and a == 0:
                line += " + u0*f" if b == 0 else f" + 0.5*u{b}*f"
            body.append(line + ";")
        body.append(f"real trace = ({_sum([(1.0, f's{a}{a}') for a in range(self.d)])}) * {_number(1.0 / self.d)};")
        body += [f"s{a}{a} -= trace;" for a in range(self.d)]
        body += [*self._sponge(), f"real tau = {_number(3.0 * setup.viscosity + 0.5)} + 3.0*more;"]
        if setup.smagorinsky:
            squares = [(1.0 if a == b else 2.0, f"s{a}{b}*s{a}{b}") for a, b in self.pairs]
            factor = 18.0 * math.sqrt(2.0) * setup.smagorinsky**2
            body.append(f"tau = 0.5*(tau + sqrt(tau*tau + {_number(factor)}*sqrt({_sum(squares)})/(1.0 + r)));")
        body.append("real kept = 1.0 - 1.0/tau;")
        body += [f"s{a}{b} *= kept;" for a, b in self.pairs]
        if any(sponge_lengths(setup)):
            body += [*self._wind("w"), "r *= still;"]
            body += [f"u{a} += even*(w{a} - u{a});" for a in range(self.d)]
        return [*body, self._rebuild_call("r", self.speed, pull=pull)]

    def _sponge(self) -> list[str]:
        lengths = [sponge_lengths(self.setup)[2 * axis + side] for axis in self.lattice.axes for side in (0, 1)]
        if not any(lengths):
            return ["real more = real(0.0);"]
        body = ["real inside = real(0.0), closed = real(0.0);"]
        for face, (kind, length) in enumerate(zip(self.kinds, lengths, strict=True)):
            if length:
                place = ("column", "float(p.y)", "float(p.z)")[face // 2]
                depth = f"{_number(self.cells[face // 2] - 0.5)} - {place}" if face % 2 else f"{place} + 0.5"
                body.append(f"inside = max(inside, 1.0 - ({depth})*{_number(1.0 / length)});")
                if kind != "outlet":
                    body.append(f"closed = max(closed, 1.0 - ({depth})*{_number(1.0 / length)});")
        return [
            *body,
            f"real more = {_number(SPONGE_VISCOSITY)}*inside*inside;",
            f"real still = 1.0 - {_number(SPONGE_RATE)}*inside*inside;",
            f"real even = {_number(SPONGE_RATE)}*closed*closed;",
        ]


_X = ("p.x", "xp")
"""Texel along x of a texel's own places and of those at its higher neighbour."""

_BOUNCE = """float bounce(float met, float behind, float near, float own, float far, float push)
{
float q = behind <= 1.0 ? 0.5 : met;
float share = 0.5 / max(q, 0.5);
return q < 0.5 ? 2.0*q*near + (1.0 - 2.0*q)*far + push : share*(near + push) + (1.0 - share)*own;
}

"""
