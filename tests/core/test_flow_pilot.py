"""A run from job to answer on tiny grids: how it ends, symmetries, fields at the end, and what can go wrong."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from wing_cases import naca, wing

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.errors import InputError
from wingfettle.core.flow.grid import FlowGrid, from_flow, plane_grid, space_grid
from wingfettle.core.flow.job import FlowJob, RunWishes, flow_job
from wingfettle.core.flow.kernel import RunSetup
from wingfettle.core.flow.pilot import START_CHORDS, Pilot
from wingfettle.core.flow.reference import ReferenceEngine
from wingfettle.core.flow.result import from_record, to_record
from wingfettle.core.flow.scaling import CELLS_SHARE, scaling
from wingfettle.core.flow.slices import FlowSlice, flow_slice, middle_layer, picture
from wingfettle.core.flow.statistics import StopRule
from wingfettle.core.flow.surface import at_surface, contour_normals, point_normals
from wingfettle.core.geometry.box import Box
from wingfettle.core.geometry.mesh import TriMesh

SPEED, DENSITY = 40.0, 1.2
TINY = RunWishes(
    cells_on_chord=8.0, ahead=2.0, behind=3.0, above=2.0, beside=1.0, lattice_speed=0.1, smagorinsky=None,
    wall_function=False, time_s=600.0,
)  # fmt: skip


def upper(**change: object):
    return wing(shape=naca(0.18, -0.04), tip_shape=naca(0.18, -0.04), **change)


def tiny(
    reynolds: float = 100.0, elements: tuple = (upper(),), case: str = "group", form: str = "mid-span",
    wishes: RunWishes = TINY, body: TriMesh | None = None, mounts: tuple = (),
) -> FlowJob:  # fmt: skip
    chord = max(e.mean_chord_m for e in elements)
    return flow_job(
        Assembly("v", elements), mounts, body, case, form, elements[0].name, SPEED, DENSITY, SPEED * chord / reynolds,
        wishes,
    )  # fmt: skip


def mesh_of(body: trimesh.Trimesh) -> TriMesh:
    return TriMesh(np.array(body.vertices, float), np.array(body.faces, np.int32))


class Told:
    """An engine that plays forces back, a thousand steps a second, without any flow."""

    name = "told"

    def __init__(self, forces, density: float = 1.0, speed: float = 0.1) -> None:
        """``forces`` (k, parts, 3) of (samples, counted from 0)."""
        self._forces, self._density, self._speed = forces, density, speed
        self.steps, self.seconds, self.averaged = 0, 0.0, 0

    def make(self, setup: RunSetup, every: int) -> Told:
        self._setup, self._every = setup, every
        return self

    def upload(self, grid: FlowGrid) -> None:
        self.grid = grid

    def advance(self, steps: int):
        before = self.steps // self._every
        self.steps += steps
        self.seconds += 1e-3 * steps
        return self._forces(np.arange(before, self.steps // self._every))

    def advance_for(self, seconds: float):
        return self.advance(max(1, int(1e3 * seconds)))

    def slice(self, axis: int = 1, index: int = 0, level: int = 0):
        nx, _, nz = self._setup.size
        velocity = np.zeros((3, nz, nx))
        velocity[0] = self._speed
        return np.full((nz, nx), self._density), velocity

    def average(self) -> None:
        self.averaged += 1

    mean_slice = slice

    def mean_fields(self, level: int = 0):
        velocity = np.zeros((3, *self._setup.size))
        velocity[0] = self._speed
        return np.full(self._setup.size, self._density), velocity

    def rate(self) -> float:
        return 1e-3 * float(np.prod(self._setup.size))


def even(value, wobble: float | np.ndarray = 0.0, seed: int = 0):
    """Forces (x, y, z) about ``value`` with noise that is one and the same at each call."""
    noise = np.random.default_rng(seed).normal(size=(200_000, 1, 3)) * wobble
    return lambda at: np.asarray(value, float) + noise[at]


def ran(job: FlowJob, engine=None, slice_s: float = 1.0) -> Pilot:
    pilot = Pilot(job)
    pilot.prepare()
    pilot.begin(ReferenceEngine if engine is None else engine.make)
    for _ in range(100_000):
        if pilot.go(slice_s).done:
            return pilot
    raise AssertionError("never done")


def lockstep(job: FlowJob, steps: int) -> tuple[Pilot, np.ndarray]:
    """Forces (k, channels) of the first steps, as recorded."""
    pilot = Pilot(job)
    pilot.prepare()
    pilot.begin(ReferenceEngine)
    while pilot.progress().steps < steps:
        pilot._advance(1e-9)
    return pilot, pilot._record.means.copy()


# --- how it ends


@pytest.fixture(scope="module")
def steady() -> Pilot:
    return ran(tiny(reynolds=60.0, wishes=replace(TINY, cells_on_chord=6.0)))


def test_steady_flow_ends_narrow(steady: Pilot) -> None:
    answer = steady.answer()
    assert answer.ending == steady.ending == "narrow"
    assert answer.total.at_rest
    chords = answer.steps / steady.scale.steps_over(steady.job.chord_m)
    assert START_CHORDS <= chords < 3.0 * START_CHORDS
    low, value, high = sorted(answer.lift_band("upper"))
    assert low <= value <= high
    # One more slice changes nothing once it is done.
    assert steady.go(1.0).steps == answer.steps


def test_answer_is_in_newtons_of_the_car(steady: Pilot) -> None:
    """The inverted section pushes down, the wind pushes aft (vehicle x is forward)."""
    answer = steady.answer()
    part = answer.part("upper")
    assert part.force_n[0] < 0.0
    assert part.force_n[1] == 0.0
    assert part.force_n[2] < 0.0
    pressure = 0.5 * DENSITY * SPEED**2
    assert part.coefficients == pytest.approx(part.force_n / (pressure * 1.3 * 0.24), rel=1e-12)
    assert answer.total.force_n == pytest.approx(part.force_n)
    assert (answer.case, answer.form, answer.variant, answer.device) == ("group", "mid-span", "v", "numpy")
    assert answer.reynolds_run == pytest.approx(60.0)
    assert answer.cells == steady.grid.label.size
    assert to_record(from_record(to_record(answer))) == to_record(answer)


def test_coefficients_do_not_hang_on_the_speed_they_are_told_at(steady: Pilot) -> None:
    """Same Reynolds number, twice the speed: four times the force."""
    job = steady.job
    fast = replace(
        job, speed_m_s=2.0 * SPEED, viscosity_m2_s=2.0 * job.viscosity_m2_s,
        rule=replace(job.rule, half_width=4.0 * job.rule.half_width),
    )  # fmt: skip
    forces = [lockstep(one, 60) for one in (job, fast)]
    one, two = (pilot._newtons * values for pilot, values in forces)
    assert np.allclose(two, 4.0 * one, rtol=1e-9, atol=1e-9 * np.abs(two).max())


def test_pressure_on_the_surface(steady: Pilot) -> None:
    """Highest at the nose, lower below an inverted section than above it."""
    values = steady.surface()["upper"]
    contour = dict(steady.job.contours)["upper"]
    assert np.isfinite(values).all()
    nose = np.array([3.9, 1.2])
    assert np.linalg.norm(contour[np.argmax(values)] - nose) < 0.25 * 0.24
    half = len(contour) // 2
    along = np.linspace(0.1, 0.7, 20)
    on_top, below = (
        np.interp(along, (contour[k, 0] - 3.9)[order] / 0.24, values[k][order])
        for k in (slice(0, half), slice(half, None))
        for order in [np.argsort(contour[k, 0])]
    )
    assert on_top.mean() > below.mean()


def test_mean_slice_of_a_steady_flow_is_its_moment(steady: Pilot) -> None:
    now, mean = steady.slice(), steady.mean_slice()
    assert np.abs(now.speed_m_s - mean.speed_m_s).max() < 0.02 * SPEED
    assert np.array_equal(now.solid, mean.solid)
    assert now.solid.any()
    # The wind blows aft: against vehicle x.
    assert np.median(now.velocity_m_s[0]) == pytest.approx(-SPEED, rel=0.2)


def test_time_that_is_up_ends_it() -> None:
    job = tiny(wishes=replace(TINY, time_s=0.3))
    pilot = ran(job, slice_s=0.05)
    assert pilot.ending == "time"
    assert pilot.progress().time_s == pytest.approx(0.3, abs=0.25)
    answer = pilot.answer()
    assert answer.ending == "time"
    assert any("start-up" in one.text for one in answer.faults)


def test_progress_moves_on_between_looks() -> None:
    pilot = Pilot(tiny(wishes=replace(TINY, time_s=1e4)))
    pilot.begin(Told(even([0.02, 0.0, -0.05], 0.05)).make)
    counts = []
    for _ in range(8):
        state = pilot.go(0.02)
        counts.append(int(state.sentence.split(": ")[1].split(" of at least ")[0]))
        assert counts[-1] == pilot._record.count
    assert counts == sorted(set(counts))


def test_a_run_that_came_near_to_blowing_up_says_so() -> None:
    """Half a cell a step is the most that counts as sound; 0.45 is nine tenths of it."""
    calm, wild = (ran(tiny(), Told(even([0.02, 0.0, -0.05], 0.001), speed=v)).answer() for v in (0.1, 0.45))
    assert not any("blows up" in one.text for one in calm.faults)
    assert sum("90% of what counts as a run that blows up" in one.text for one in wild.faults) == 1
    assert wild.wall_function is False


def test_cancelled_run_answers_with_what_it_has() -> None:
    pilot = Pilot(tiny())
    pilot.begin(ReferenceEngine)
    pilot.go(0.2)
    pilot.stop()
    done = pilot.go(5.0)
    assert done.done
    assert done.share == 1.0
    assert done.seconds_left == 0.0
    assert pilot.answer().ending == "cancelled"
    assert any("start-up" in one.text for one in pilot.answer().faults)
    # Without a mean yet, the moment stands for it.
    assert np.array_equal(pilot.mean_slice().speed_m_s, pilot.slice().speed_m_s)


def test_nothing_run_yet_is_told() -> None:
    pilot = Pilot(tiny())
    with pytest.raises(InputError, match="begin it first"):
        pilot.go(0.1)
    pilot.begin(Told(even([0.1, 0.0, 0.1])).make)
    with pytest.raises(InputError, match="too short for a force"):
        pilot.answer()


def test_noise_ends_when_the_mean_is_known_as_asked() -> None:
    """Independent noise whose mean is known: the interval holds it and is as narrow as asked."""
    truth = np.array([0.02, 0.0, -0.05])
    job = tiny(wishes=replace(TINY, share=0.02))
    pilot = ran(job, Told(even(truth, 0.05, seed=3)))
    answer = pilot.answer()
    part = answer.part("upper")
    expected = pilot.scale.newtons(truth, job.width_m) * [-1.0, -1.0, 1.0]
    assert pilot.ending == "narrow"
    assert part.half_width_n[2] <= 0.02 * abs(part.force_n[2]) + 1e-9
    # Twice the interval: 95 % would fail one seed in twenty.
    assert np.all(np.abs(part.force_n - expected) <= 2.0 * part.half_width_n)
    # Independent noise of deviation s needs about (1.96 s / asked)^2 samples; looks come a quarter apart, and two have
    # to agree.
    needed = (1.96 * 0.05 / (0.02 * 0.05)) ** 2
    assert 0.5 * needed < answer.steps / pilot.every < 3.0 * needed


def test_time_up_on_a_force_that_is_known_is_no_warning() -> None:
    known, unknown = (
        ran(tiny(wishes=replace(TINY, time_s=2.4)), Told(even([0.02, 0.0, -0.05], wobble))).answer()
        for wobble in (0.001, 0.5)
    )
    assert not any("well known" in w for w in known.notes)
    assert not any("well known" in one.text or "start-up" in one.text for one in known.faults)
    assert unknown.ending == "time"
    told = (*unknown.notes, *(one.text for one in unknown.faults))
    assert any("not as well known as asked" in w for w in told)


def test_no_lift_at_all_ends_too() -> None:
    """A share of nothing cannot be reached; then the interval is asked for in newtons."""
    pilot = ran(tiny(), Told(even([0.02, 0.0, 0.0], 0.002)))
    assert pilot.ending == "narrow"
    assert pilot.answer().part("upper").half_width_n[2] <= pilot.job.rule.half_width


def test_only_the_elements_lift_has_to_be_known() -> None:
    pilot = ran(tiny(), Told(even([0.0, 0.0, 0.3], np.array([10.0, 0.0, 0.0]))))
    assert pilot.ending == "narrow"
    assert pilot.answer().part("upper").half_width_n[0] > pilot._rule.share * 1.0


def test_forecast_tells_what_is_left() -> None:
    engine = Told(even([0.02, 0.0, -0.05], 0.05, seed=5))
    pilot = Pilot(tiny(wishes=replace(TINY, share=0.02, time_s=1e4)))
    pilot.prepare()
    pilot.begin(engine.make)
    first = pilot.forecast(0.5)
    assert engine.seconds == pytest.approx(0.5, abs=0.1)
    assert first.updates_per_s == pytest.approx(1e3 * pilot.grid.label.size)
    assert first.share_of_limit is None
    assert first.memory_bytes == pilot.plan.memory_bytes > 36 * pilot.plan.cells
    fewest = START_CHORDS * pilot.scale.steps_over(pilot.job.chord_m)
    assert first.steps_needed >= fewest
    # Once an interval is there, it is that which tells; within a factor of two of what it takes in the end.
    guess = 0.0
    for _ in range(100_000):
        state = pilot.go(0.2)
        if pilot._record.count > 3 * pilot._fewest and not guess:
            guess = pilot.forecast(0.0).steps_needed
        assert 0.0 <= state.share <= 1.0
        if state.done:
            break
    assert guess
    assert 0.5 < guess / engine.steps < 2.0


def test_time_left_never_goes_beyond_the_time_allowed() -> None:
    pilot = Pilot(tiny(wishes=replace(TINY, time_s=2.0)))
    pilot.begin(Told(even([0.02, 0.0, -0.05], 5.0)).make)
    assert pilot.forecast(0.5).seconds_left <= 1.6
    state = pilot.go(0.5)
    assert state.seconds_left <= 1.1
    assert state.share >= 0.45


# --- symmetries


def test_mirrored_section_mirrors_its_forces() -> None:
    """Upside down in free air: drag as before, lift turned about, step for step."""
    job = tiny(case="alone", wishes=replace(TINY, above=1.5))
    assert not job.road
    (name, contour), h = job.contours[0], job.spacing_m
    low, high = job.domain.low.copy(), job.domain.high.copy()
    high[2] = low[2] + h * round((high[2] - low[2]) / h)
    job = replace(job, domain=Box(low, high))
    over = contour * [1.0, -1.0] + [0.0, low[2] + high[2]]
    mirrored = replace(job, parts=((name, over),))
    one, two = (lockstep(j, 200)[1] for j in (job, mirrored))
    scale = np.abs(one).max()
    assert np.abs(one[:, 2]).max() > 0.05 * scale
    assert np.allclose(two[:, 0], one[:, 0], atol=1e-7 * scale)
    assert np.allclose(two[:, 2], -one[:, 2], atol=1e-7 * scale)


BLOCK = mesh_of(trimesh.creation.box((0.20, 0.22, 0.06))).transformed(
    np.array([[1.0, 0.0, 0.2, -4.0], [0.0, 1.0, 0.0, 0.0], [-0.2, 0.0, 1.0, 0.6], [0.0, 0.0, 0.0, 1.0]])
)
SPACE = FlowJob(
    variant="v", case="group", form="full", element="", parts=(("block", BLOCK),), elements=("block",),
    spans_m=(math.nan,), body=None, chord_m=0.2, area_m2=0.044, shortest_m=0.2, width_m=math.nan, speed_m_s=SPEED,
    density_kg_m3=DENSITY, viscosity_m2_s=SPEED * 0.2 / 80.0, spacing_m=0.04, levels=0,
    domain=Box(np.array([-4.48, -0.28, 0.0]), np.array([-3.6, 0.28, 1.0])), road=True, half=None, smagorinsky=None,
    wall_function=False, lattice_speed=0.1, rule=StopRule(0.0, 0.02, 60.0), confidence=0.95,
)  # fmt: skip
POST = mesh_of(trimesh.creation.box((0.08, 0.05, 0.3)).apply_translation((-3.9, 0.1, 0.5)))


@pytest.mark.parametrize("half", ["left", "right"])
def test_half_model_has_the_forces_of_the_whole(half: str) -> None:
    whole, parted = (lockstep(replace(SPACE, half=h), 40) for h in (None, half))
    assert parted[0].grid.label.size * 2 == whole[0].grid.label.size
    scale = np.abs(whole[1]).max()
    assert np.allclose(parted[1], whole[1], atol=1e-6 * scale)
    assert (parted[1][:, 1] == 0.0).all()
    # The plane of symmetry of the one lies half a cell off the middle layer of the other.
    one, two = whole[0].slice(), parted[0].slice()
    assert np.allclose(one.speed_m_s, two.speed_m_s, atol=1e-6 * SPEED)
    # So does the pressure on both halves of the mesh.
    here, there = (p.surface()["block"] for p in (whole[0], parted[0]))
    assert np.isfinite(here).all()
    assert np.allclose(here, there, atol=1e-6)


def test_post_on_the_other_side_pushes_the_other_way() -> None:
    other = TriMesh(POST.points * [1.0, -1.0, 1.0], POST.triangles[:, ::-1].copy())
    left, right = (
        lockstep(replace(SPACE, parts=(("block", BLOCK), ("post", mesh)), spans_m=(math.nan,) * 2), 30)[1]
        for mesh in (POST, other)
    )
    scale = np.abs(left).max()
    mirror = np.tile([1.0, -1.0, 1.0], 3)
    assert np.abs(left[:, 1]).max() > 1e-3 * scale
    assert np.allclose(right, left * mirror, atol=1e-6 * scale)


def test_body_through_the_ends_of_finer_cells() -> None:
    """A wing on finer cells over a body that reaches out of them has the pressures that it has on even ones."""
    body = mesh_of(trimesh.creation.box((0.6, 0.3, 0.4)).subdivide_to_size(0.08).apply_translation((-4.02, 0.0, 0.26)))
    room = replace(
        SPACE, case="on car", body=body, half="left",
        domain=Box(np.array([-4.6, -0.56, 0.0]), np.array([-3.48, 0.56, 1.04])),
    )  # fmt: skip
    found = [
        lockstep(replace(room, spacing_m=h, levels=levels), steps)[0].surface()
        for h, levels, steps in ((0.02, 1, 24), (0.02, 0, 48), (0.04, 0, 24))
    ]
    nested, fine, coarse = found
    for one in found:
        assert all(np.isfinite(values).all() for values in one.values())

    def off(one: dict[str, np.ndarray]) -> float:
        return float(np.sqrt(((one["block"] - fine["block"]) ** 2).mean()) / np.ptp(fine["block"]))

    assert off(nested) < 0.1
    assert off(nested) < 0.3 * off(coarse)


def test_total_is_the_sum_of_the_wing_and_leaves_the_body_out() -> None:
    job = replace(
        SPACE, parts=(("block", BLOCK), ("post", POST)), spans_m=(math.nan,) * 2, case="on car",
        body=mesh_of(trimesh.creation.box((0.4, 0.3, 0.2)).apply_translation((-4.0, 0.0, 0.25))),
    )  # fmt: skip
    pilot, forces = lockstep(job, 20)
    assert job.names == ("block", "post", "body")
    assert forces.shape[1] == 12
    assert np.allclose(forces[:, 9:], forces[:, 0:3] + forces[:, 3:6])
    assert np.abs(forces[:, 6]).max() > 0.0
    pilot.stop()
    assert [part.part for part in pilot.answer().parts] == ["block", "post", "body"]


def test_open_scan_is_closed_by_the_suggested_planes() -> None:
    """A body without floor and front: what is inside is solid, and the missing front is told."""
    shell = trimesh.creation.box((3.0, 1.4, 0.9)).subdivide().subdivide().subdivide()
    shell.apply_translation((-2.0, 0.0, 0.75))
    centre = shell.triangles_center
    shell.update_faces((centre[:, 2] > 0.301) & (centre[:, 0] < -0.501))
    job = replace(
        SPACE, case="on car", body=mesh_of(shell), spacing_m=0.1,
        domain=Box(np.array([-5.5, -1.5, 0.0]), np.array([1.5, 1.5, 2.0])),
        parts=(("block", TriMesh(BLOCK.points + [0.0, 0.0, 0.8], BLOCK.triangles)),),
    )  # fmt: skip
    pilot = Pilot(job)
    pilot.prepare()
    assert any("has no front" in note for note in pilot.notes)
    label = pilot.grid.label
    x, y, z = (from_flow(pilot.grid.middles(np.arange(label.size, dtype=np.int32))).T).reshape(3, *label.shape)
    inside = (x > -3.4) & (x < -0.7) & (np.abs(y) < 0.6) & (z > 0.4) & (z < 1.1)
    assert inside.sum() > 1000
    assert (label[inside] == 2).all()
    # A rounded front is put before it and counts as the body: full height at first, nothing beyond its tip.
    assert pilot.grid.parts == ("block", "body")
    ahead = (x > -0.4) & (x < -0.1) & (np.abs(y) < 0.6) & (z > 0.4) & (z < 1.1)
    assert (label[ahead] == 2).all()
    assert (label[(x > 0.9) & (z > 0.05)] == 0).all()
    assert (label[(x > 0.6) & (z > 1.1)] == 0).all()
    outside = (z > 1.25) & (z < 1.3) | (x < -3.55)
    assert not (label[outside] == 2).any()


def test_half_model_of_what_is_a_little_off_the_centre_plane_says_by_how_much() -> None:
    """A block 0.8 mm to the left: the left half has 0.8 mm more of it than half, so the whole is 1.6 mm wider."""
    off = TriMesh(BLOCK.points + [0.0, 0.0008, 0.0], BLOCK.triangles)
    for parts, count in (((("block", off),), 1), ((("block", BLOCK),), 0)):
        pilot = Pilot(replace(SPACE, half="left", parts=parts))
        pilot.prepare()
        said = [note for note in pilot.notes if "off the centre plane" in note]
        assert len(said) == count
        assert all("“block” stands +0.8 mm" in note and "differs by 1.6 mm" in note for note in said)


def test_part_that_the_half_leaves_out_has_no_force() -> None:
    job = replace(SPACE, half="right", parts=(("block", BLOCK), ("post", POST)), spans_m=(math.nan,) * 2)
    pilot, forces = lockstep(job, 10)
    assert (forces[:, 3:6] == 0.0).all()
    assert any("“post” lies wholly on the side" in note for note in pilot.notes)
    assert sum("“post” has nothing like it on the other side" in one.text for one in pilot.faults) == 1


def test_mounts_in_pairs_are_fit_for_a_half_model() -> None:
    """Left and right as placed by hand, 4 mm unlike, and one in the middle."""
    twin = TriMesh(POST.points * [1.0, -1.0, 1.0] + [0.004, 0.0, 0.0], POST.triangles)
    middle = TriMesh(POST.points * [1.0, 1.0, 1.0] - [0.0, 0.1, 0.0], POST.triangles)
    parts = (("block", BLOCK), ("left", POST), ("right", twin), ("middle", middle))
    for count, chosen in ((0, parts), (1, parts[:2]), (1, (parts[0], parts[2]))):
        pilot = Pilot(replace(SPACE, half="left", parts=chosen, spans_m=(math.nan,) * len(chosen)))
        pilot.prepare()
        assert sum("nothing like it" in one.text for one in pilot.faults) == count


def test_inside_out_mesh_runs_alike() -> None:
    turned = TriMesh(BLOCK.points, BLOCK.triangles[:, ::-1].copy())
    pilots = [lockstep(replace(SPACE, parts=(("block", mesh),)), 10) for mesh in (BLOCK, turned)]
    (one, first), (two, second) = pilots
    assert np.array_equal(one.grid.label, two.grid.label)
    assert np.array_equal(first, second)
    assert np.array_equal(one.surface()["block"], two.surface()["block"])


def test_slices_stand_for_their_own_spans() -> None:
    """Of two elements with unlike spans each has the force of its own span at its own section's coefficient."""
    lower = upper(name="lower", leading_edge=np.array([-3.9, 0.0, 0.7]), span_m=0.65)
    pilot, forces = lockstep(tiny(elements=(upper(), lower), wishes=replace(TINY, above=1.5)), 60)
    engine = pilot._engine
    assert isinstance(engine, ReferenceEngine)
    bare = engine.forces() * pilot.scale.force_factor / pilot.job.spacing_m  # N for each metre of span
    told = forces[-1].reshape(3, 3) * pilot._newtons
    assert told[0] == pytest.approx(bare[0] * 1.3, rel=1e-9)
    assert told[1] == pytest.approx(bare[1] * 0.65, rel=1e-9)
    assert told[2] == pytest.approx(told[0] + told[1])


