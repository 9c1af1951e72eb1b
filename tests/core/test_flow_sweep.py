"""Rows of flow runs: what is posted, how several workers share it, what comes together again."""

from __future__ import annotations

import json
import math
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.spatial import cKDTree

from wingfettle.core.assembly.assembly import Assembly
from wingfettle.core.elements.element import Element
from wingfettle.core.errors import InputError
from wingfettle.core.flow.folder import TakenIn, finished, merge, post, post_row, read_job, take_in, working
from wingfettle.core.flow.job import FlowJob, RunWishes, packed
from wingfettle.core.flow.queue import Queue
from wingfettle.core.flow.rows import Conditions, every_case, gap_in_chords, gaps, row
from wingfettle.core.flow.store import kept_fields, stored
from wingfettle.core.flow.tables import tables
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.sections.shape import SectionShape

SHAPE = SectionShape(
    half_thickness=np.array([0.18, 0.17, 0.16, 0.16, 0.15, 0.15]),
    mean_line=np.array([0.20, 0.16, 0.15, 0.14, 0.13, 0.12]),
    trailing_edge=0.012,
)
LOWER = Element("lower", np.array([0.45, 0.0, 1.0]), 1.2, 0.16, 1.0, 0.0, 0.0, 0.03, 0.0, SHAPE, SHAPE)
UPPER = replace(LOWER, name="upper", leading_edge=np.array([0.43, 0.0, 1.12]), chord_m=0.2, incidence_rad=-0.1)
WING = Assembly("as found", (LOWER, UPPER))
SHORT = RunWishes(cells_on_chord=8, ahead=1.0, behind=1.0, above=1.0, time_s=0.1, lattice_speed=0.1)
AIR = Conditions("mid-span", None, 30.0, 1.2, 1.5e-5, SHORT)

# Works a folder off with the numpy engine. Arguments: folder, seconds after which a worker counts as gone, its name.
WORKER = """
import sys
from wingfettle.core.flow.queue import Queue
from wingfettle.core.flow.reference import ReferenceEngine
from wingfettle.core.flow.folder import working

queue = Queue(sys.argv[1], stale_s=float(sys.argv[2]), worker=sys.argv[3])
for step in working(queue, ReferenceEngine, wait_s=0.1, slice_s=0.05):
    if step.progress or step.ended:
        print(step.ended or "running", step.name, flush=True)
"""


