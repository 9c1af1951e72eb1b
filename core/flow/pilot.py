"""One run from job to answer, whatever computes it: set-up, record of forces, when to stop, fields at the end."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..units import to_mm
from .fault import Fault
from .grid import FlowGrid, plane_grid, space_grid, to_flow
from .job import FlowJob, digest
from .kernel import RunSetup
from .levels import held, run_on
from .plan import GridPlan, plan_plane, plan_space
from .result import FlowRun, part_flow
from .scaling import CELLS_SHARE, LEAST_VISCOSITY, Scaling, reynolds_gap, scaling
from .slices import FlowSlice, flow_slice, middle_layer
from .statistics import (
    WAY_OUT,
    Blocks,
    Limits,
    Mean,
    Settled,
    Verdict,
    gone_wrong,
    next_look,
    settled,
    too_few,
    verdict,
)
from .stencil import stencil
from .surface import at_surface, contour_normals, point_normals

Floats = NDArray[np.float64]

SAMPLES_A_CHORD = 50
"""Samples of the forces while the wind blows over the reference chord."""
START_CHORDS = 20.0
"""Chords that the wind blows over at least before a run may end, and through the domain once. A thin section that was
set off at once then lacks three hundredths of its lift still (R. T. Jones's fit to Wagner's function, NACA Report 681,
1940, from memory); what is left of the start-up the record's own rule takes out."""
USUAL_CHORDS = 60.0
"""Chords that a run takes before its intervals say more; common practice, no source."""
MEANS_A_CHORD = 10
"""Times the fields are mixed into their mean while the wind blows over the reference chord."""
CHECK_S = 2.0
"""Seconds of computing between two looks at densities and speeds."""
SPONGE_SHARE = 1.0 / 3.0
"""Of the way from the parts to a face of the domain that its sponge takes."""
LIMITS = Limits()
ROUNDING_M = 1e-6
ALIKE_M = 0.01
"""To which the boxes about a mount and its twin on the other side agree where they were placed by hand (common
practice, no source)."""
WALLS_NOTE = {
    True: "The air clings to the walls: with 320 cells on the chord a section that it follows came within "
    f"{100.0 * CELLS_SHARE[True]:.0f} % of measured lift, so the band is so wide at least; where real air would leave, "
    "it stays too long, on fine cells too.",
    False: "The air lets go of the walls, which hold it fast: with 320 cells on the chord a section came within "
    f"{100.0 * CELLS_SHARE[False]:.0f} % of measured lift, and near it in its stall, so the band is so wide at least; "
    "with few cells it leaves too early, and too little load is left.",
}
"""What ``FlowRun.wall_function`` does to a band, in words."""
WILD = 0.8
"""Share of what counts as blown up from which a run that went on is no good witness; common practice, no source."""


def _off_centre(job: FlowJob) -> list[str]:
    """A sentence for each element of a half model that is not mounted in the middle."""
    out = []
    for name, mesh in job.meshes if job.half else ():
        middle = 0.5 * float(mesh.points[:, 1].min() + mesh.points[:, 1].max())
        if name in job.elements and abs(middle) > ROUNDING_M:
            out.append(
                f"“{name}” stands {to_mm(middle):+.2g} mm off the centre plane; the half model cuts it there and "
                f"mirrors what is on the {job.half}, so its span differs by {to_mm(2.0 * abs(middle)):.2g} mm."
            )
    return out


def _without_twin(job: FlowJob) -> list[Fault]:
    """What a half model mirrors, or leaves out, though there is nothing like it on the other side."""
    boxes = {name: np.array([mesh.points.min(axis=0), mesh.points.max(axis=0)]) for name, mesh in job.meshes}
    out = []
    for name, box in boxes.items() if job.half else ():
        mirrored = np.array([box[0], box[1]])
        mirrored[:, 1] = -box[::-1, 1]
        if name not in job.elements and min(np.abs(mirrored - b).max() for b in boxes.values()) > ALIKE_M:
            said = f"“{name}” has nothing like it on the other side, as a half model takes for granted; run the whole."
            out.append(Fault(said))
    return out