# --- against the literature


def plate_drag(cells: int) -> tuple[float, float]:
    """Drag coefficient, and lift over drag, of a plate along the wind at Re 100 after four chords, with so many cells
    on it and the domain's faces four chords away."""
    h = 1.0 / cells
    plate = np.array([[4.0, 8.0], [5.0, 8.0], [5.0, 8.0 + 1e-3], [4.0, 8.0 + 1e-3]])
    up = 4.0 + 0.5 * h
    job = replace(
        tiny(), parts=(("upper", plate),), chord_m=1.0, shortest_m=1.0, area_m2=1.0, width_m=1.0, spans_m=(1.0,),
        viscosity_m2_s=SPEED / 100.0, spacing_m=h, road=False,
        domain=Box(np.array([-8.0, 0.0, 8.0 - up]), np.array([0.0, 0.0, 8.0 + up])),
    )  # fmt: skip
    pilot, forces = lockstep(job, round(4.0 * cells / 0.1))
    drag = forces[-1, 0] * pilot._newtons / (0.5 * DENSITY * SPEED**2)
    return drag, abs(forces[-1, 2] / forces[-1, 0])


def test_drag_of_a_thin_plate_along_the_wind() -> None:
    """Second order of the boundary layer at both ends: 2 (1.328 / Re^1/2 + 2.67 / Re^7/8), 0.361 at Re 100 (Stewartson,
    Mathematika 16, 1969; Messiter, SIAM Journal on Applied Mathematics 18, 1970; from memory).

    These cells are too coarse for the layers at the plate's ends, so the drag is too high; twice as fine it has to be
    twice as near at least. The band of the finer one, 12 %, was set with what was measured in view (11 %; with 24 cells
    4 %).
    """
    exact = 2.0 * (1.328 / 100.0**0.5 + 2.67 / 100.0**0.875)
    (coarse, _), (fine, lift) = plate_drag(6), plate_drag(12)
    assert fine == pytest.approx(exact, rel=0.12)
    assert abs(fine - exact) < 0.5 * abs(coarse - exact)
    assert lift < 0.005


