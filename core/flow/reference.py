"""The flow run in numpy, for small grids: the truth for the shaders, and what exact solutions are held against.

The scheme and its sources are told in ``core/flow/kernel.py``.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence

import numpy as np
from numpy.typing import DTypeLike, NDArray

from ..errors import InputError
from .grid import FlowGrid
from .kernel import (
    COARSER,
    EDGE,
    FASTEST_SLIP,
    ROAD,
    SOLID,
    SPONGE_RATE,
    SPONGE_VISCOSITY,
    SUBLAYER,
    WALL_LAW,
    Boundary,
    Floats,
    Ints,
    RunSetup,
    boundary,
    check_layer,
    inlet_velocities,
    road_only,
    sponge_lengths,
)
from .levels import Coupling, Level, levels, updates
from .stencil import Stencil

Start = tuple[NDArray[np.floating] | None, NDArray[np.floating] | None]
"""Density and velocity of a start, None for the wind's."""


class ReferenceRun:
    """A run on a small grid.

    Attributes:
        setup, edges: what it was made from.
        post: (Q, nx, ny, nz) distributions after the last collision, less their value at rest.
        given: (Q, g) those of the cells that the level around gives, for the next step.
        steps: how many were done.
    """

    def __init__(
        self,
        setup: RunSetup,
        edges: Boundary | None = None,
        density: NDArray[np.floating] | None = None,
        velocity: NDArray[np.floating] | None = None,
        dtype: DTypeLike = np.float64,
    ) -> None:
        """Air in equilibrium.

        Args:
            setup: the run.
            edges: its boundary cells; None for none but at the faces.
            density: (nx, ny, nz) at the start, None for 1.
            velocity: (3, nx, ny, nz) at the start, cells a step, None for the wind's.
            dtype: precision of all arrays.

        Raises:
            InputError: a set-up that cannot be run, or shapes that do not fit.
        """
        self.lattice = setup.checked()
        self.setup = setup
        self.edges = boundary(setup) if edges is None else edges
        self.dtype = np.dtype(dtype)
        self.steps = 0
        size = setup.size
        if velocity is None:
            velocity = np.broadcast_to(inlet_velocities(setup).T[:, None, None, :], (3, *size))
        excess = np.zeros(size) if density is None else np.asarray(density) - 1.0
        if excess.shape != size or np.shape(velocity) != (3, *size):
            raise InputError(f"The start has not the run's {size} cells: give density and velocity for each cell.")
        self.post = equilibrium(self.lattice, excess.astype(self.dtype), np.asarray(velocity, self.dtype))
        self._air = self.edges.kind != SOLID
        self.post[:, ~self._air] = 0.0
        self._given = self.edges.cell[self.edges.comes == COARSER]
        self.given = self.post.reshape(len(self.post), -1)[:, self._given]
        self._viscosity = setup.viscosity + SPONGE_VISCOSITY * _sponge(setup, "inlet", "outlet", "far").astype(
            self.dtype
        )
        self._still = 1.0 - SPONGE_RATE * _sponge(setup, "inlet", "outlet", "far").astype(self.dtype)
        self._even = SPONGE_RATE * _sponge(setup, "inlet", "far").astype(self.dtype)
        self._faces = [_behind_faces(setup, self.lattice, self.edges, i) for i in range(self.lattice.directions)]
        self._wind = inlet_velocities(setup).T.astype(self.dtype)

    def advance(self, steps: int) -> Floats:
        """Do ``steps`` steps; (steps, parts, 3) force on each part, lattice units.

        Raises:
            InputError: the run has blown up.
        """
        forces = np.array([self.step() for _ in range(steps)]).reshape(steps, self.edges.parts, 3)
        if not np.isfinite(self.post).all():
            raise InputError("The run has blown up: set more viscosity, a Smagorinsky constant or a lower speed.")
        return forces

    def fields(self) -> tuple[Floats, Floats]:
        """(nx, ny, nz) density and (3, nx, ny, nz) velocity, cells a step; rest in solid cells."""
        density = 1.0 + self.post.sum(axis=0)
        momentum = np.tensordot(self.lattice.steps.T.astype(self.dtype), self.post, 1)
        momentum[0] -= 0.5 * self.setup.acceleration * self._air * density
        return density, momentum / density

    def step(self) -> Floats:
        """One step; (parts, 3) force."""
        lattice, post = self.lattice, self.post
        f = np.stack([np.roll(post[i], lattice.steps[i], (0, 1, 2)) for i in range(lattice.directions)])
        flat, old = f.reshape(len(f), -1), post.reshape(len(f), -1)
        self._open_faces(flat, old)
        force = self._bounce_back(flat, old)
        self.post = self._collide(f)
        self.post[:, ~self._air] = 0.0
        self.post.reshape(len(f), -1)[:, self._given] = self.given
        self.steps += 1
        return force

    def _open_faces(self, flat: Floats, old: Floats) -> None:
        nz = self.setup.size[2]
        for i, (entering, far, leaving, mirrored, source, turned) in enumerate(self._faces):
            if len(entering):
                excess = old[:, entering].sum(axis=0)
                flat[i, entering] = equilibrium(self.lattice, excess, self._wind[:, entering % nz])[i]
            if len(far):
                still = np.zeros(len(far), self.dtype)
                flat[i, far] = equilibrium(self.lattice, still, self._wind[:, far % nz])[i]
            if len(leaving):
                density = 1.0 + old[:, leaving].sum(axis=0)
                velocity = self.lattice.steps.T.astype(self.dtype) @ old[:, leaving] / density
                velocity[0] = np.maximum(velocity[0], 0.0)
                flat[i, leaving] = equilibrium(self.lattice, np.zeros_like(density), velocity)[i]
            flat[i, mirrored] = old[turned, source]

    def _bounce_back(self, flat: Floats, old: Floats) -> Floats:
        """Distributions that come back from walls; (parts, 3) force on the parts."""
        lattice, edges = self.lattice, self.edges
        near, arrived = old[:, edges.cell], flat[:, edges.cell]
        met = (edges.q <= 1.0).T & (np.arange(lattice.directions) > 0)[:, None]
        # In a gap one cell wide nothing sound arrives from the cell behind.
        q = np.where(met[lattice.opposite], 0.5, edges.q.T).astype(self.dtype)
        share = 0.5 / np.maximum(q, 0.5)
        push = -6.0 * lattice.weights * (self.setup.road_speed or 0.0) * lattice.steps[:, 0]
        pushed = push.astype(self.dtype)[:, None] * (edges.part.T == ROAD)
        back = np.where(
            q < 0.5,
            2.0 * q * near + (1.0 - 2.0 * q) * arrived + pushed,
            share * (near + pushed) + (1.0 - share) * near[lattice.opposite],
        )
        if self.setup.wall_function:
            back -= self._slip(near, back, met, share)
        flat[:, edges.cell] = np.where(met[lattice.opposite], back[lattice.opposite], arrived)
        exchange = np.where(met, near + back, 0.0)
        of_part = [np.where(edges.part.T == n, exchange, 0.0).sum(axis=1) for n in range(1, edges.parts + 1)]
        return np.asarray(np.reshape(of_part, (edges.parts, lattice.directions)) @ lattice.steps, np.float64)

    def _slip(self, near: Floats, back: Floats, met: NDArray[np.bool_], share: Floats) -> Floats:
        """(Q, m) what walls that slip send back less, such that the links pass on the law's shear stress."""
        edges, setup, lattice = self.edges, self.setup, self.lattice
        steps = lattice.steps.astype(self.dtype)
        weights = lattice.weights.astype(self.dtype)[:, None]
        excess = near.sum(axis=0)
        past = steps.T @ near / (1.0 + excess)
        past[0] -= (setup.road_speed or 0.0) * road_only(edges)
        normal = edges.normal.T.astype(self.dtype)
        past = past - normal * (normal * past).sum(axis=0)
        speed = np.sqrt((past**2).sum(axis=0))
        along = steps @ (past / np.maximum(speed, 1e-12))
        local = speed * np.maximum(edges.distance, 0.5).astype(self.dtype) / setup.viscosity
        factor, power = WALL_LAW
        friction = speed**2 * (factor * np.maximum(local, SUBLAYER) ** power) ** (-2.0 / (1.0 + power))
        area = -6.0 * (weights * met * (steps @ normal)).sum(axis=0)
        hold = 6.0 * (weights * met * along**2 * share).sum(axis=0)
        even = equilibrium(lattice, np.zeros_like(speed), past)
        passed = (met * along * share * (even - even[lattice.opposite])).sum(axis=0)
        slip = (passed - friction * np.maximum(area, 0.0)) / np.maximum(hold, 1e-6)
        slip = np.clip(slip, 0.0, speed)
        slip = np.where((local > SUBLAYER) & (speed < FASTEST_SLIP) & edges.slips, slip, 0.0)
        return 6.0 * weights * along * share * slip

    def _collide(self, f: Floats) -> Floats:
        lattice, setup = self.lattice, self.setup
        axes = lattice.axes
        c = lattice.steps.T.astype(self.dtype)
        excess = f.sum(axis=0)
        density = 1.0 + excess
        pull = np.zeros((3, *setup.size), self.dtype)
        pull[0] = setup.acceleration * density
        velocity = (np.tensordot(c, f, 1) + 0.5 * pull) / density
        stress = {}
        for n, a in enumerate(axes):
            for b in axes[n:]:
                raw = np.tensordot(c[a] * c[b], f, 1) - (excess / 3.0 if a == b else 0.0)
                given = 0.5 * (velocity[a] * pull[b] + velocity[b] * pull[a])
                stress[a, b] = raw - density * velocity[a] * velocity[b] + given
        trace = sum(stress[a, a] for a in axes) / len(axes)
        for a in axes:
            stress[a, a] = stress[a, a] - trace
        viscosity = self._viscosity
        tau = 3.0 * viscosity + 0.5
        if setup.smagorinsky:
            strength = sum(s**2 * (1.0 if a == b else 2.0) for (a, b), s in stress.items())
            eddies = 18.0 * math.sqrt(2.0) * setup.smagorinsky**2 * np.sqrt(strength) / density
            tau = 0.5 * (tau + np.sqrt(tau**2 + eddies))
        kept = 1.0 - 1.0 / tau
        if any(setup.sponge):
            excess = excess * self._still
            velocity = velocity + self._even * (self._wind[:, None, None, :] - velocity)
        return _rebuilt(lattice, excess, velocity, {pair: kept * s for pair, s in stress.items()}, pull)