class Engine(Protocol):
    """What computes a run, in lattice units of its coarsest level."""

    @property
    def steps(self) -> int:
        """Done so far."""

    @property
    def seconds(self) -> float:
        """That they took."""

    @property
    def name(self) -> str:
        """Of the device."""

    def upload(self, grid: FlowGrid) -> None:
        """Set air in the wind around the parts."""

    def advance(self, steps: int) -> Any:
        """Do steps; (k, parts, 3) mean force of each interval that ended."""

    def advance_for(self, seconds: float) -> Any:
        """As many steps as take about so long, at least one; the same answer."""

    def slice(self, axis: int = 1, index: int = 0, level: int = 0) -> tuple[Any, Any]:
        """(h, w) density and (3, h, w) velocity in a layer of cells of a level now."""

    def average(self) -> None:
        """Mix the fields as they are now into their mean."""

    def mean_slice(self, axis: int = 1, index: int = 0, level: int = 0) -> tuple[Any, Any]:
        """The same of the mean."""

    def mean_fields(self, level: int = 0) -> tuple[Any, Any]:
        """(nx, ny, nz) mean density and (3, nx, ny, nz) velocity of a level."""

    def rate(self) -> float:
        """Million updates of cells a second, on all levels."""


Maker = Callable[[RunSetup, int], Engine]
"""Given the set-up and how many steps one sample of the forces is the mean of."""


@dataclass(frozen=True)
class Forecast:
    """What a trial run tells.

    Attributes:
        updates_per_s: of cells.
        share_of_limit: of what the card's memory allows; None where the engine does not tell.
        steps_needed: in all, by what is known so far.
        seconds_left: of computing; not beyond the time that the job allows.
        memory_bytes: on the card.
    """

    updates_per_s: float
    share_of_limit: float | None
    steps_needed: int
    seconds_left: float
    memory_bytes: int


@dataclass(frozen=True)
class Progress:
    """How far a run is.

    Attributes:
        steps: done.
        time_s: of computing so far.
        seconds_left: of computing, by what is known so far.
        share: 0..1.
        sentence: what its forces say.
        done: whether it has ended.
    """

    steps: int
    time_s: float
    seconds_left: float
    share: float
    sentence: str
    done: bool