# --- what can go wrong


def test_part_outside_the_domain_is_told() -> None:
    job = tiny()
    high = job.domain.high.copy()
    high[0] = -3.95
    with pytest.raises(InputError, match="“upper” reaches .* m ahead of the domain"):
        Pilot(replace(job, domain=Box(job.domain.low, high))).prepare()


def test_overlapping_parts_are_told_in_the_answer() -> None:
    lower = upper(name="lower", leading_edge=np.array([-3.92, 0.0, 1.19]))
    pilot = Pilot(tiny(elements=(upper(), lower)))
    pilot.begin(ReferenceEngine)
    pilot.go(0.05)
    pilot.stop()
    warnings = [one.text for one in pilot.answer().faults]
    assert sum("“upper” and “lower” overlap" in w for w in warnings) == 1
    # Too few cells is told too, and once.
    assert sum("cells; 240 are the fewest" in w for w in warnings) == 1


@pytest.mark.parametrize(
    ("engine", "words"),
    [
        (Told(even([math.nan, 0.0, 0.0])), "force on “upper” is no number"),
        (Told(even([0.1, 0.0, 0.1]), density=2.7), "density is 2.7"),
        (Told(even([0.1, 0.0, 0.1]), density=math.nan), "no numbers any more"),
        (Told(even([0.1, 0.0, 0.1]), speed=0.8), "0.8 cells a step"),
    ],
)
def test_blow_up_is_one_sentence_and_ends_it(engine: Told, words: str) -> None:
    pilot = Pilot(tiny())
    pilot.prepare()
    pilot.begin(engine.make)
    with pytest.raises(InputError, match=words) as first:
        pilot.go(1.0)
    assert "\n" not in str(first.value)
    assert str(first.value).endswith(".")
    for ask in (lambda: pilot.go(1.0), pilot.answer, pilot.surface):
        with pytest.raises(InputError) as again:
            ask()
        assert str(again.value) == str(first.value)