class ReferenceLevels:
    """A run on all its levels.

    Attributes:
        runs: by level, the coarsest first.
        updates: of cells, while the coarsest does one step.
    """

    def __init__(self, made: Sequence[Level], dtype: DTypeLike = np.float64, starts: Sequence[Start] = ()) -> None:
        """Air in equilibrium.

        Args:
            made: the levels.
            dtype: precision of all arrays.
            starts: density and velocity of each as in ``ReferenceRun``; empty for the wind.
        """
        given = starts or [(None, None)] * len(made)
        self.runs = tuple(
            ReferenceRun(one.setup, one.edges, *start, dtype) for one, start in zip(made, given, strict=True)
        )
        self._inner = [one.inner for one in made]

        self.updates = updates(made)

    @property
    def steps(self) -> int:
        """Done on the coarsest level."""
        return self.runs[0].steps

    def advance(self, steps: int) -> Floats:
        """Do ``steps`` steps of the coarsest level; (steps, parts, 3) force on each part, its lattice units.

        Raises:
            InputError: the run has blown up.
        """
        forces = np.array([self._step(0) for _ in range(steps)]).reshape(steps, self.runs[0].edges.parts, 3)
        if not all(np.isfinite(run.post).all() for run in self.runs):
            raise InputError("The run has blown up: set more viscosity, a Smagorinsky constant or a lower speed.")
        return forces

    def _step(self, number: int) -> Floats:
        run, inner = self.runs[number], self._inner[number]
        before = run.post
        force = run.step()
        if inner is None:
            return force
        finer = self.runs[number + 1]
        found = np.zeros_like(force)
        for share in (0.5, 1.0):
            finer.given = _given(inner, run, before, share)
            found += 0.5 * self._step(number + 1)
        _take(inner, run, finer)
        # A cell's face in the plane is a length, in space an area.
        return force + found / 2.0 ** (len(run.lattice.axes) - 1)


