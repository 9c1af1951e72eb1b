"""Flow runs on the graphics card: its context, textures and shaders, and a run that goes on in slices.

What is computed stands in ``core/flow/shaders.py``.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from typing import Any

import bpy
import gpu

from ..core.errors import InputError
from ..core.flow.grid import FlowGrid
from ..core.flow.kernel import Boundary, RunSetup, check_layer
from ..core.flow.levels import Coupling, Level, levels, updates
from ..core.flow.shaders import (
    COPY_GROUPS,
    HISTORY,
    SUMMED,
    WIDE,
    ShaderSource,
    answered,
    bytes_per_update,
    cells_of,
    cells_texture,
    copy_source,
    edge_rows,
    force_arrays,
    image_layers,
    inside_texture,
    kinds_texture,
    links_texture,
    noise_source,
    normals_texture,
    rows_texture,
    slice_arrays,
    slots_texture,
    sources,
    stacked_fields,
    start_texture,
    texels_of,
    told_layers,
    wide_rows,
)
from ..core.flow.stencil import stencil

COPY_SECONDS = 0.1
"""How long each measurement of the card's bandwidth takes at least, and that a copy may take at most."""
COPIED = (1024, 8192)
"""Edges of the square images of single numbers copied for it: 256 MiB are more than a card's cache holds, and the small
ones, 4 MiB, for what copies so slowly that it has no such cache."""
PORTION = 500
"""Steps after which the card is waited for: with ten seconds of work queued a driver gave up without a word."""
FIRST_STEPS = 4
"""Steps of the first slice of a run, before its rate is known."""