def test_real_blow_up_is_found() -> None:
    """Air that starts at more than the speed the lattice bears; numpy itself stays quiet."""
    pilot = Pilot(tiny(reynolds=1e6))
    pilot.prepare()

    class Wild(ReferenceEngine):
        def upload(self, grid: FlowGrid) -> None:
            super().upload(grid)
            assert self._run is not None
            self._run.runs[0].post *= 1e3

    pilot.begin(Wild)
    with pytest.raises(InputError, match="The run (blew|is blowing) up"):
        pilot.go(2.0)


def test_card_that_is_lost_says_so_itself() -> None:
    def lost(at):
        raise InputError("The graphics card was lost during the flow run (x): start it again.")

    pilot = Pilot(tiny())
    pilot.begin(Told(lost).make)
    with pytest.raises(InputError, match="card was lost"):
        pilot.go(0.1)


def test_reynolds_number_that_cannot_be_run_is_told() -> None:
    pilot = Pilot(tiny(reynolds=8e6))
    pilot.begin(Told(even([0.1, 0.0, -0.3])).make)
    pilot.go(1.0)
    answer = pilot.answer()
    assert answer.reynolds_real == pytest.approx(8e6)
    assert answer.reynolds_run == pytest.approx(0.1 * 8.0 / 1e-5)
    # Two decades, and 80,000 under 100,000, see ``reynolds_gap``: more than the cells' own share.
    assert answer.lift_share == pytest.approx(0.1 * (2.0 + math.log10(1e5 / 8e4)))
    assert "laminar" in answer.reynolds_note
    assert "air lets go" in answer.reynolds_note