def _left(lattice: Stencil, post: Floats) -> Floats:
    """(10, n) density less 1, velocity and stress (xx, yy, zz, xy, xz, yz) of distributions after a collision."""
    excess = post.sum(axis=0)
    c = lattice.steps.T.astype(post.dtype)
    velocity = c @ post / (1.0 + excess)
    pairs = [(0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2)]
    stress = [
        (c[a] * c[b]) @ post - (excess / 3.0 if a == b and a in lattice.axes else 0.0)
        - (1.0 + excess) * velocity[a] * velocity[b]
        for a, b in pairs
    ]  # fmt: skip
    return np.stack([excess, *velocity, *stress])


def _from_left(lattice: Stencil, left: Floats, factor: float) -> Floats:
    """(Q, n) distributions of what ``_left`` tells, the stress times ``factor``."""
    xx, yy, zz, xy, xz, yz = factor * left[4:]
    stress = {(0, 0): xx, (1, 1): yy, (2, 2): zz, (0, 1): xy, (0, 2): xz, (1, 2): yz}
    return _rebuilt(lattice, left[0], left[1:4], stress, np.zeros_like(left[1:4]))


def _given(inner: Coupling, run: ReferenceRun, before: Floats, share: float) -> Floats:
    """(Q, g) what the given cells of the finer level have that far into the coarse step."""
    cells = run.edges.cell[inner.sources]
    old, new = (_left(run.lattice, post.reshape(len(post), -1)[:, cells]) for post in (before, run.post))
    between = (1.0 - share) * old + share * new
    mean = (between[:, inner.slot] * inner.weight.astype(run.dtype)).sum(axis=2)
    return _from_left(run.lattice, mean, inner.to_finer)


