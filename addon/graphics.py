"""Flow runs on the graphics card: its context, textures and shaders, and a run that goes on in slices.

What is computed stands in ``core/flow/kernel.py``.
"""

from __future__ import annotations

import math
import time
from typing import Any, Protocol

import bpy
import gpu

from ..core.errors import InputError
from ..core.flow.kernel import (
    AIR,
    HISTORY,
    SUMMED,
    WIDE,
    Boundary,
    RunSetup,
    ShaderSource,
    answered,
    boundary,
    bytes_per_update,
    cells_of,
    cells_texture,
    check_layer,
    copy_source,
    edge_rows,
    force_arrays,
    image_layers,
    kinds_texture,
    links_texture,
    normals_texture,
    rows_texture,
    slice_arrays,
    sources,
    stacked_fields,
    start_texture,
)
from ..core.flow.stencil import stencil

COPY_SECONDS = 0.3
"""How long the measurement of the card's bandwidth takes at least."""
COPIED = 8192
"""Edge of the square image of single numbers copied for it, 256 MiB: more than the card's cache holds."""
PORTION = 500
"""Steps after which the card is waited for: with ten seconds of work queued a driver gave up without a word."""
FIRST_STEPS = 4
"""Steps of the first slice of a run, before its rate is known."""


class Grid(Protocol):
    """What a run needs of a grid, as in ``core/flow/grid.py``."""

    @property
    def label(self) -> Any: ...
    @property
    def cell(self) -> Any: ...
    @property
    def q(self) -> Any: ...
    @property
    def part(self) -> Any: ...


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

    def texture(self, width: int, height: int, layers: int, form: str, values: Any = None) -> Any:
        """A texture, an array of layers unless ``layers`` is 0; ``values`` is a flat array of 32-bit numbers.

        Raises:
            InputError: it is larger than the card allows, or there is no room for it.
        """
        if max(width, height) > self.largest[0] or layers > self.largest[1]:
            raise InputError(
                f"A texture of {width} x {height} with {layers} layers is more than the graphics card takes "
                f"({self.largest[0]}, {self.largest[1]} layers): use larger cells or a smaller domain."
            )
        data = None if values is None else gpu.types.Buffer("FLOAT", len(values), values)
        try:
            return gpu.types.GPUTexture((width, height), layers=layers, format=form, data=data)
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

        The better of images of one and of four numbers a place. A software renderer reaches the work that each access
        takes long before the memory's limit; there it is the measure of that.
        """
        if not self._bandwidth:
            self._bandwidth = max(self._copied("R32F", COPIED, 4.0), self._copied("RGBA32F", COPIED // 2, 16.0))
        return self._bandwidth

    def _copied(self, form: str, edge: int, size: float) -> float:
        source = copy_source(edge, edge, form)
        shader = self.shader(source)
        images = [self.texture(edge, edge, 0, form) for _ in range(2)]
        mark = self.texture(1, 1, 0, form)
        for image in (*images, mark):
            image.clear(format="FLOAT", value=(0.0,))
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
        return done * 2.0 * size * edge**2 / (time.perf_counter() - start)


def _wait(shader: Any, origin: Any, mark: Any) -> None:
    """Until the card has done all it was given."""
    shader.bind()
    shader.image("origin", origin)
    shader.image("target", mark)
    gpu.compute.dispatch(shader, 1, 1, 1)
    mark.read()


class Run:
    """A flow run on the card.

    Attributes:
        card, setup, edges: what it runs on, and what it was made from.
        name: of the card.
        steps: how many were done.
        seconds: that they took.
    """

    def __init__(self, card: Card, setup: RunSetup, force_every: int = 1) -> None:
        """Make ready; ``upload`` gives it a grid.

        Args:
            card: to run on.
            setup: the run.
            force_every: steps whose mean force is kept as one value.

        Raises:
            InputError: a set-up that cannot be run.
        """
        setup.checked()
        if force_every < 1:
            raise InputError(f"Forces cannot be kept every {force_every} steps: give 1 or more.")
        self.card, self.setup, self._every = card, setup, force_every
        self.name, self.steps, self.seconds = card.name, 0, 0.0
        self.edges: Boundary | None = None
        self._averaged = self._air = 0

    def upload(self, grid: Grid) -> None:
        """Set air in the wind around the parts of ``grid``.

        Raises:
            InputError: a grid that does not fit the set-up, or no room on the card.
        """
        self.start(boundary(self.setup, grid.label, grid.cell, grid.q, grid.part))

    def start(self, edges: Boundary, density: Any = None, velocity: Any = None) -> None:
        """Set air in equilibrium.

        Args:
            edges: boundary cells.
            density, velocity: (nx, ny, nz), (3, nx, ny, nz) at the start; both None for the wind's.

        Raises:
            InputError: no room on the card.
        """
        card, setup = self.card, self.setup
        self.edges, self.steps, self.seconds = edges, 0, 0.0
        self._air = int((edges.kind >= AIR).sum())
        width, height, layers = cells_of(setup)
        directions = stencil(setup.stencil).directions
        tall = edge_rows(edges)
        parts = max(1, edges.parts)
        held: dict[str, Any] = {
            f"F{n}": card.texture(width, height, depth, "R32F") for n, depth in enumerate(image_layers(setup))
        }
        held["kinds"] = card.texture(width, height, layers, "R8", kinds_texture(setup, edges))
        held["cells"] = card.texture(WIDE, tall, 0, "RGBA32F", cells_texture(setup, edges))
        held["links"] = card.texture(WIDE, tall, directions, "RG32F", links_texture(edges))
        held["exchange"] = card.texture(WIDE, tall, directions, "R32F")
        held["partial"] = card.texture(SUMMED[0], parts, 0, "RGBA32F")
        held["gathered"] = card.texture(SUMMED[1], parts, 0, "RGBA32F")
        held["history"] = card.texture(HISTORY, parts, 0, "RGBA32F")
        self._kept = [card.texture(WIDE, tall, directions, "R32F") for _ in range(2)]
        for texture in (held["exchange"], *self._kept):
            texture.clear(format="FLOAT", value=(0.0,))
        if "symmetry" in setup.face_kinds():
            held["rows"] = card.texture(width, height, layers, "R32F", rows_texture(setup, edges))
        if setup.wall_function:
            held["normals"] = card.texture(WIDE, tall, 0, "RGBA32F", normals_texture(setup, edges))
        self._held = held
        self._sources = sources(setup, edges, velocity is not None)
        self._shaders: dict[str, Any] = {}
        begin = {"kept_new": self._kept[0]}
        if velocity is not None:
            values = start_texture(setup, density, velocity)
            begin["start_at"] = card.texture(width, height, layers, "RGBA32F", values)
        self._averaged = 0
        self._mark = 1
        self._last = force_arrays(setup, [[[0.0] * 4]] * parts, 1)[0]
        self._pending = 0
        self._plane = len(stencil(setup.stencil).axes) == 2
        self._dispatch("init", begin)
        self._dispatch("keep", begin)

    def advance(self, steps: int) -> Any:
        """Do ``steps`` steps and wait for them; (k, parts, 3) mean forces of each interval that ended, lattice units.

        Raises:
            InputError: the run has blown up, or the card was lost.
        """
        self._check_started()
        found: list[Any] = []
        begun, places = time.perf_counter(), 0
        for _ in range(steps):
            self.steps += 1
            n = self.steps % 2
            self._dispatch(f"step{n}")
            self._dispatch(f"edge{n}", {"kept_old": self._kept[1 - n], "kept_new": self._kept[n]})
            self._pending += 1
            if self._pending == self._every:
                self._dispatch("reduce")
                self._dispatch("gather")
                self._dispatch("total", {}, place=places, scale=1.0 / self._every, mark=float(self._mark))
                self._pending = 0
                places += 1
            if places == HISTORY or self.steps % PORTION == 0:
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

    def slice(self, axis: int = 1, index: int = 0) -> tuple[Any, Any]:
        """Density (h, w) and velocity (3, h, w) in the layer of cells ``index`` across x, y or z (0, 1, 2) now.

        Rows go up the higher of the two axes left, columns along the lower. In the plane there is the layer across y.
        """
        check_layer(self.setup, axis, index)
        self._check_started()
        return slice_arrays(self.setup, self._picture(f"slice{self.steps % 2}", 2 if self._plane else axis, index))

    def fields(self) -> tuple[Any, Any]:
        """Density (nx, ny, nz) and velocity (3, nx, ny, nz) now; rest in solid cells."""
        self._check_started()
        return self._stacked(f"slice{self.steps % 2}")

    def average(self) -> None:
        """Mix the fields as they are now into their mean since the start; takes 16 bytes a cell more."""
        self._check_started()
        if not self._averaged:
            width, height, layers = cells_of(self.setup)
            self._held["field"] = self.card.texture(width, height, layers, "RGBA32F")
        self._averaged += 1
        self._dispatch(f"mean{self.steps % 2}", share=1.0 / self._averaged)

    def mean_fields(self) -> tuple[Any, Any]:
        """Density and velocity like ``fields``, the mean over all calls of ``average``.

        Raises:
            InputError: there was none.
        """
        if not self._averaged:
            raise InputError("The run has no mean flow yet: let it go on.")
        return self._stacked("shown")

    def rate(self) -> float:
        """Million updates of cells of air a second so far."""
        return self._air * self.steps / max(self.seconds, 1e-9) / 1e6

    def share_of_limit(self) -> float:
        """The rate over what the card's bandwidth allows."""
        return self.rate() * 1e6 * bytes_per_update(self.setup) / self.card.bandwidth()

    # --- the card

    def _check_started(self) -> None:
        if self.edges is None:
            raise InputError("The run has no grid yet: upload one first.")

    def _dispatch(self, name: str, more: dict[str, Any] | None = None, groups: Any = None, **values: float) -> None:
        source = self._sources[name]
        try:
            if name not in self._shaders:
                self._shaders[name] = self.card.shader(source)
            shader, held = self._shaders[name], {**self._held, **(more or {})}
            shader.bind()
            for image in source.images:
                shader.image(image[3], held[image[3]])
            for _, _, texture in source.samplers:
                shader.uniform_sampler(texture, held[texture])
            for key, value in values.items():
                (shader.uniform_int if isinstance(value, int) else shader.uniform_float)(key, value)
            gpu.compute.dispatch(shader, *(groups or source.groups))
        except (SystemError, RuntimeError, ReferenceError) as problem:
            raise InputError(
                f"The graphics card was lost during the flow run ({problem}): start it again."
            ) from problem

    def _fetch(self, places: int) -> list[Any]:
        """The newest mean forces, and thereby wait for the card."""
        history = self._held["history"].read()
        if not answered(history, places, float(self._mark)):
            raise InputError("The graphics card was lost during the flow run (it gave no answer): start it again.")
        self._mark += 1
        return list(force_arrays(self.setup, history, places))

    def _sound(self) -> bool:
        if self.edges is not None and self.edges.parts:
            return all(math.isfinite(value) for value in self._last.ravel())
        density = slice_arrays(self.setup, self._picture(f"slice{self.steps % 2}", 2, cells_of(self.setup)[2] // 2))[0]
        return math.isfinite(float(density.sum()))

    def _picture(self, name: str, axis: int, index: int) -> Any:
        """Texture (h, w, 4) of the layer ``index`` across the textures' axis ``axis``."""
        cells = cells_of(self.setup)
        width, height = (size for n, size in enumerate(cells) if n != axis)
        picture = self.card.texture(width, height, 0, "RGBA32F")
        gx, gy, _ = self._sources[name].local_group
        self._dispatch(name, {"picture": picture}, (-(-width // gx), -(-height // gy), 1), axis=axis, index=index)
        return picture.read()

    def _stacked(self, name: str) -> tuple[Any, Any]:
        return stacked_fields(self.setup, [self._picture(name, 2, n) for n in range(cells_of(self.setup)[2])])