@pytest.mark.parametrize("walls", [True, False])
def test_the_band_of_a_run_has_a_floor(walls: bool) -> None:
    """What sections miss NACA Report 824 by, or what the Reynolds number does where that is more."""
    for reynolds, share in ((100.0, CELLS_SHARE[walls]), (8e7, 0.1 * (3.0 + math.log10(1e5 / 8e4)))):
        pilot = Pilot(replace(tiny(reynolds=reynolds), wall_function=walls))
        pilot.begin(Told(even([0.1, 0.0, -0.3])).make)
        pilot.go(1.0)
        answer = pilot.answer()
        assert answer.lift_share == pytest.approx(share)
        assert f"within {25 if walls else 15} % of measured lift" in answer.reynolds_note
        value, low, high = answer.lift_band("upper")
        assert high - value == pytest.approx(float(answer.part("upper").half_width_n[2]) + share * abs(value))


# --- fields


def flat(grid: FlowGrid, slope: np.ndarray) -> np.ndarray:
    """A linear field of the cells."""
    return (grid.middles(np.arange(grid.label.size, dtype=np.int32)) @ slope + 1.0).reshape(grid.size)


def test_linear_field_is_met_at_the_surface_in_space() -> None:
    """Exactly, though cells inside hold rubbish."""
    ball = trimesh.creation.icosphere(3, 0.2)
    mesh = mesh_of(ball.apply_translation((0.03, 0.01, 1.02)))
    grid = space_grid(
        [("ball", mesh)], None, 0.04, Box(np.array([-0.5, -0.5, 0.5]), np.array([0.5, 0.5, 1.5])), road=False
    )
    slope = np.array([0.3, -0.2, 0.5])
    field = np.where(grid.label == 0, flat(grid, slope), np.nan)
    turn = np.array([-1.0, -1.0, 1.0])
    points = mesh.points * turn
    found = at_surface(field, grid.label == 0, grid.origin_m, 0.04, points, point_normals(mesh) * turn)
    assert np.abs(found - (points @ slope + 1.0)).max() < 1e-9
    # On a ball the normals are the radii.
    radii = mesh.points - [0.03, 0.01, 1.02]
    assert (point_normals(mesh) * radii).sum(axis=1).min() > 0.199