def _take(inner: Coupling, run: ReferenceRun, finer: ReferenceRun) -> None:
    """Set the coarse cells that are taken from the finer level."""
    inside = _left(run.lattice, finer.post.reshape(len(finer.post), -1)[:, inner.cell.ravel()])
    mean = (inside.reshape(len(inside), *inner.cell.shape) * inner.share.astype(run.dtype)).sum(axis=2)
    post = _from_left(run.lattice, mean, 1.0 / inner.to_finer)
    run.post.reshape(len(post), -1)[:, run.edges.cell[inner.taken]] = post


class ReferenceEngine:
    """A run in numpy that is used like one on the graphics card (``Run`` in ``addon/graphics.py``).

    Attributes:
        name: what computes.
        setup, edges: what it was made from.
        steps: how many were done.
        seconds: that they took.
    """

    name = "numpy"

    def __init__(self, setup: RunSetup, force_every: int = 1, dtype: DTypeLike = np.float64) -> None:
        """Make ready; ``upload`` gives it a grid.

        Args:
            setup: the run, of its coarsest cells.
            force_every: steps whose mean force is kept as one value.
            dtype: precision.

        Raises:
            InputError: a set-up that cannot be run.
        """
        setup.checked()
        if force_every < 1:
            raise InputError(f"Forces cannot be kept every {force_every} steps: give 1 or more.")
        self.setup, self._every, self._dtype = setup, force_every, dtype
        self.edges = boundary(setup)
        self.steps, self.seconds = 0, 0.0
        self._run: ReferenceLevels | None = None

    def upload(self, grid: FlowGrid) -> None:
        """Set air in the wind around the parts of ``grid`` and its finer levels.

        Raises:
            InputError: a grid that does not fit the set-up.
        """
        self._start(levels(self.setup, grid))

    def start(self, edges: Boundary, density: Floats | None = None, velocity: Floats | None = None) -> None:
        """Set air in equilibrium; ``density`` (nx, ny, nz) and ``velocity`` (3, nx, ny, nz), None for the wind's."""
        self._start((Level(self.setup, edges, None),), ((density, velocity),))

    def _start(self, made: tuple[Level, ...], starts: Sequence[Start] = ()) -> None:
        self.edges, self.steps, self.seconds = made[0].edges, 0, 0.0
        self._run = ReferenceLevels(made, self._dtype, starts)
        parts = made[0].edges.parts
        self._left = np.zeros((0, parts, 3))
        self._last = np.zeros((parts, 3))
        self._means, self._averaged = [np.zeros((4, *one.setup.size)) for one in made], 0

    def advance(self, steps: int) -> Floats:
        """Do ``steps`` steps; (k, parts, 3) mean forces of each interval that ended, lattice units.

        Raises:
            InputError: the run has blown up, or has no grid yet.
        """
        run, begun = self._started(), time.perf_counter()
        try:
            # Blow-up is said by the run, not by a heap of warnings.
            with np.errstate(all="ignore"):
                self._left = np.concatenate([self._left, run.advance(steps)])
        finally:
            self.steps = run.steps
            self.seconds += time.perf_counter() - begun
        whole = len(self._left) // self._every
        ended, self._left = self._left[: whole * self._every], self._left[whole * self._every :]
        means = ended.reshape(whole, self._every, *ended.shape[1:]).mean(axis=1)
        if whole:
            self._last = means[-1]
        return means

    def advance_for(self, seconds: float) -> Floats:
        """As many steps as take about ``seconds``, at least one; the same answer as ``advance``."""
        return self.advance(max(1, int(seconds * self.steps / max(self.seconds, 1e-9))))

    def forces(self) -> Floats:
        """(parts, 3) the newest mean forces, lattice units."""
        self._started()
        return self._last

    def slice(self, axis: int = 1, index: int = 0, level: int = 0) -> tuple[Floats, Floats]:
        """Density (h, w) and velocity (3, h, w) in the layer of cells ``index`` across x, y or z (0, 1, 2) now.

        Rows go up the higher of the two axes left, columns along the lower. In the plane there is the layer across y.

        Raises:
            InputError: there is no such layer.
        """
        check_layer(self._started().runs[level].setup, axis, index)
        return layer_of(self.fields(level), axis, index)

    def fields(self, level: int = 0) -> tuple[Floats, Floats]:
        """Density (nx, ny, nz) and velocity (3, nx, ny, nz) of a level now; rest in solid cells."""
        density, velocity = self._started().runs[level].fields()
        return np.asarray(density, np.float64), np.asarray(velocity, np.float64)

    def average(self) -> None:
        """Mix the fields as they are now into their mean since the start."""
        self._averaged += 1
        for level, mean in enumerate(self._means if self._run else ()):
            density, velocity = self.fields(level)
            mean += (np.concatenate([density[None], velocity]) - mean) / self._averaged

    def mean_fields(self, level: int = 0) -> tuple[Floats, Floats]:
        """Density and velocity like ``fields``, the mean over all calls of ``average``.

        Raises:
            InputError: there was none.
        """
        if self._run is None or not self._averaged:
            raise InputError("The run has no mean flow yet: let it go on.")
        return self._means[level][0].copy(), self._means[level][1:].copy()

    def mean_slice(self, axis: int = 1, index: int = 0, level: int = 0) -> tuple[Floats, Floats]:
        """A layer of ``mean_fields``, like ``slice``.

        Raises:
            InputError: there was no mean, or no such layer.
        """
        mean = self.mean_fields(level)
        check_layer(self._started().runs[level].setup, axis, index)
        return layer_of(mean, axis, index)

    def rate(self) -> float:
        """Million updates of cells of air a second so far, on all levels."""
        return self._started().updates * self.steps / max(self.seconds, 1e-9) / 1e6

    def _started(self) -> ReferenceLevels:
        if self._run is None:
            raise InputError("The run has no grid yet: upload one first.")
        return self._run