class Pilot:
    """Takes a job from scene to answer: ``prepare``, ``begin``, ``go`` until it is done, ``answer``.

    Forces of a half model are those of the whole: doubled, along y zero. The total is that of elements and mounts; the
    body is told apart.

    Attributes:
        job: what is run.
        grid, plan, scale, setup: after ``prepare``.
        faults, notes: after ``prepare``, see ``FlowRun``.
        every: steps whose mean is one sample of the forces.
        ending: one of ``result.ENDINGS`` once it has ended, empty before.
    """

    grid: FlowGrid
    plan: GridPlan
    scale: Scaling
    setup: RunSetup
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    every: int

    def __init__(self, job: FlowJob) -> None:
        self.job = job
        self.ending = ""
        self._engine: Engine | None = None
        self._prepared = False

    # --- before the run

    def prepare(self) -> None:
        """Grid, plan and set-up; numpy only, seconds for a big scan.

        Raises:
            InputError: parts outside the domain, nothing to put into the air, or numbers that cannot be run.
        """
        job = self.job
        self.scale = scaling(
            job.coarsest_m, job.chord_m, job.speed_m_s, job.density_kg_m3, job.viscosity_m2_s,
            lattice_speed=job.lattice_speed, least_viscosity=LEAST_VISCOSITY / 2.0**job.levels,
        )  # fmt: skip
        plane = job.form == "mid-span"
        lattice = stencil("D2Q9" if plane else "D3Q19")
        notes = list[str]()
        # Distributions, kind, number among the edge cells, and the four numbers of the mean flow.
        memory = 4.0 * lattice.directions + 1.0 + 4.0 + 16.0
        if plane:
            low, high = ((-job.domain.high[0], job.domain.low[2]), (-job.domain.low[0], job.domain.high[2]))
            place = ((float(low[0]), float(low[1])), (float(high[0]), float(high[1])))
            self.plan = plan_plane(
                job.contours, job.coarsest_m, *place, chord_m=job.shortest_m, bytes_per_cell=memory, road=job.road,
                reaches=job.reaches,
            )  # fmt: skip
            self.grid = plane_grid(job.contours, job.coarsest_m, *place, road=job.road, reaches=job.reaches)
        else:
            closing, front = job.closed_body()
            if closing.front_m is not None:
                how = "a rounded one was put before it" if front is not None else "it was closed by a plane"
                notes.append(
                    f"The body has no front: {how} {closing.front_m:.2f} m forward, so the air comes to the roof "
                    "otherwise than on the car."
                )
            self.plan = plan_space(
                job.meshes, job.body, job.coarsest_m, job.domain, chord_m=job.shortest_m, bytes_per_cell=memory,
                road=job.road, half=job.half, reaches=job.reaches,
            )  # fmt: skip
            self.grid = space_grid(
                job.meshes, job.body, job.coarsest_m, job.domain, road=job.road, half=job.half, closing=closing,
                front=front, reaches=job.reaches,
            )  # fmt: skip
            notes.extend(_off_centre(job))
        self.faults = (*self.plan.faults, *self.grid.faults, *_without_twin(job))
        self.notes = (*self.grid.notes, *notes)
        self.every = max(1, round(self.scale.steps_over(job.chord_m) / SAMPLES_A_CHORD))
        self.setup = RunSetup(
            stencil=lattice.name,
            size=self.grid.size,
            inlet_velocity=(job.lattice_speed, 0.0, 0.0),
            viscosity=self.scale.lattice_viscosity,
            smagorinsky=job.smagorinsky,
            wall_function=job.wall_function,
            road_speed=job.lattice_speed if job.road else None,
            symmetry=job.half is not None,
            sponge=self._sponge(),
        )
        names = job.names
        weights = np.ones((len(names), 3))
        if plane:
            weights *= (np.array(job.spans_m) / job.width_m)[:, None]
        elif job.half:
            weights *= [2.0, 0.0, 2.0]
        self._weights = weights
        self._width = job.width_m if plane else None
        self._newtons = float(self.scale.newtons(1.0, self._width))
        through = self.grid.size[0] / job.lattice_speed
        self._fewest = int(max(START_CHORDS * self.scale.steps_over(job.chord_m), through) / self.every) + 1
        lifts = tuple(3 * k + 2 for k, name in enumerate(names) if name in job.elements)
        self._rule = replace(
            job.rule, half_width=job.rule.half_width / self._newtons, fewest=max(self._fewest, job.rule.fewest),
            channels=lifts,
        )  # fmt: skip
        self._axes = tuple(f"{axis} of {name}" for name in (*names, "all") for axis in ("drag", "side force", "lift"))
        self._mean_every = max(1, round(self.scale.steps_over(job.chord_m) / MEANS_A_CHORD))
        self._rests_on = digest(job)
        self._view = job.view()
        self._prepared = True

    def _sponge(self) -> tuple[int, int, int]:
        """Lengths at inlet, outlet and far faces, cells."""
        low, high = self._solid()
        size = np.array(self.grid.size)
        below, above = low, size - high
        far = [above[2], *([] if self.job.road else [below[2]])]
        if size[1] > 1:
            far += [above[1], *([] if self.grid.half else [below[1]])]
        ahead, behind, beside = (int(SPONGE_SHARE * max(cells, 0.0)) for cells in (below[0], above[0], min(far)))
        return ahead, behind, beside

    def _solid(self) -> tuple[Floats, Floats]:
        """(3,), (3,) the ends of all that is solid, in the coarsest cells from their corner; thin parts may be so on
        fine cells alone, and the thinnest on none."""
        found = []
        for one in self.grid.levels():
            cell = np.argwhere(one.label > 0)
            if not len(cell):
                cell = np.stack(np.unravel_index(one.cell, one.size), axis=1)
            if len(cell):
                off = (one.origin_m - self.grid.origin_m) / self.grid.spacing_m
                share = one.spacing_m / self.grid.spacing_m
                found.append((off + share * cell.min(axis=0), off + share * (cell.max(axis=0) + 1)))
        if not found:
            middle = 0.5 * np.array(self.grid.size)
            return middle, middle
        return np.min([a for a, _ in found], axis=0), np.max([b for _, b in found], axis=0)

    def begin(self, make: Maker) -> None:
        """Make the engine and give it the grid.

        Raises:
            InputError: no room for the run, or a set-up that it cannot take.
        """
        if not self._prepared:
            self.prepare()
        self._engine = make(self.setup, self.every)
        self._engine.upload(self.grid)
        self.ending = ""
        self._record = Blocks(3 * (len(self.job.names) + 1))
        self._look_at = 1
        self._before: Settled | None = None
        self._state: Settled | None = None
        self._verdict = Verdict(False, "short", "The run has just begun.")
        self._checked_s = -math.inf
        self._meant_at = 0
        self._wildest = 0.0
        self._means = 0
        self._fetched: dict[int, tuple[int, NDArray[np.float32]]] = {}

    # --- the run

    def forecast(self, seconds: float = 0.5) -> Forecast:
        """Run for so long, and say what the whole will take; the steps count as the run's.

        Raises:
            InputError: the run has blown up.
        """
        engine = self._running()
        if not self.ending:
            until = engine.seconds + seconds
            while engine.seconds < until:
                self._advance(until - engine.seconds)
        share = getattr(engine, "share_of_limit", None)
        return Forecast(
            updates_per_s=1e6 * engine.rate(),
            share_of_limit=float(share()) if share is not None else None,
            steps_needed=self._needed() * self.every,
            seconds_left=self._left(),
            memory_bytes=self.plan.memory_bytes,
        )

    def go(self, seconds: float) -> Progress:
        """Run on for about so long, or until it may end.

        Raises:
            InputError: the run has blown up.
        """
        engine = self._running()
        until = engine.seconds + seconds
        while not self.ending:
            self._advance(until - engine.seconds)
            self._look()
            if engine.seconds >= until:
                break
        return self.progress()

    def progress(self) -> Progress:
        """How far it is."""
        engine = self._running()
        left = self._left()
        of_time = engine.seconds / self.job.rule.time_s if math.isfinite(self.job.rule.time_s) else 0.0
        share = 1.0 if self.ending else min(max(of_time, self._record.count / self._needed()), 1.0)
        sentence, count = self._verdict.sentence, self._record.count
        if not self.ending and count < self._fewest:
            # Looks are rare; this has to move on between them.
            sentence = too_few(count, self._rule.fewest)
        return Progress(engine.steps, engine.seconds, left, share, sentence, bool(self.ending))

    def stop(self, ending: str = "cancelled") -> None:
        """End the run; nothing changes where it has ended already."""
        if not self.ending:
            self.ending = ending

    def _running(self) -> Engine:
        if self._engine is None:
            raise InputError("The flow run has not begun; begin it first.")
        if self.ending == "blown":
            raise InputError(self._verdict.sentence)
        return self._engine

    def _advance(self, seconds: float) -> None:
        """Some steps, not much longer than ``seconds``, their forces kept and the mean flow too."""
        engine = self._running()
        pace = engine.steps / engine.seconds if engine.seconds > 0.0 else 0.0
        try:
            if pace > 0.0:
                found = engine.advance(int(min(max(pace * seconds, 1.0), self._mean_every)))
            else:
                found = engine.advance_for(max(seconds, 1e-3))
        except InputError as problem:
            self._blown(str(problem))
        parts = len(self.job.names)
        forces = np.asarray(found, np.float64)
        if forces.size:
            # The engine knows no parts beyond the last one that has a wall.
            forces = forces.reshape(len(forces), -1, 3)[:, :parts]
            forces = np.pad(forces, ((0, 0), (0, parts - forces.shape[1]), (0, 0)))
            if wrong := gone_wrong(engine.steps, 1.0, 1.0, 0.0, forces.transpose(1, 0, 2), self.job.names):
                self._blown(wrong)
            forces = forces * self._weights
            whole = forces[:, : len(self.job.parts)].sum(axis=1)
            self._record.add(np.concatenate([forces.reshape(len(forces), -1), whole], axis=1))
        if engine.seconds - self._checked_s >= CHECK_S:
            self._checked_s = engine.seconds
            now = self._now()
            fastest = max(float(np.sqrt((velocity**2).sum(axis=0)).max()) for _, velocity in now)
            low, high = min(float(one.min()) for one, _ in now), max(float(one.max()) for one, _ in now)
            if wrong := gone_wrong(engine.steps, low, high, fastest):
                self._blown(wrong)
            if self._record.count >= self._fewest // 2:
                # Setting off at once is wilder than any flow after it.
                off = max(high - 1.0, 1.0 - low) / LIMITS.density
                self._wildest = max(self._wildest, off, fastest / LIMITS.speed)
        if self._record.count >= self._fewest // 2 and engine.steps - self._meant_at >= self._mean_every:
            self._mean()

    def _mean(self) -> None:
        engine = self._running()
        engine.average()
        self._means += 1
        self._meant_at = engine.steps

    def _blown(self, sentence: str) -> None:
        self.ending = "blown"
        if sentence.startswith("The run has blown up"):
            # The engine speaks of what a person cannot set.
            sentence = f"The run blew up before step {self._engine.steps if self._engine else 0}; {WAY_OUT}."
        self._verdict = Verdict(True, "blown", sentence)
        raise InputError(sentence)

    def _look(self) -> None:
        """Whether it may end."""
        engine = self._running()
        late = engine.seconds >= self.job.rule.time_s
        count = self._record.count
        if count < self._look_at and not late:
            return
        if not len(self._record.means):
            if late:
                self.ending = "time"
            return
        self._before, self._state = self._state, settled(self._record, self.job.confidence)
        self._verdict = verdict(
            self._state, self._rule, self._axes, count, engine.seconds, self._before, "N", self._newtons
        )
        if self._verdict.stop:
            self.ending = self._verdict.reason
        # The first look that may end the run is at the fewest samples.
        self._look_at = next_look(count)
        if count < self._fewest:
            self._look_at = min(self._look_at, self._fewest)

    def _needed(self) -> int:
        """Samples in all: an interval shrinks with the square root of the record."""
        fewest = self._rule.fewest
        usual = max(fewest, int(USUAL_CHORDS * self.scale.steps_over(self.job.chord_m) / self.every))
        count = self._record.count
        if self._state is None or count < fewest:
            return max(usual, count + 1)
        needed = float(fewest)
        for k in self._rule.channels or ():
            one, asked = self._state.channels[k], self._rule.asked(self._state.channels[k])
            if not math.isfinite(one.half_width) or asked <= 0.0:
                needed = max(needed, 2.0 * count)
                continue
            needed = max(needed, self._state.left_out + one.kept * (one.off / asked) ** 2)
        # Two looks have to agree.
        return max(int(min(needed, 1e12)), self._look_at, count + 1)

    def _left(self) -> float:
        engine = self._running()
        if self.ending:
            return 0.0
        pace = engine.steps / engine.seconds if engine.seconds > 0.0 else math.nan
        left = max(self._needed() * self.every - engine.steps, 0) / pace if pace > 0.0 else math.inf
        return float(max(min(left, self.job.rule.time_s - engine.seconds), 0.0))

    # --- what came out

    def answer(self) -> FlowRun:
        """Forces by part and in all, in newtons at the set speed.

        Raises:
            InputError: nothing was run yet, too little for a force, or the run has blown up.
        """
        engine, job, scale = self._running(), self.job, self.scale
        if not len(self._record.means):
            raise InputError("The flow run is too short for a force yet; let it go on.")
        state = settled(self._record, job.confidence)
        gap = reynolds_gap(scale.reynolds_run, scale.reynolds_real)
        share = max(gap.lift_share, CELLS_SHARE[job.wall_function])
        flows = [
            part_flow(name, state.channels[3 * k : 3 * k + 3], scale, job.area_m2, self._width, self.every)
            for k, name in enumerate((*job.names, "all"))
        ]
        flows = [
            replace(flow, at_rest=all(map(self._settled, state.channels[3 * k : 3 * k + 3])))
            for k, flow in enumerate(flows)
        ]
        faults, notes = list(self.faults), list(self.notes)
        asked = [state.channels[k] for k in self._rule.channels or ()]
        if self._record.count < self._fewest:
            said = "The run ended before the wind had blown through the domain; its forces are a start-up's."
            faults.append(Fault(said))
        elif any(one.off > self._rule.asked(one) for one in asked):
            said = f"The forces are not as well known as asked. {self._verdict.sentence}"
            # How wide an interval is, it tells itself.
            if all(map(self._settled, asked)):
                notes.append(said)
            else:
                faults.append(Fault(said))
        if self._wildest > WILD:
            said = f"Densities or speeds came to {self._wildest:.0%} of what counts as a run that blows up; {WAY_OUT}."
            faults.append(Fault(said))
        return FlowRun(
            variant=job.variant, form=job.form, case=job.case, parts=tuple(flows[:-1]), total=flows[-1],
            confidence=job.confidence, speed_m_s=job.speed_m_s, air_density_kg_m3=job.density_kg_m3,
            reference_length_m=job.chord_m, reference_area_m2=job.area_m2, width_m=job.width_m,
            reynolds_run=scale.reynolds_run, reynolds_real=scale.reynolds_real, mach_run=scale.mach_run,
            wall_function=job.wall_function,
            spacing_m=job.spacing_m, cells=self.plan.cells, steps=engine.steps,
            steps_left_out=state.left_out * self.every, ending=self.ending or "cancelled", time_s=engine.seconds,
            updates_per_s=1e6 * engine.rate(), device=engine.name,
            reynolds_note=f"{gap.sentence} {WALLS_NOTE[job.wall_function]}", lift_share=share,
            faults=tuple(faults), notes=tuple(notes), rests_on=self._rests_on,
            element=job.element,
        )  # fmt: skip

    def _settled(self, one: Mean) -> bool:
        """A slow rest of the start-up that is less than asked does not count."""
        return one.at_rest or one.off <= self._rule.asked(one)

    def _now(self) -> list[tuple[Floats, Floats]]:
        return self._layers(self._running().slice)

    def _layers(self, cut: Callable[[int, int, int], tuple[Any, Any]]) -> list[tuple[Floats, Floats]]:
        """Density and velocity of the middle layer, by level."""
        found = [cut(1, middle_layer(grid), level) for level, grid in enumerate(self.grid.levels())]
        return [(np.asarray(density, np.float64), np.asarray(velocity, np.float64)) for density, velocity in found]

    def slice(self) -> FlowSlice:
        """The centre plane as it is now, as far as ``FlowJob.view`` goes.

        Raises:
            InputError: nothing was begun yet.
        """
        return flow_slice(self.grid, self.scale, self._now(), self._view)

    def _means_there(self) -> Engine:
        """The engine, which has a mean flow: where it ended before there was one, that of this moment."""
        if not self._means:
            self._mean()
        return self._running()

    def _mean_density(self, level: int) -> NDArray[np.float32]:
        """(nx, ny, nz) mean density less 1 of a level; fetched once, for in space it is gigabytes."""
        engine = self._means_there()
        if self._fetched.get(level, (-1,))[0] != self._means:
            density = np.asarray(engine.mean_fields(level)[0])
            self._fetched[level] = self._means, (density - 1.0).astype(np.float32)
        return self._fetched[level][1]

    def mean_slice(self) -> FlowSlice:
        """The same of the mean flow since half the fewest samples; of this moment where it has not got so far.

        Raises:
            InputError: nothing was begun yet.
        """
        return flow_slice(self.grid, self.scale, self._layers(self._means_there().mean_slice), self._view)

    def _excess(self, points: Floats, normals: Floats) -> Floats:
        """(n,) mean density less 1 at points of a surface, by the finest cells there."""
        grids = self.grid.levels()
        finest = np.zeros(len(points), np.int64)
        for number, outer in enumerate(grids[:-1]):
            finest[held(outer, points)] = number + 1
        values = np.full(len(points), np.nan)
        for number in np.unique(finest).tolist():
            grid, mine = grids[number], finest == number
            values[mine] = at_surface(
                self._mean_density(number), run_on(grid), grid.origin_m, grid.spacing_m, points[mine], normals[mine]
            )
        return values

    def surface(self) -> dict[str, Floats]:
        """Mean pressure coefficient at each point of each part's mesh, of its contour at mid-span; nan where no air is.

        Of a half model, points of the other half get what their mirror images have.

        Raises:
            InputError: nothing was begun yet.
        """
        grid = self.grid
        shapes = [*self.job.parts, *zip(self.job.names[len(self.job.parts) :], [self.job.body], strict=False)]
        found = {}
        for name, shape in shapes:
            if shape is None:
                continue
            if isinstance(shape, TriMesh):
                points, normals = to_flow(shape.points), to_flow(point_normals(shape))
            else:
                flat = contour_normals(shape)
                none = np.zeros(len(shape))
                points = np.column_stack([shape[:, 0], none, shape[:, 1]])
                normals = np.column_stack([flat[:, 0], none, flat[:, 1]])
            if grid.half:
                mirrored = points[:, 1] < 0.0
                points[mirrored, 1] *= -1.0
                normals[mirrored, 1] *= -1.0
            values = self._excess(points, normals)
            if self.job.road:
                values[points[:, 2] < 0.0] = np.nan
            found[name] = self.scale.pressure_coefficient(1.0 + values)
        return found