def test_linear_field_is_met_at_the_surface_in_the_plane() -> None:
    turn = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    contour = np.column_stack([0.3 * np.cos(turn), 0.1 * np.sin(turn)]) + [0.02, 0.01]
    for sense in (contour, contour[::-1]):
        grid = plane_grid([("e", sense)], 0.02, (-1.0, -1.0), (1.0, 1.0))
        points = np.column_stack([sense[:, 0], 0.0 * turn, sense[:, 1]])
        off = contour_normals(sense)
        normals = np.column_stack([off[:, 0], 0.0 * turn, off[:, 1]])
        field = np.where(grid.label == 0, flat(grid, np.array([0.7, 0.0, -0.4])), np.nan)
        found = at_surface(field, grid.label == 0, grid.origin_m, 0.02, points, normals)
        assert np.abs(found - (points @ [0.7, 0.0, -0.4] + 1.0)).max() < 1e-9
        assert ((sense - [0.02, 0.01]) * off).sum(axis=1).min() > 0.0


def test_pressure_of_the_ideal_flow_round_a_cylinder() -> None:
    """1 - 4 sin^2 on the surface, 2 a^2 cos(2 t) / r^2 - a^4 / r^4 off it; the error falls faster than the cells."""
    turn = np.linspace(0.0, 2.0 * np.pi, 90, endpoint=False)
    contour = 0.5 * np.column_stack([np.cos(turn), np.sin(turn)])
    points = np.column_stack([contour[:, 0], 0.0 * turn, contour[:, 1]])
    off = []
    for h in (0.05, 0.025):
        grid = plane_grid([("c", contour)], h, (-2.013, -2.007), (2.0, 2.0))
        x, _, z = grid.middles(np.arange(grid.label.size, dtype=np.int32)).T
        r2, angle = x**2 + z**2, np.arctan2(z, x)
        pressure = 0.5 * np.cos(2.0 * angle) / r2 - 0.0625 / r2**2
        field = np.where(grid.label == 0, pressure.reshape(grid.size), np.nan)
        found = at_surface(field, grid.label == 0, grid.origin_m, h, points, points / 0.5)
        off.append(np.abs(found - (1.0 - 4.0 * np.sin(turn) ** 2)).max())
    assert off[0] < 0.35
    assert off[1] < 0.4 * off[0]