def layer_of(fields: tuple[Floats, Floats], axis: int, index: int) -> tuple[Floats, Floats]:
    """Density (h, w) and velocity (3, h, w) of a layer of (nx, ny, nz) and (3, nx, ny, nz)."""
    shown = [np.take(values, [index], axis).squeeze(axis).T for values in (fields[0], *fields[1])]
    return shown[0], np.stack(shown[1:])


def equilibrium(lattice: Stencil, excess: Floats, velocity: Floats) -> Floats:
    """Distributions of air without stress, less their value at rest.

    Args:
        lattice: of Q directions.
        excess: (...) density less 1.
        velocity: (3, ...) cells a step.
    Returns (Q, ...).
    """
    still = np.zeros_like(excess)
    pairs = {(a, b): still for n, a in enumerate(lattice.axes) for b in lattice.axes[n:]}
    return _rebuilt(lattice, excess, velocity, pairs, np.zeros_like(velocity))


def _rebuilt(
    lattice: Stencil, excess: Floats, velocity: Floats, stress: dict[tuple[int, int], Floats], pull: Floats
) -> Floats:
    """(Q, ...) distributions from density less 1, velocity, second cumulants and force."""
    density = 1.0 + excess
    moments = []
    for power in lattice.powers:
        twice = [lattice.axes[n] for n in np.flatnonzero(power == 2)]
        once = [lattice.axes[n] for n in np.flatnonzero(power == 1)]
        if not twice and not once:
            moment = excess
        elif not twice and len(once) == 1:
            (a,) = once
            moment = density * velocity[a] + 0.5 * pull[a]
        elif not twice:
            a, b = once
            u, v = velocity[a], velocity[b]
            moment = stress[a, b] + density * u * v + 0.5 * (u * pull[b] + v * pull[a])
        elif len(twice) == 1 and not once:
            (a,) = twice
            moment = excess / 3.0 + stress[a, a] + density * velocity[a] ** 2 + velocity[a] * pull[a]
        elif once:
            (a,), (b,) = twice, once
            u, v, shear = velocity[a], velocity[b], stress[min(a, b), max(a, b)]
            moment = 2.0 * u * shear + v * (density / 3.0 + stress[a, a]) + density * u**2 * v
        else:
            a, b = twice
            u, v, shear = velocity[a], velocity[b], stress[a, b]
            moment = (
                excess / 9.0
                + (stress[a, a] + stress[b, b]) / 3.0
                + (stress[a, a] * stress[b, b] + 2.0 * shear**2) / density
                + u**2 * (density / 3.0 + stress[b, b])
                + v**2 * (density / 3.0 + stress[a, a])
                + 4.0 * u * v * shear
                + density * u**2 * v**2
            )
        moments.append(moment)
    return np.tensordot(lattice.rebuild.astype(excess.dtype), np.stack(moments), 1)