class Steady:
    """An engine whose every part has the same force from the first step on, in no time."""

    name = "steady"
    force = (2.0e-3, 0.0, 5.0e-3)

    def __init__(self, setup: Any, every: int) -> None:
        self.setup, self.every, self.steps, self.seconds = setup, every, 0, 0.0

    def upload(self, grid: Any) -> None:
        self.parts = int(grid.part.max())

    def advance(self, steps: int) -> Any:
        before, self.steps = self.steps // self.every, self.steps + steps
        self.seconds += 1e-5 * steps
        return np.tile(np.array(self.force), (self.steps // self.every - before, self.parts, 1))

    def advance_for(self, seconds: float) -> Any:
        return self.advance(4)  # as many as an engine does whose pace is not known

    def slice(self, axis: int = 1, index: int = 0, level: int = 0) -> Any:
        density, velocity = self.mean_fields()
        return density[:, index].T, velocity[:, :, index].transpose(0, 2, 1)

    def average(self) -> None:
        pass

    mean_slice = slice

    def mean_fields(self, level: int = 0) -> Any:
        velocity = np.zeros((3, *self.setup.size))
        velocity[0] = 0.1
        return np.ones(self.setup.size), velocity

    def rate(self) -> float:
        return 1.0


def worked(folder: Path, maker: Any = Steady, **options: Any) -> list[tuple[str, str]]:
    return [(s.name, s.ended) for s in working(Queue(folder), maker, **options) if s.ended]


def start(folder: Path, name: str, stale: float = 60.0) -> subprocess.Popen:
    command = [sys.executable, "-c", WORKER, str(folder), str(stale), name]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def same(a: FlowJob, b: FlowJob) -> bool:
    (record, arrays), (other, others) = packed(a), packed(b)
    return record == other and all(np.array_equal(arrays[k], others[k]) for k in arrays) and set(arrays) == set(others)


def dense(element: Element) -> np.ndarray:
    """(n, 2) m, points round the section at mid-span, less than a tenth of a millimetre apart."""
    x = 0.5 - 0.5 * np.cos(np.linspace(0.0, math.pi, 4001))
    up, low = (side[0][:, [0, 2]] for side in element.surfaces(np.zeros(1), x))
    return np.concatenate([up, low])


def box(size: float) -> TriMesh:
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float) * size
    faces = [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1]]
    faces += [[2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]
    return TriMesh(corners, np.array(faces, np.int32))


# --- lists


def test_every_case_of_every_variant() -> None:
    one = Assembly("one", (LOWER,))
    car = replace(AIR, body=box(1.0))
    found = [(j.variant, j.case, j.element, j.form) for j in every_case([(WING, ()), (one, ())], car)]
    assert found == [
        ("as found", "alone", "lower", "mid-span"), ("as found", "alone", "upper", "mid-span"),
        ("as found", "group", "", "mid-span"), ("as found", "on car", "", "full"),
        ("one", "alone", "lower", "mid-span"), ("one", "on car", "", "full"),
    ]  # fmt: skip
    assert [j.case for j in every_case([(WING, ())], AIR)] == ["alone", "alone", "group"]
    assert [j.case for j in every_case([(WING, ())], car, ("group",))] == ["group"]
    with pytest.raises(InputError, match="There is nothing to run: choose a variant with elements, and a case"):
        every_case([(one, ())], AIR, ("group", "on car"))


@pytest.mark.parametrize("gap", [0.05, 0.38, 2.0])
@pytest.mark.parametrize("element", ["upper", "lower"])
def test_gap_is_the_clear_way_between_the_sections(gap: float, element: str) -> None:
    """Against the nearest of many points on the surfaces (scipy's k-d tree)."""
    other = {"upper": "lower", "lower": "upper"}[element]
    made = row(WING, (), AIR, "chords", element, [gap], other=other)
    contours = dict(made.jobs[0].contours)
    moved = contours[element] - dict(row(WING, (), AIR, "gap", element, [0.0]).jobs[0].contours)[element]
    assert np.abs(moved - moved[0]).max() < 1e-12  # as a whole ...
    assert moved[0, 0] == pytest.approx(0.0, abs=1e-12)  # ... and straight up or down
    a, b = dense(WING.element(element)) + [0.0, moved[0, 1]], dense(WING.element(other))
    assert cKDTree(b).query(a)[0].min() == pytest.approx(gap * 0.2, abs=2e-5)  # 0.2 m is the longer chord
    above = contours["upper"][:, 1].mean() > contours["lower"][:, 1].mean()
    assert above


def test_gap_as_it_is() -> None:
    way = cKDTree(dense(LOWER)).query(dense(UPPER))[0].min()
    assert 0.2 * gap_in_chords(WING, "upper", "lower") == pytest.approx(way, abs=2e-5)
    assert gap_in_chords(WING, "lower", "upper") == pytest.approx(gap_in_chords(WING, "upper", "lower"))


def test_rows_move_as_they_say() -> None:
    today = dict(row(WING, (), AIR, "gap", "upper", [0.0]).jobs[0].contours)
    made = row(WING, (), AIR, "gap", "upper", [0.01, -0.02, 0.01])
    assert made.values == (-0.02, 0.01)
    assert [j.variant for j in made.jobs] == ["as found, upper −20 mm up", "as found, upper +10 mm up"]
    for value, job in zip(made.values, made.jobs, strict=True):
        assert np.allclose(dict(job.contours)["upper"] - today["upper"], [0.0, value], atol=1e-12)
        assert np.array_equal(dict(job.contours)["lower"], today["lower"])
    aft = dict(row(WING, (), AIR, "stagger", "upper", [0.03]).jobs[0].contours)["upper"]
    assert np.allclose(aft - today["upper"], [0.03, 0.0], atol=1e-12)
    # Nose up about the quarter-chord point: complex numbers turn the plane (x aft, z up) clockwise.
    turn = math.radians(5.0)
    raised = dict(row(WING, (), AIR, "incidence", "upper", [turn]).jobs[0].contours)["upper"] @ [1.0, 1.0j]
    quarter = -0.43 + 0.05 * math.cos(-0.1) + 1.0j * (1.12 - 0.05 * math.sin(-0.1))
    expected = quarter + (today["upper"] @ [1.0, 1.0j] - quarter) * np.exp(-1.0j * turn)
    assert np.abs(raised - expected).max() < 1e-9
    # No move at all is the variant itself.
    assert row(WING, (), AIR, "incidence", "upper", [0.0]).jobs[0].variant == "as found"


def test_gaps_grow_by_the_same_share() -> None:
    found = gaps(0.05, 2.0, 6)
    assert (found[0], found[-1]) == (pytest.approx(0.05), pytest.approx(2.0))
    assert np.ptp(np.diff(np.log(found))) < 1e-12


@pytest.mark.parametrize(
    ("act", "says"),
    [
        (lambda: row(WING, (), AIR, "colour", "upper", [0.0]), "no row of runs over “colour”; choose one of"),
        (lambda: row(WING, (), AIR, "gap", "flap", [0.0]), "has no element “flap”"),
        (lambda: row(WING, (), AIR, "gap", "upper", []), "needs values, each a number; give at least one"),
        (lambda: row(WING, (), AIR, "gap", "upper", [math.nan]), "needs values, each a number"),
        (lambda: row(WING, (), AIR, "gap", "upper", [0.0, -5.0]), "No run can be made of “as found, upper −5000"),
        (lambda: row(WING, (), AIR, "chords", "lower", [9.0], other="upper"), "would reach under the road"),
        (lambda: row(WING, (), AIR, "chords", "upper", [0.3]), "has no element “”"),
        (lambda: row(WING, (), AIR, "chords", "upper", [0.3], other="upper"), "one to another element"),
        (lambda: row(WING, (), AIR, "chords", "upper", [0.0], other="lower"), "leaves the air no way"),
        (lambda: row(WING, (), AIR, "chords", "upper", [0.001], other="lower"), "give a wider one"),
        (lambda: gaps(0.0, 2.0, 5), "Gaps cannot go from 0 to 2 chords in 5 steps"),
        (lambda: gaps(2.0, 1.0, 5), "Gaps cannot go from 2 to 1 chords"),
        (lambda: gaps(1.0, 2.0, 1), "in 1 steps"),
    ],
)
def test_bad_rows_are_told(act: Callable[[], Any], says: str) -> None:
    with pytest.raises(InputError) as told:
        act()
    assert says in str(told.value)


def test_a_pair_side_by_side_has_no_gap() -> None:
    ahead = replace(UPPER, leading_edge=np.array([0.9, 0.0, 1.12]))
    with pytest.raises(InputError, match="“upper” is neither over nor under “lower”, so there is no gap to set"):
        gap_in_chords(Assembly("a", (LOWER, ahead)), "upper", "lower")


# --- the folder


def test_jobs_come_back_as_they_were_and_share_geometry(tmp_path: Path) -> None:
    car = replace(AIR, body=box(1.0), form="full")
    wings = [(replace_name(WING, name), ()) for name in ("a", "b", "c")]
    jobs = every_case(wings, car, ("on car",))
    assert post(tmp_path, jobs) == 3
    assert post(tmp_path, jobs) == 0
    # Points and triangles of two elements and the body, once for three jobs; both elements have the same triangles.
    assert len(list((tmp_path / "geometry").iterdir())) == 5
    found = {}
    while claim := Queue(tmp_path).claim():
        found[claim.job.name] = read_job(claim.job, tmp_path)
    assert len(found) == 3
    for job in jobs:
        assert same(job, found[job.name])
    assert not list(tmp_path.rglob("*.part"))


def replace_name(assembly: Assembly, name: str) -> Assembly:
    return replace(assembly, name=name)


def test_broken_or_missing_geometry_fails_the_run_and_is_mended_by_posting_again(tmp_path: Path) -> None:
    jobs = every_case([(WING, ())], AIR, ("alone",))
    post(tmp_path, jobs)
    first, second = sorted((tmp_path / "geometry").iterdir())
    first.unlink()
    content = bytearray(second.read_bytes())
    content[len(content) // 2] ^= 1
    second.write_bytes(content)
    assert sorted(ended for _, ended in worked(tmp_path)) == ["failed", "failed"]
    reasons = sorted(reason for _, reason in Queue(tmp_path).state().failed)
    assert reasons[0].startswith("The geometry file ")
    assert reasons[0].endswith("is broken or was changed; post it again.")
    assert reasons[1].startswith("The geometry of “as found, ")
    assert reasons[1].endswith(".npz is missing); post it again.")
    assert post(tmp_path, jobs) == 0
    assert Queue(tmp_path).retry() == 2
    assert sorted(ended for _, ended in worked(tmp_path)) == ["done", "done"]


def test_a_job_of_a_later_form_fails_with_a_sentence(tmp_path: Path) -> None:
    post(tmp_path, every_case([(WING, ())], AIR, ("group",)))
    claim = Queue(tmp_path).claim()
    for what in ({**claim.job.what, "form": 2}, {"number": 1}, {**claim.job.what, "arrays": ["../x"]}):
        with pytest.raises(InputError, match="is no flow run that this version knows; post it again"):
            read_job(replace(claim.job, what=what), tmp_path)
    outside = {**claim.job.what, "arrays": {"part0": "../../secret"}}
    with pytest.raises(InputError, match="is not in the folder"):
        read_job(replace(claim.job, what=outside), tmp_path)


def test_a_folder_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written to .*; choose another"):
        post(tmp_path / "file", every_case([(WING, ())], AIR, ("group",)))
    (tmp_path / "q").mkdir()
    (tmp_path / "q" / "geometry").write_text("")
    with pytest.raises(InputError, match="cannot be written to .*; choose another"):
        post(tmp_path / "q", every_case([(WING, ())], AIR, ("group",)))


def test_both_walls_are_two_jobs_and_two_rows(tmp_path: Path) -> None:
    wing = Assembly("as found", (LOWER, replace(LOWER, name="upper", leading_edge=np.array([0.45, 0.0, 1.12]))))
    made = [row(wing, (), AIR.with_walls(walls), "gap", "upper", [0.0, 0.01]) for walls in (True, False)]
    assert [job.wall_function for one in made for job in one.jobs] == [True, True, False, False]
    assert [post_row(tmp_path, one) for one in made] == [2, 2]
    assert [one.title.rsplit(", ")[-1] for one in tables(tmp_path)] == ["air clings", "air lets go"]
    worked(tmp_path)
    assert [one.wall_function for one in finished(tmp_path).runs].count(False) == 2
    assert take_in(tmp_path, tmp_path / "beside").new == 4


def test_forces_in_the_table_follow_from_dimensions(tmp_path: Path) -> None:
    """Force = lattice force x density (speed / lattice speed)^2 x cell x span, by dimensional analysis alone."""
    wing = Assembly("as found", (LOWER, replace(LOWER, name="upper", leading_edge=np.array([0.45, 0.0, 1.12]))))
    post_row(tmp_path, row(wing, (), AIR, "gap", "upper", [0.0, 0.01, 0.02]))
    (before,) = tables(tmp_path)
    assert [(r.value, r.forces, r.note) for r in before.rows] == [
        (0.0, (), "waiting"), (pytest.approx(10.0), (), "waiting"), (pytest.approx(20.0), (), "waiting")
    ]  # fmt: skip
    assert [ended for _, ended in worked(tmp_path)] == ["done"] * 3
    (table,) = tables(tmp_path)
    assert table.variant == "as found"
    assert (table.title, table.unit) == ("“as found”: “upper” moved up, all together, air clings", "mm")
    assert table.columns == ("lower", "upper", "all")
    newtons = 5.0e-3 * 1.2 * (30.0 / 0.1) ** 2 * (0.16 / 8.0) * 1.2
    for one in table.rows:
        lower, upper, every = one.forces
        assert lower.value == upper.value == pytest.approx(newtons, rel=1e-9)
        assert every.value == pytest.approx(2.0 * newtons, rel=1e-9)
        assert lower.low <= lower.value - lower.half_width
        assert lower.high >= lower.value + lower.half_width
    head, first, *_ = table.texts()
    assert head == ("mm", "lower (N)", "upper (N)", "all (N)", "")
    assert first[0] == "0"
    assert first[1].startswith(f"+{newtons:.4g} ± ")
    assert all(len(line) == 5 for line in table.texts())


def test_rows_share_todays_run_and_tell_what_failed(tmp_path: Path) -> None:
    assert post_row(tmp_path, row(WING, (), AIR, "gap", "upper", [0.0, 0.01])) == 2
    assert post_row(tmp_path, row(WING, (), AIR, "stagger", "upper", [0.0, 0.01])) == 1
    assert post(tmp_path, every_case([(WING, ())], AIR, ("group",))) == 0

    class Wild(Steady):
        def advance(self, steps: int) -> Any:
            raise InputError("The run has blown up: set more viscosity, a Smagorinsky constant or a lower speed.")

    work = working(Queue(tmp_path), Wild)
    failed = next(step for step in work if step.ended)
    work.close()
    assert failed.ended == "failed"
    assert "blew up" in failed.reason
    worked(tmp_path)
    notes = [one.note for table in tables(tmp_path) for one in table.rows if not one.forces]
    assert set(notes) == {"failed"}
    (tmp_path / "sweeps" / "half.json").write_text('{"what": "gap", "va')
    assert len(tables(tmp_path)) == 2


def test_stopped_runs_wait_again_and_a_lost_card_blames_no_run(tmp_path: Path) -> None:
    post(tmp_path, every_case([(WING, ())], AIR, ("group",)))
    work = working(Queue(tmp_path), Steady)
    next(work)
    assert len(Queue(tmp_path).state().running) == 1
    work.close()
    assert len(Queue(tmp_path).state().waiting) == 1

    def gone(setup: Any, every: int) -> Any:
        raise InputError("The graphics card was lost during the flow run (x): start it again.")

    with pytest.raises(InputError, match="card was lost"):
        worked(tmp_path, gone, alive=lambda: False)
    state = Queue(tmp_path).state()
    assert (len(state.waiting), state.running, state.failed) == (1, (), ())
    assert worked(tmp_path, gone) == [("as found, group, mid-span, air clings", "failed")]


def test_a_run_that_another_worker_took_over_is_let_go(tmp_path: Path) -> None:
    post(tmp_path, every_case([(WING, ())], AIR, ("group",)))
    slow = Queue(tmp_path, stale_s=0.01)
    work = working(slow, Steady)
    next(work)
    time.sleep(0.05)
    other = Queue(tmp_path, stale_s=0.01).claim()
    assert other is not None
    assert next(step.ended for step in work if step.ended) == "lost"
    assert other.held
    work.close()


def test_two_workers_share_a_folder_and_one_takes_over_from_one_that_was_killed(tmp_path: Path) -> None:
    folder = tmp_path / "shared"
    long = replace(AIR, wishes=replace(SHORT, time_s=3.0))
    # By name the first in line, so that it is taken first.
    post(folder, every_case([(replace_name(WING, "0 long"), ())], long, ("group",)))
    killed = start(folder, "killed", stale=1.0)
    for line in killed.stdout:
        if line.startswith("running 0 long"):
            break
    os.kill(killed.pid, signal.SIGKILL)
    killed.wait()
    post_row(folder, row(WING, (), AIR, "gap", "upper", [0.0, 0.005, 0.01, 0.015, 0.02, 0.025]))
    assert len(Queue(folder).state().running) == 1
    workers = [start(folder, name, stale=1.0) for name in ("first", "second")]
    said = [worker.communicate(timeout=60) for worker in workers]
    assert [worker.returncode for worker in workers] == [0, 0], said
    results = Queue(folder).results()
    assert len({one.job.key for one in results}) == len(results) == 7
    assert {one.worker.split("-")[0] for one in results} == {"first", "second"}
    assert [one.worker.split("-")[0] for one in results if one.job.name.startswith("0 long")] != ["killed"]
    assert all(table.rows[k].forces for table in tables(folder) for k in range(6))
    assert take_in(folder, tmp_path / "beside").new == 7
    assert not list(folder.rglob("*.part"))


# --- what comes together again


def test_folders_that_were_copied_and_worked_off_apart_are_merged_without_loss(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    made = row(WING, (), AIR, "gap", "upper", [0.0, 0.01, 0.02, 0.03])
    post_row(here, made)
    shutil.copytree(here, there)
    for folder, count in ((here, 1), (there, 2)):
        work = working(Queue(folder), Steady)
        ended = 0
        for step in work:
            ended += step.ended == "done"
            if ended == count:
                break
        work.close()
    extra = row(WING, (), AIR, "incidence", "upper", [0.05])
    post_row(there, extra)
    worked(there)
    assert merge(here, there) == 5  # one of them was run in both: both results are kept
    assert merge(here, there) == 0
    assert len(Queue(here).results()) == 6
    runs = finished(here).runs
    assert {r.variant for r in runs} == {job.variant for job in (*made.jobs, *extra.jobs)}
    assert worked(here) == []  # nothing is run again
    assert Queue(here).state().open == 0
    assert [t.rows[0].forces != () for t in tables(here)] == [True, True]
    taken = take_in(here, tmp_path / "beside")
    assert (taken.new, taken.known, taken.unreadable) == (5, 0, ())
    for run in stored(tmp_path / "beside")[0]:
        assert kept_fields(tmp_path / "beside", run)[0] is not None
    with pytest.raises(InputError, match="holds no results of a queue"):
        merge(here, tmp_path)


def test_taking_in_keeps_the_longer_run_and_its_age(tmp_path: Path) -> None:
    short, long = (every_case([(WING, ())], c, ("group",)) for c in (hasty(AIR), AIR))
    for name, jobs in (("short", short), ("long", long)):
        post(tmp_path / name, jobs, {"as found": "state of today"})
        worked(tmp_path / name)
    (a,), (b,) = (finished(tmp_path / name).runs for name in ("short", "long"))
    assert a.rests_on == b.rests_on
    assert a.rests_on.split(" ", 1)[1] == "state of today"
    assert a.steps < b.steps
    beside = tmp_path / "beside"
    assert take_in(tmp_path / "short", beside).new == 1
    assert take_in(tmp_path / "long", beside).new == 1
    assert take_in(tmp_path / "short", beside) == TakenIn(0, 1, ())
    (kept,), unreadable = stored(beside)
    assert (kept.steps, unreadable) == (b.steps, ())
    (own,) = (tmp_path / "long" / "runs").glob("*.json")
    assert json.loads((beside / own.name).read_bytes()) == json.loads(own.read_bytes())


def hasty(conditions: Conditions) -> Conditions:
    """The same question with less time."""
    return replace(conditions, wishes=replace(conditions.wishes, time_s=0.01))


def test_results_that_cannot_be_read_are_named(tmp_path: Path) -> None:
    post(tmp_path, every_case([(WING, ())], AIR, ("alone",)))
    queue = Queue(tmp_path)
    claim = queue.claim()
    claim.finish({"run": {"form_number": 99}})
    worked(tmp_path)
    found = finished(tmp_path)
    assert (len(found.runs), found.unreadable) == (1, ("as found, lower alone, mid-span, air clings",))
    assert take_in(tmp_path, tmp_path / "beside").unreadable == found.unreadable