def test_surface_where_there_is_no_air_is_unknown() -> None:
    air = np.zeros((8, 8, 8), bool)
    air[:, :, 4:] = True
    field = np.where(air, 2.5, np.nan)
    up = np.tile([0.0, 0.0, 1.0], (4, 1))
    points = np.array([[4.0, 4.0, 4.0], [4.0, 4.0, 0.1], [4.0, 4.0, 9.0], [-1.0, 4.0, 4.0]])
    found = at_surface(field, air, np.zeros(3), 1.0, points, up)
    # At the wall, as far again as the reach below it, above and beside the cells.
    assert found[0] == pytest.approx(2.5)
    assert np.isnan(found[2:]).all()
    assert np.isnan(at_surface(field, air & False, np.zeros(3), 1.0, points, up)).all()


def test_narrow_gap_takes_the_air_that_is_there() -> None:
    air = np.zeros((8, 1, 8), bool)
    air[:, :, 4] = True
    field = np.where(air, 7.0, np.nan)
    points = np.array([[3.3, 0.5, 4.0], [3.3, 0.5, 5.0]])
    normals = np.array([[0.0, 0.0, 1.0], [0.0, 0.0, -1.0]])
    assert at_surface(field, air, np.zeros(3), 1.0, points, normals) == pytest.approx([7.0, 7.0])