def _sponge(setup: RunSetup, *kinds: str) -> Floats:
    """(nx, ny, nz) how much of a sponge before faces of these kinds each cell is, 0..1."""
    share = np.zeros(setup.size)
    for face, (kind, length) in enumerate(zip(setup.face_kinds(), sponge_lengths(setup), strict=True)):
        if length and kind in kinds:
            axis, cells = face // 2, setup.size[face // 2]
            depth = np.arange(cells) + 0.5
            inside = np.maximum(1.0 - (cells - depth if face % 2 else depth) / length, 0.0)
            share = np.maximum(share, inside.reshape([-1 if n == axis else 1 for n in range(3)]))
    return share**2


def _behind_faces(setup: RunSetup, lattice: Stencil, edges: Boundary, i: int) -> tuple[Ints, ...]:
    """Cells where direction ``i`` comes from beyond a face: an inlet's, a far one's, an outlet's, a mirror's, and for
    the last the cell and the direction it comes from."""
    size, kinds = setup.size, setup.face_kinds()
    place = np.array(np.unravel_index(np.arange(edges.kind.size), size))
    source = place - lattice.steps[i][:, None]
    crosses: dict[str, NDArray[np.bool_]] = {}
    turned = np.tile(lattice.steps[i], (edges.kind.size, 1))
    for axis in range(3):
        for side, out in enumerate((source[axis] < 0, source[axis] >= size[axis])):
            kind = kinds[2 * axis + side]
            crosses[kind] = crosses.get(kind, np.zeros(len(out), bool)) | out
            if kind == "symmetry":
                source[axis][out] = place[axis][out]
                turned[out, axis] *= -1
    air = edges.kind.ravel() != SOLID
    none = np.zeros(len(air), bool)
    entering = air & crosses.get("inlet", none)
    far = air & crosses.get("far", none) & ~entering
    leaving = air & crosses.get("outlet", none) & ~entering & ~far
    mirrored = air & crosses.get("symmetry", none) & ~entering & ~far & ~leaving
    origin = np.ravel_multi_index(tuple(source), size, mode="wrap")
    direction = np.array([int(np.flatnonzero((lattice.steps == step).all(axis=1))[0]) for step in turned[mirrored]])
    mirror = np.flatnonzero(mirrored)
    # Behind a solid or plain cell there is nothing to mirror: the cell's own comes back.
    blocked = edges.kind.ravel()[origin[mirror]] != EDGE
    origin = np.where(blocked, mirror, origin[mirror])
    direction = np.where(blocked, lattice.opposite[i], direction).astype(np.int64)
    return *(np.flatnonzero(mask) for mask in (entering, far, leaving)), mirror, origin, direction