class Card:
    """The graphics card, ready to compute.

    Attributes:
        name: as its driver says.
        largest: width or height, and layers, of the largest texture.
    """

    def __init__(self) -> None:
        """Raises InputError: there is no context to compute in, with the reason."""
        try:
            if bpy.app.background and hasattr(gpu, "init"):
                gpu.init()
            self.name = str(gpu.platform.renderer_get())
            self.largest = (gpu.capabilities.max_texture_size_get(), gpu.capabilities.max_texture_layers_get())
            if gpu.capabilities.max_images_get() < 8:
                raise InputError(f"The graphics card {self.name} cannot run compute shaders: update its driver.")
        except (SystemError, RuntimeError, AttributeError) as problem:
            way = "a Blender 5 or later" if not hasattr(gpu, "init") else "a machine with a graphics driver"
            where = f"Open the file in a window, or use {way}" if bpy.app.background else "Update the graphics driver"
            raise InputError(f"The flow run finds no graphics card to compute on ({problem}): {where}.") from problem
        self._bandwidth = 0.0

    def check(self, width: int, height: int, layers: int) -> None:
        """Raises InputError: a texture of this size is larger than the card allows."""
        if max(width, height) > self.largest[0] or layers > self.largest[1]:
            raise InputError(
                f"A texture of {width} x {height} with {layers} layers is more than the graphics card takes "
                f"({self.largest[0]}, {self.largest[1]} layers): use larger cells or a smaller domain."
            )

    def texture(self, width: int, height: int, layers: int, form: str, values: Any = None) -> Any:
        """A texture, an array of layers unless ``layers`` is 0; ``values`` is a flat array of 32-bit numbers.

        Raises:
            InputError: it is larger than the card allows, or there is no room for it.
        """
        self.check(width, height, layers)
        # Blender 4 takes no None for data.
        data = {} if values is None else {"data": gpu.types.Buffer("FLOAT", len(values), values)}
        try:
            return gpu.types.GPUTexture((width, height), layers=layers, format=form, **data)
        except (RuntimeError, MemoryError, ValueError) as problem:
            raise InputError(f"The graphics card has no room for the run ({problem}): use larger cells.") from problem

    def shader(self, source: ShaderSource) -> Any:
        """Build a shader.

        Raises:
            InputError: the driver refuses it.
        """
        info = gpu.types.GPUShaderCreateInfo()
        for key, value in source.defines:
            info.define(key, value)
        for slot, form, kind, name, access in source.images:
            info.image(slot, form, kind, name, qualifiers=set(access))
        for slot, kind, name in source.samplers:
            info.sampler(slot, kind, name)
        for kind, name in source.constants:
            info.push_constant(kind, name)
        info.local_group_size(*source.local_group)
        info.compute_source(source.source)
        try:
            return gpu.shader.create_from_info(info)
        except Exception as problem:
            raise InputError(
                f"The graphics card {self.name} refuses the flow run's shader {source.name} ({problem}): "
                "update its driver."
            ) from problem

    def bandwidth(self) -> float:
        """Bytes a second that the card moves where it copies, in and out counted; measured once.

        The best of images of one and of four numbers a place in several work groups. A software renderer reaches the
        work that each access takes long before the memory's limit; there it is the measure of that.
        """
        if not self._bandwidth:
            small, edge = COPIED
            if 8.0 * edge**2 / self._copied("RGBA32F", small // 2, COPY_GROUPS[0]) > COPY_SECONDS:
                edge = small
            ways = [("R32F", edge), ("RGBA32F", edge // 2)]
            self._bandwidth = max(self._copied(*way, group) for way in ways for group in COPY_GROUPS)
        return self._bandwidth

    def _copied(self, form: str, edge: int, group: tuple[int, int, int]) -> float:
        source, noise = copy_source(edge, form, group), noise_source(edge, form)
        shader, fill = self.shader(source), self.shader(noise)
        images = [self.texture(edge, edge, 0, form) for _ in range(2)]
        mark = self.texture(1, 1, 0, form)
        fill.bind()
        fill.image("target", images[0])
        gpu.compute.dispatch(fill, *noise.groups)
        done, start = -1, 0.0
        while done < 1 or time.perf_counter() - start < COPY_SECONDS:
            shader.bind()
            shader.image("origin", images[done % 2])
            shader.image("target", images[1 - done % 2])
            gpu.compute.dispatch(shader, *source.groups)
            done += 1
            if done % 4 == 0:
                # What is read back has been waited for; the first round only warms up.
                _wait(shader, images[0], mark)
                start = start if done else time.perf_counter()
        _wait(shader, images[0], mark)
        size = 4.0 if form == "R32F" else 16.0
        return done * 2.0 * size * edge**2 / (time.perf_counter() - start)


def _wait(shader: Any, origin: Any, mark: Any) -> None:
    """Until the card has done all it was given."""
    shader.bind()
    shader.image("origin", origin)
    shader.image("target", mark)
    gpu.compute.dispatch(shader, 1, 1, 1)
    mark.read()


class Run:
    """A flow run on the card, on all its levels. Steps, forces and slices are in units of the coarsest.

    Attributes:
        card, setup: what it runs on, and what it was made from.
        name: of the card.
        steps: how many were done.
        seconds: that they took.
        finer: levels with finer cells.
    """

    def __init__(self, card: Card, setup: RunSetup, force_every: int = 1) -> None:
        """Make ready; ``upload`` gives it a grid.

        Args:
            card: to run on.
            setup: the run, of its coarsest cells.
            force_every: steps whose mean force is kept as one value.

        Raises:
            InputError: a set-up that cannot be run.
        """
        setup.checked()
        if force_every < 1:
            raise InputError(f"Forces cannot be kept every {force_every} steps: give 1 or more.")
        self.card, self.setup, self._every = card, setup, force_every
        self.name, self.steps, self.seconds = card.name, 0, 0.0
        self._levels: list[_Level] = []
        self.finer = 0

    def upload(self, grid: FlowGrid) -> None:
        """Set air in the wind around the parts of ``grid`` and its finer levels.

        Raises:
            InputError: a grid that does not fit the set-up, or no room on the card.
        """
        self._start(levels(self.setup, grid))

    def start(self, edges: Boundary, density: Any = None, velocity: Any = None) -> None:
        """Set air in equilibrium, on one level.

        Args:
            edges: boundary cells.
            density, velocity: (nx, ny, nz), (3, nx, ny, nz) at the start; both None for the wind's.

        Raises:
            InputError: no room on the card.
        """
        self._start((Level(self.setup, edges, None),), density, velocity)

    def _start(self, made: Sequence[Level], density: Any = None, velocity: Any = None) -> None:
        self.steps, self.seconds = 0, 0.0
        # What an earlier start holds goes first.
        self._levels = []
        outer: Coupling | None = None
        for one in made:
            self._levels.append(_Level(self.card, one, outer, density, velocity))
            outer = one.inner
        self._updates, self.finer = updates(made), len(made) - 1
        self._averaged = self._pending = 0
        self._mark = 1
        # Where no part has a wall there is no force to sum.
        self._pushed = [n for n, one in enumerate(self._levels) if one.edges.walled]
        parts = max(1, *(one.edges.parts for one in self._levels))
        self._last = force_arrays(self.setup, [[[0.0] * 4]] * parts, 1)[0]
        self._axes = len(stencil(self.setup.stencil).axes)

    def advance(self, steps: int) -> Any:
        """Do ``steps`` steps and wait for them; (k, parts, 3) mean forces of each interval that ended, lattice units.

        Raises:
            InputError: the run has blown up, or the card was lost.
        """
        self._check_started()
        found: list[Any] = []
        begun, places = time.perf_counter(), 0
        portion = max(1, PORTION >> (len(self._levels) - 1))
        for _ in range(steps):
            self.steps += 1
            self._step(0, 1.0)
            self._pending += 1
            if self._pending == self._every:
                for n in self._pushed or [0]:
                    # Twice the steps on each finer level, and units of force by the faces of the cells.
                    scale = 1.0 / (self._every * 2 ** (self._axes * n))
                    self._levels[n].sum_forces(places, scale, float(self._mark))
                self._pending = 0
                places += 1
            if places == HISTORY or self.steps % portion == 0:
                found += self._fetch(places)
                places = 0
        found += self._fetch(places)
        self.seconds += time.perf_counter() - begun
        if found:
            self._last = found[-1]
        if not self._sound():
            raise InputError("The run has blown up: set more viscosity, a Smagorinsky constant or a lower speed.")
        return found

    def advance_for(self, seconds: float) -> Any:
        """As many steps as take about ``seconds``, at least one; the same answer as ``advance``."""
        steps = FIRST_STEPS if not self.steps else max(1, int(seconds * self.steps / max(self.seconds, 1e-9)))
        return self.advance(steps)

    def forces(self) -> Any:
        """(parts, 3) the newest mean forces, lattice units."""
        self._check_started()
        return self._last

    def slice(self, axis: int = 1, index: int = 0, level: int = 0) -> tuple[Any, Any]:
        """Density (h, w) and velocity (3, h, w) in the layer of cells ``index`` across x, y or z (0, 1, 2) now.

        Rows go up the higher of the two axes left, columns along the lower. In the plane there is the layer across y.
        """
        self._check_started()
        return self._levels[level].slice(self._levels[level].shader("slice"), axis, index)

    def fields(self, level: int = 0) -> tuple[Any, Any]:
        """Density (nx, ny, nz) and velocity (3, nx, ny, nz) of a level now; rest in solid cells."""
        self._check_started()
        return self._levels[level].stacked(self._levels[level].shader("slice"))

    def average(self) -> None:
        """Mix the fields as they are now into their mean since the start; takes 16 bytes a cell more."""
        self._check_started()
        self._averaged += 1
        for one in self._levels:
            one.average(1.0 / self._averaged)

    def mean_slice(self, axis: int = 1, index: int = 0, level: int = 0) -> tuple[Any, Any]:
        """Density and velocity like ``slice``, the mean over all calls of ``average``.

        Raises:
            InputError: there was none.
        """
        self._check_averaged()
        return self._levels[level].slice("shown", axis, index)

    def mean_fields(self, level: int = 0) -> tuple[Any, Any]:
        """The same of all cells of a level, like ``fields``.

        Raises:
            InputError: there was none.
        """
        self._check_averaged()
        return self._levels[level].stacked("shown")

    def rate(self) -> float:
        """Million updates of cells of air a second so far, on all levels."""
        return self._updates * self.steps / max(self.seconds, 1e-9) / 1e6 if self._levels else 0.0

    def share_of_limit(self) -> float:
        """The rate over what the card's bandwidth allows."""
        return self.rate() * 1e6 * bytes_per_update(self.setup) / self.card.bandwidth()

    # --- the card

    def _check_started(self) -> None:
        if not self._levels:
            raise InputError("The run has no grid yet: upload one first.")

    def _check_averaged(self) -> None:
        if not self._levels or not self._averaged:
            raise InputError("The run has no mean flow yet: let it go on.")

    def _step(self, number: int, share: float) -> None:
        """A step of a level and its two of the next finer; ``share`` of the coarser one's step lies behind after it."""
        one = self._levels[number]
        one.edge_step(share)
        if number + 1 < len(self._levels):
            finer = self._levels[number + 1]
            finer.told = one.told_now()
            self._step(number + 1, 0.5)
            self._step(number + 1, 1.0)
            finer.take(one)
        one.step()

    def _fetch(self, places: int) -> list[Any]:
        """The newest mean forces, and thereby wait for the card."""
        whole = []
        for n in self._pushed or [0]:
            history = self._levels[n].history()
            if not answered(history, places, float(self._mark)):
                raise InputError("The graphics card was lost during the flow run (it gave no answer): start it again.")
            whole.append(force_arrays(self.setup, history, places))
        self._mark += 1
        return list(sum(whole[1:], whole[0]))

    def _sound(self) -> bool:
        if self._pushed:
            return all(math.isfinite(value) for value in self._last.ravel())
        coarsest = self._levels[0]
        density = coarsest.picture(coarsest.shader("slice"), 2, cells_of(self.setup)[2] // 2)[0]
        return math.isfinite(float(density.sum()))


class _Level:
    """One size of cells on the card.

    Attributes:
        setup, edges: what it was made from.
        told: what the coarser level told before and after its step.
    """

    def __init__(self, card: Card, made: Level, outer: Coupling | None, density: Any, velocity: Any) -> None:
        """Raises InputError: no room on the card."""
        setup, edges = made.setup, made.edges
        self.card, self.setup, self.edges = card, setup, edges
        self._steps = 0
        # Pictures of the flow hold one cell a texel.
        card.check(*cells_of(setup))
        self._sources = sources(setup, edges, velocity is not None, made.inner, outer)
        width, height, layers = texels_of(setup)
        directions = stencil(setup.stencil).directions
        tall = edge_rows(edges)
        parts = max(1, edges.parts)
        held: dict[str, Any] = {
            f"F{n}": card.texture(width, height, depth, "RGBA32F") for n, depth in enumerate(image_layers(setup))
        }
        held["kinds"] = card.texture(width, height, layers, "RGBA8", kinds_texture(setup, edges))
        held["rows"] = card.texture(width, height, layers, "RGBA32F", rows_texture(setup, edges))
        held["cells"] = card.texture(WIDE, tall, 0, "RGBA32F", cells_texture(setup, edges, made.inner))
        held["links"] = card.texture(WIDE, tall, directions, "RG32F", links_texture(edges))
        held["exchange"] = card.texture(WIDE, tall, directions, "R32F")
        held["partial"] = card.texture(SUMMED[0], parts, 0, "RGBA32F")
        held["gathered"] = card.texture(SUMMED[1], parts, 0, "RGBA32F")
        held["history"] = card.texture(HISTORY, parts, 0, "RGBA32F")
        self._tells: list[Any] = []
        self._kept = [card.texture(WIDE, tall, directions, "R32F") for _ in range(2)]
        for texture in (held["exchange"], *self._kept):
            texture.clear(format="FLOAT", value=(0.0,))
        if setup.wall_function:
            held["normals"] = card.texture(WIDE, tall, 0, "RGBA32F", normals_texture(setup, edges))
        if made.inner is not None:
            rows = wide_rows(len(made.inner.sources))
            self._tells = [card.texture(WIDE, rows, told_layers(setup), "RGBA32F") for _ in range(2)]
        if outer is not None:
            count, each = outer.slot.shape
            held["slots"] = card.texture(WIDE, wide_rows(count), each, "RG32F", slots_texture(outer))
            count, each = outer.cell.shape
            held["inside"] = card.texture(WIDE, wide_rows(count), each, "RGBA32F", inside_texture(setup, outer))
        self._held = held
        self._shaders: dict[str, Any] = {}
        self.told: tuple[Any, Any] | None = None
        begin = self._for(0)
        if velocity is not None:
            values = start_texture(setup, density, velocity)
            begin["start_at"] = card.texture(*cells_of(setup), "RGBA32F", values)
        self._dispatch("init", begin)
        self._dispatch("keep", begin)

    def _for(self, n: int) -> dict[str, Any]:
        """What changes places between even (0) and odd (1) steps."""
        found = {"kept_old": self._kept[1 - n], "kept_new": self._kept[n]}
        if self._tells:
            found["told"] = self._tells[n]
        if self.told is not None:
            found["told_old"], found["told_new"] = self.told
        return found

    def shader(self, name: str) -> str:
        """Name of that which reads the flow as it is now."""
        return f"{name}{self._steps % 2}"

    def edge_step(self, share: float) -> None:
        """Work out the edge cells' next step; a level inside another stands ``share`` of the way into its step."""
        self._steps += 1
        n = self._steps % 2
        if self.told is None:
            self._dispatch(f"edge{n}", self._for(n))
        else:
            self._dispatch(f"edge{n}", self._for(n), share=share)

    def told_now(self) -> tuple[Any, Any]:
        """What a finer level reads of the begin and the end of the step that is being worked out."""
        n = self._steps % 2
        return self._tells[1 - n], self._tells[n]

    def take(self, outer: _Level) -> None:
        """Hand on to the coarser level what it takes from this one."""
        self._dispatch("take", {"outer_new": outer._kept[outer._steps % 2]})

    def step(self) -> None:
        """Do the step for which the edge cells are worked out."""
        n = self._steps % 2
        self._dispatch(f"step{n}", self._for(n))

    def sum_forces(self, place: int, scale: float, mark: float) -> None:
        """Put what pushed the parts since the last time into the history."""
        self._dispatch("reduce")
        self._dispatch("gather")
        self._dispatch("total", {}, place=place, scale=scale, mark=mark)

    def history(self) -> Any:
        """Texture (parts, HISTORY, 4) of the forces."""
        return self._held["history"].read()

    def average(self, share: float) -> None:
        """Mix ``share`` of the flow into its mean."""
        if "field" not in self._held:
            self._held["field"] = self.card.texture(*cells_of(self.setup), "RGBA32F")
        self._dispatch(self.shader("mean"), share=share)

    def slice(self, name: str, axis: int, index: int) -> tuple[Any, Any]:
        """Density and velocity of a layer of cells, by the shader ``name``."""
        check_layer(self.setup, axis, index)
        plane = len(stencil(self.setup.stencil).axes) == 2
        return self.picture(name, 2 if plane else axis, index)

    def stacked(self, name: str) -> tuple[Any, Any]:
        """Density and velocity of all cells."""
        pictures = [self._texture(name, 2, n) for n in range(cells_of(self.setup)[2])]
        return stacked_fields(self.setup, pictures)

    def picture(self, name: str, axis: int, index: int) -> tuple[Any, Any]:
        """Density and velocity of the layer ``index`` across the textures' axis ``axis``."""
        return slice_arrays(self.setup, self._texture(name, axis, index))

    def _texture(self, name: str, axis: int, index: int) -> Any:
        cells = cells_of(self.setup)
        width, height = (size for n, size in enumerate(cells) if n != axis)
        picture = self.card.texture(width, height, 0, "RGBA32F")
        gx, gy, _ = self._sources[name].local_group
        self._dispatch(name, {"picture": picture}, (-(-width // gx), -(-height // gy), 1), axis=axis, index=index)
        return picture.read()

    def _dispatch(self, name: str, more: dict[str, Any] | None = None, groups: Any = None, **values: float) -> None:
        source = self._sources[name]
        held, more = self._held, more or {}
        try:
            if name not in self._shaders:
                self._shaders[name] = self.card.shader(source)
            shader = self._shaders[name]
            shader.bind()
            for image in source.images:
                shader.image(image[3], more.get(image[3]) or held[image[3]])
            for _, _, texture in source.samplers:
                shader.uniform_sampler(texture, more.get(texture) or held[texture])
            for key, value in values.items():
                (shader.uniform_int if isinstance(value, int) else shader.uniform_float)(key, value)
            gpu.compute.dispatch(shader, *(groups or source.groups))
        except (SystemError, RuntimeError, ReferenceError) as problem:
            raise InputError(
                f"The graphics card was lost during the flow run ({problem}): start it again."
            ) from problem