def test_points_outside_the_domain_and_below_the_road_are_unknown() -> None:
    sunk = TriMesh(BLOCK.points - [0.0, 0.0, 0.62], BLOCK.triangles)
    pilot, _ = lockstep(replace(SPACE, parts=(("block", sunk),)), 2)
    found = pilot.surface()["block"]
    assert np.array_equal(np.isnan(found), sunk.points[:, 2] < 0.0)
    assert np.isnan(found).any()
    assert np.isfinite(found).any()


def test_slice_is_in_vehicle_axes() -> None:
    contour = np.array([[3.0, 1.0], [3.2, 1.0], [3.2, 1.2], [3.0, 1.2]])
    grid = plane_grid([("box", contour)], 0.05, (2.5, 0.5), (4.0, 1.5), road=True)
    scale = scaling(0.05, 0.2, SPEED, DENSITY, 1e-3, lattice_speed=0.1)
    nz, nx = grid.size[2], grid.size[0]
    velocity = np.zeros((3, nz, nx))
    velocity[0], velocity[2] = 0.1, 0.05
    density = np.ones((nz, nx))
    density[:, 0] = 1.0 + 0.5 * 0.1**2 * 3.0
    cut = flow_slice(grid, scale, [(density, velocity)])
    air = ~cut.solid
    assert cut.velocity_m_s[0][air] == pytest.approx(-SPEED)
    assert cut.velocity_m_s[1][air] == pytest.approx(0.5 * SPEED)
    assert cut.speed_m_s[air] == pytest.approx(math.hypot(1.0, 0.5) * SPEED)
    assert cut.pressure[:, 0][air[:, 0]] == pytest.approx(1.0)
    assert (cut.speed_m_s[cut.solid] == 0.0).all()
    # The box lies where it was put: from -3.2 to -3.0 m forward, from 1.0 to 1.2 m up; below z = 0 is the road.
    x, z = np.meshgrid(cut.x_m, cut.z_m)
    inside = (x > -3.2) & (x < -3.0) & (z > 1.0) & (z < 1.2)
    assert np.array_equal(cut.solid, inside | (z < 0.0))
    assert np.all(np.diff(cut.x_m) < 0.0)
    assert np.all(np.diff(cut.z_m) > 0.0)


def test_middle_layer_lies_at_the_centre_plane() -> None:
    for half, road in ((None, True), ("left", True), ("right", False)):
        grid = space_grid([("b", BLOCK)], None, 0.04, SPACE.domain, road=road, half=half)
        layer = middle_layer(grid)
        middle = grid.origin_m[1] + 0.04 * (layer + 0.5)
        assert abs(middle) <= 0.02 + 1e-9
        assert from_flow(np.array([[0.0, middle, 0.0]]))[0, 1] == pytest.approx(-middle)


def test_picture_shows_parts_and_more_as_darker() -> None:
    share = np.linspace(0.0, 1.0, 40)
    solid = np.zeros((1, 40), bool)
    solid[0, -1] = True
    cut = FlowSlice(
        -np.arange(40.0), np.zeros(1), 1.6 * SPEED * share[None], 3.0 * share[None] - 2.0, np.zeros((2, 1, 40)), solid
    )
    for what, sign in (("speed", -1), ("pressure", 1)):
        image = picture(cut, what, SPEED)
        assert image.shape == (1, 40, 4)
        assert image.dtype == np.uint8
        assert (image[..., 3] == 255).all()
        light = image[0, :, :3].astype(float).sum(axis=1)
        stretch = light[:26] if what == "pressure" else light[:-1]
        assert np.all(sign * np.diff(stretch) >= -3.0)
        assert sign * (stretch[-1] - stretch[0]) > 150.0
        assert light[-1] < 150.0
    suction, pressed = picture(cut, "pressure", SPEED)[0, [0, 38], :3].astype(int)
    assert suction[0] > suction[1]
    assert pressed[1] > pressed[0]
    with pytest.raises(InputError, match="“colour”"):
        picture(cut, "colour", SPEED)  # type: ignore[arg-type]
