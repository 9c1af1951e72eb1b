"""The queue in a folder: several processes, crashes, half-written files, odd names, merging."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Generator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from wingfettle.core.errors import InputError
from wingfettle.core.flow.queue import MOST_ATTEMPTS, Beat, ClaimLost, Job, Queue, Step

ODD = ["CON", "../up", "a/b\\c:*?", "ä", "a\u0308", ".", "", "A", "a", "\ud800", "*", "~", "[a]"]

# Works a queue off in slices of 0.01 s; each run leaves a line of its own in a log. Argument 3: seconds
# a job takes. Ctrl C is set, since a process started in the background inherits that it is ignored.
WORKER = """
import signal, sys, time
from pathlib import Path
from wingfettle.core.flow.queue import Queue

folder, log, takes, stale = sys.argv[1], Path(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4])
queue = Queue(folder, stale_s=stale)
signal.signal(signal.SIGINT, signal.default_int_handler)

def run(job, beat):
    with log.open("a") as file:
        file.write(job.key + "\\n")
    print("running", job.name, flush=True)
    end = time.monotonic() + takes
    while time.monotonic() < end:
        beat()
        yield
        time.sleep(0.01)
    return {"twice": 2 * job.what["number"]}

for step in queue.work(run, wait_s=0.05):
    if not step.name:
        time.sleep(0.01)
"""


def start(folder: Path, log: Path, takes: float = 0.0, stale: float = 60.0) -> subprocess.Popen:
    command = [sys.executable, "-c", WORKER, str(folder), str(log), str(takes), str(stale)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def jobs(count: int) -> list[Job]:
    return [Job(f"gap {k} mm", {"number": k}) for k in range(count)]


def at_once(answer: Callable[[Job], dict]):
    """A run of one slice."""

    def run(job: Job, beat: Beat):
        beat()
        yield "half"
        return answer(job)

    return run


def worked(queue: Queue, answer: Callable[[Job], dict] = lambda job: {}, **options) -> list[tuple[str, str]]:
    return [(step.name, step.ended) for step in queue.work(at_once(answer), **options) if step.ended]


def claimed(queue: Queue):
    claim = queue.claim()
    assert claim is not None
    return claim


def age(queue: Queue, seconds: float) -> None:
    """Make all heartbeats older."""
    for path in (queue.folder / "beats").iterdir():
        then = path.stat().st_mtime - seconds
        os.utime(path, (then, then))


def test_several_processes_run_every_job_once_and_lose_none(tmp_path: Path) -> None:
    queue, log = Queue(tmp_path / "q"), tmp_path / "log"
    assert queue.post(jobs(60)) == 60
    workers = [start(queue.folder, log) for _ in range(4)]
    for worker in workers:
        assert worker.wait(60) == 0, worker.communicate()[1]
    assert Counter(log.read_text().split()) == Counter(job.key for job in jobs(60))
    assert {one.job.name: one.result["twice"] for one in queue.results()} == {
        job.name: 2 * job.what["number"] for job in jobs(60)
    }
    state = queue.state()
    assert (state.open, len(state.done), state.failed, state.unreadable) == (0, 60, (), ())
    assert not list((queue.folder / "beats").iterdir())
    assert not list((queue.folder / "running").iterdir())


def test_job_of_a_killed_process_is_taken_up_again_and_only_that(tmp_path: Path) -> None:
    queue, log = Queue(tmp_path / "q", stale_s=0.6), tmp_path / "log"
    queue.post(jobs(6))
    first = start(queue.folder, log, takes=30.0, stale=0.6)
    assert first.stdout is not None
    assert first.stdout.readline().startswith("running")
    os.kill(first.pid, signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
    first.wait(10)
    (lost,) = log.read_text().split()
    others = [start(queue.folder, log, takes=0.02, stale=0.6) for _ in range(2)]
    for worker in others:
        assert worker.wait(60) == 0, worker.communicate()[1]
    runs = Counter(log.read_text().split())
    assert runs == Counter([job.key for job in jobs(6)] + [lost])
    assert len(queue.results()) == len(queue.state().done) == 6


def test_many_threads_posting_the_same_jobs_while_others_work(tmp_path: Path) -> None:
    """Whoever posts what has already been done must not bring it back."""
    ran: list[str] = []

    def worker() -> None:
        queue = Queue(tmp_path)
        for _ in range(3):
            queue.post(jobs(25))
            for _step in queue.work(at_once(lambda job: ran.append(job.key) or {"number": job.what["number"]})):
                queue.post(jobs(25))

    threads = [threading.Thread(target=worker) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not worked(Queue(tmp_path))
    assert sorted(ran) == sorted(job.key for job in jobs(25))
    assert len(Queue(tmp_path).results()) == 25


def test_a_living_heartbeat_keeps_the_job_and_an_old_one_loses_it(tmp_path: Path) -> None:
    mine, other = Queue(tmp_path, stale_s=50.0), Queue(tmp_path, stale_s=50.0)
    mine.post(jobs(1))
    claim = claimed(mine)
    assert other.claim() is None
    age(mine, 40.0)
    assert other.claim() is None
    age(mine, 20.0)
    taken = claimed(other)
    assert taken.job == replace(jobs(1)[0], attempts=1)
    assert other.state().running == (("gap 0 mm", other.worker),)
    claim._beaten -= 20.0  # as if the machine had slept
    with pytest.raises(ClaimLost, match="gap 0 mm"):
        claim.beat()
    assert not claim.held
    # It has a result all the same: kept beside the other's.
    claim.finish({"by": "first"})
    taken.finish({"by": "second"})
    assert [one.result["by"] for one in other.results()] == ["first", "second"]
    assert other.state().done == ("gap 0 mm",)
    assert mine.claim() is None


def test_beats_are_written_seldom_and_keep_a_job(tmp_path: Path) -> None:
    mine, other = Queue(tmp_path, stale_s=0.5), Queue(tmp_path, stale_s=0.5)
    mine.post(jobs(1))
    claim = claimed(mine)
    end, seen = time.monotonic() + 1.2, set()
    while time.monotonic() < end:
        claim.beat()
        seen.add((mine.folder / "beats" / claim.path.stem).stat().st_mtime)
        assert other.claim() is None
        time.sleep(0.005)
    assert 3 <= len(seen) <= 25


def test_wrong_clock_of_a_machine_takes_no_job_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ages are differences of the folder's own times."""
    mine, other = Queue(tmp_path), Queue(tmp_path)
    mine.post(jobs(1))
    claimed(mine)
    monkeypatch.setattr(time, "time", lambda: 4e9)
    assert other.claim() is None


def test_a_job_that_kills_its_workers_fails_in_the_end(tmp_path: Path) -> None:
    queue = Queue(tmp_path, stale_s=10.0)
    queue.post(jobs(1))
    for attempt in range(MOST_ATTEMPTS):
        assert claimed(Queue(tmp_path, stale_s=10.0)).job.attempts == attempt
        age(queue, 20.0)
    assert queue.claim() is None
    ((name, reason),) = queue.state().failed
    assert name == "gap 0 mm"
    assert "3 times" in reason
    assert queue.post(jobs(1)) == 0
    assert queue.retry() == 1
    assert claimed(queue).job == jobs(1)[0]


def test_a_job_posted_again_while_it_runs_is_left_to_its_worker(tmp_path: Path) -> None:
    """As when two post in the same moment, and the first one's job has been taken up in between."""
    queue, other = Queue(tmp_path), Queue(tmp_path)
    queue.post(jobs(1))
    (path,) = (tmp_path / "waiting").iterdir()
    text = path.read_bytes()
    claim = claimed(queue)
    path.write_bytes(text)
    assert other.claim() is None
    assert claim.held
    assert other.state().running == (("gap 0 mm", queue.worker),)
    assert other.state().waiting == ()
    claim.finish({})
    assert other.claim() is None
    assert not path.exists()
    assert len(other.results()) == 1


def test_a_crash_between_result_and_end_of_claim_runs_nothing_twice(tmp_path: Path) -> None:
    queue = Queue(tmp_path, stale_s=10.0)
    queue.post(jobs(1))
    claim = claimed(queue)
    claim._drop = lambda: None  # type: ignore[method-assign]
    claim.finish({"x": 1})
    assert queue.state().done == ("gap 0 mm",)
    age(queue, 20.0)
    other = Queue(tmp_path, stale_s=10.0)
    assert other.claim() is None
    assert not list((tmp_path / "running").iterdir())
    assert len(other.results()) == 1


def test_half_written_and_foreign_files_are_left_alone_and_told(tmp_path: Path) -> None:
    queue = Queue(tmp_path)
    queue.post(jobs(3))
    claimed(queue).finish({"long": list(range(100))})
    (whole,) = (tmp_path / "results").iterdir()
    text = whole.read_bytes()
    for length in (0, 1, len(text) // 2, len(text) - 1):
        whole.write_bytes(text[:length])
        assert queue.results() == ()
        assert len(queue.state().unreadable) == 1
    whole.write_bytes(text.replace(b"99", b"98"))
    assert queue.results() == ()
    whole.write_bytes(text)
    assert len(queue.results()) == 1
    waiting = sorted((tmp_path / "waiting").iterdir())
    waiting[0].write_bytes(waiting[0].read_bytes()[:-3])
    (tmp_path / "waiting" / "notes.json").write_text("[]")
    (tmp_path / "waiting" / "notes.txt").write_text("mine")
    (tmp_path / "results" / f"{whole.name}.other.part").write_bytes(text[:9])
    assert claimed(queue).path.stem.startswith(waiting[1].stem)
    assert queue.claim() is None
    assert queue.state().unreadable == (f"waiting/{waiting[0].name}", "waiting/notes.json")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    names=st.lists(
        st.one_of(st.text(max_size=300), st.sampled_from(ODD)),
        min_size=1,
        max_size=6,
        unique=True,
    ),
    what=st.dictionaries(st.text(max_size=5), st.integers() | st.floats(allow_nan=False, allow_infinity=False)),
)
def test_any_name_and_content_come_back_as_they_were(tmp_path_factory, names, what) -> None:
    folder = tmp_path_factory.mktemp("q")
    queue = Queue(folder, worker=names[0])
    posted = [Job(name, what) for name in names]
    assert queue.post(posted) == len(names)
    assert queue.post(posted) == 0
    for path in folder.rglob("*.json"):
        # What Windows forbids in names, and that two names may not differ in case only.
        assert not set(path.name) & set('<>:"/\\|?*')
        assert len(path.name) < 200
    assert len({path.name.lower() for path in folder.rglob("*.json")}) == len(names)
    while (claim := queue.claim()) is not None:
        claim.finish({"name": claim.job.name, "what": claim.job.what})
    found = queue.results()
    assert sorted(one.job.name for one in found) == sorted(names)
    assert all(one.result == {"name": one.job.name, "what": what} for one in found)


def test_a_file_that_somebody_reads_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On Windows a file that is open elsewhere can be neither moved nor deleted; here every first try fails so."""
    queue = Queue(tmp_path)
    queue.post(jobs(2))
    tried: set[tuple] = set()

    def unwilling(act):
        def once(path, *where, **options):
            if (key := (act, str(path))) not in tried:
                tried.add(key)
                raise PermissionError(13, "in use")
            return act(path, *where, **options)

        return once

    monkeypatch.setattr(os, "replace", unwilling(os.replace))
    monkeypatch.setattr(Path, "unlink", unwilling(Path.unlink))
    claim = next(claim for _ in range(3) if (claim := queue.claim()))
    claim.give_back()
    assert len(queue.state().waiting) == 2
    for _ in range(3):
        worked(queue)
    assert len(queue.results()) == 2
    assert not list((tmp_path / "running").iterdir())
    assert len(tried) > 8


def test_same_name_with_other_content_is_another_job(tmp_path: Path) -> None:
    queue = Queue(tmp_path)
    assert queue.post([Job("a", {"gap": 1}), Job("a", {"gap": 2}), Job("a", {"gap": 1})]) == 2
    assert worked(queue, lambda job: job.what) == [("a", "done")] * 2
    assert sorted(one.result["gap"] for one in queue.results()) == [1, 2]


def test_merging_loses_nothing_and_twice_is_as_once(tmp_path: Path) -> None:
    queues = [Queue(tmp_path / name) for name in "abc"]
    for number, queue in enumerate(queues):
        queue.post(jobs(4)[number : number + 2])
        worked(queue, lambda job, by=number: {"by": by})
    everything = {(one.job.name, one.result["by"]) for queue in queues for one in queue.results()}
    assert len(everything) == 6
    a, b, c = queues
    half = next((c.folder / "results").iterdir())
    whole = half.read_bytes()
    half.write_bytes(whole[:20])
    assert a.merge(b.folder) == 2
    assert a.merge(c.folder) == 1
    half.write_bytes(whole)
    assert a.merge(c.folder) == 1
    assert [a.merge(q.folder) for q in (a, b, c)] == [0, 0, 0]
    assert {(one.job.name, one.result["by"]) for one in a.results()} == everything
    c.merge(b.folder)
    c.merge(a.folder)
    assert c.results() == a.results()
    # What has been run elsewhere is not run again here.
    assert a.post(jobs(4)) == 0


def test_merging_repairs_a_half_copied_result(tmp_path: Path) -> None:
    a, b = Queue(tmp_path / "a"), Queue(tmp_path / "b")
    b.post(jobs(1))
    worked(b, lambda job: {"x": 1})
    (whole,) = (b.folder / "results").iterdir()
    (a.folder / "results" / whole.name).write_bytes(whole.read_bytes()[:30])
    assert a.merge(b.folder) == 1
    assert a.results() == b.results()


def test_what_a_run_raises(tmp_path: Path) -> None:
    queue = Queue(tmp_path)
    queue.post(jobs(4))

    def answer(job: Job) -> dict:
        if job.what["number"] == 0:
            raise InputError("Part “x” lies outside.")
        if job.what["number"] == 1:
            raise RuntimeError("card lost")
        if job.what["number"] == 2:
            raise KeyboardInterrupt
        return {"x": float("nan")}

    work = queue.work(at_once(answer))
    assert [next(work) for _ in range(3)] == [
        Step("gap 0 mm"), Step("gap 0 mm", "half"), Step("gap 0 mm", None, "failed", "Part “x” lies outside.")
    ]  # fmt: skip
    with pytest.raises(RuntimeError, match="card lost"):
        list(work)
    with pytest.raises(KeyboardInterrupt):
        worked(queue, answer)
    state = queue.state()
    assert dict(state.failed) == {"gap 0 mm": "Part “x” lies outside.", "gap 1 mm": "RuntimeError: card lost"}
    assert state.waiting == ("gap 2 mm", "gap 3 mm")
    assert not list((tmp_path / "beats").iterdir())
    claimed(queue)
    assert worked(queue, answer) == [("gap 3 mm", "failed")]
    assert "JSON" in dict(queue.state().failed)["gap 3 mm"]


def interrupted(work) -> None:
    with pytest.raises(KeyboardInterrupt):
        work.throw(KeyboardInterrupt)


@pytest.mark.parametrize("slices", [0, 1])
@pytest.mark.parametrize("stop", [Generator.close, interrupted])
def test_work_stopped_between_slices_lets_the_job_wait_as_it_was(tmp_path: Path, stop, slices: int) -> None:
    queue = Queue(tmp_path)
    queue.post(jobs(2))
    work = queue.work(at_once(lambda job: {"by": "first"}))
    for _ in range(1 + slices):
        step = next(work)
    assert (step.name, step.progress, step.ended) == ("gap 0 mm", "half" if slices else None, "")
    assert queue.state().running == (("gap 0 mm", queue.worker),)
    stop(work)
    state = queue.state()
    assert (state.waiting, state.running, state.failed) == (("gap 0 mm", "gap 1 mm"), (), ())
    assert not list((tmp_path / "beats").iterdir())
    other = Queue(tmp_path)
    claim = claimed(other)
    assert claim.job == jobs(2)[0]  # no attempt is counted against it
    claim.give_back()
    assert worked(other, lambda job: {"by": "second"}) == [("gap 0 mm", "done"), ("gap 1 mm", "done")]
    assert [one.result["by"] for one in queue.results()] == ["second", "second"]


def test_work_stopped_after_a_job_has_ended_changes_nothing(tmp_path: Path) -> None:
    queue = Queue(tmp_path)
    queue.post(jobs(2))
    work = queue.work(at_once(lambda job: {}))
    while next(work).ended != "done":
        pass
    work.close()
    state = queue.state()
    assert (state.waiting, state.running, state.done) == (("gap 1 mm",), (), ("gap 0 mm",))


@pytest.mark.skipif(sys.platform == "win32", reason="there no process can press another's Ctrl C")
def test_ctrl_c_in_the_middle_of_a_slice_gives_the_job_back(tmp_path: Path) -> None:
    queue, log = Queue(tmp_path / "q"), tmp_path / "log"
    queue.post(jobs(1))
    worker = start(queue.folder, log, takes=30.0)
    assert worker.stdout is not None
    assert worker.stdout.readline().startswith("running")
    worker.send_signal(signal.SIGINT)
    said = worker.communicate(timeout=10)[1]
    assert worker.returncode != 0
    assert "KeyboardInterrupt" in said
    state = queue.state()
    assert (state.waiting, state.running, state.failed) == (("gap 0 mm",), (), ())
    assert claimed(queue).job.attempts == 0


def test_a_job_is_not_to_blame_where_what_computes_is_gone(tmp_path: Path) -> None:
    queue = Queue(tmp_path)
    queue.post(jobs(1))

    def lost(job: Job) -> dict:
        raise InputError("The card was lost.")

    with pytest.raises(InputError, match="The card was lost"):
        worked(queue, lost, alive=lambda: False)
    state = queue.state()
    assert (state.waiting, state.running, state.failed) == (("gap 0 mm",), (), ())
    assert worked(queue, lost, alive=lambda: True) == [("gap 0 mm", "failed")]


def test_a_job_taken_over_between_slices_is_let_go_and_the_next_one_is_run(tmp_path: Path) -> None:
    mine, other = Queue(tmp_path, stale_s=0.01), Queue(tmp_path, stale_s=0.01)
    mine.post(jobs(1))
    work = mine.work(at_once(lambda job: {"by": "mine"}))
    next(work)
    time.sleep(0.05)
    taken = claimed(other)
    mine.post(jobs(2))
    ended = (step for step in work if step.ended)
    assert [next(ended) for _ in range(2)] == [Step("gap 0 mm", None, "lost"), Step("gap 1 mm", None, "done")]
    work.close()
    assert taken.held
    taken.finish({"by": "other"})
    assert [one.result["by"] for one in mine.results()] == ["other", "mine"]


def test_who_waits_steps_on_without_a_name_and_takes_over_what_goes_stale(tmp_path: Path) -> None:
    queue, other = Queue(tmp_path, stale_s=10.0), Queue(tmp_path, stale_s=10.0)
    queue.post(jobs(1))
    claimed(other)
    assert worked(queue) == []
    work = queue.work(at_once(lambda job: {}), wait_s=0.01)
    assert [next(work) for _ in range(3)] == [Step("")] * 3
    age(queue, 20.0)
    assert [step.ended for step in work if step.name] == ["", "", "done"]
    assert len(queue.results()) == 1


def test_files_are_plain_json(tmp_path: Path) -> None:
    """What a render farm would read: ASCII, one object a file."""
    queue = Queue(tmp_path)
    queue.post([Job("Lücke 5 mm", {"gap_m": 0.005})])
    (path,) = (tmp_path / "waiting").iterdir()
    assert json.loads(path.read_text("ascii")) == {"name": "Lücke 5 mm", "what": {"gap_m": 0.005}, "attempts": 0}


def test_what_vanished_workers_leave_is_swept_up_in_the_end(tmp_path: Path) -> None:
    queue = Queue(tmp_path, stale_s=10.0)
    queue.post(jobs(2))
    claim, _vanished = claimed(queue), claimed(Queue(tmp_path, stale_s=10.0))
    left = [tmp_path / "beats" / "job-0~gone~1", tmp_path / "results" / "job.json.gone.part"]
    for path in left:
        path.write_text("")
    other = Queue(tmp_path, stale_s=10.0)
    assert other.claim() is None
    assert all(path.exists() for path in left)
    for path in left:
        os.utime(path, (0.0, 0.0))
    assert other.claim() is None
    assert not any(path.exists() for path in left)
    assert claim.held
    assert len(list((tmp_path / "beats").iterdir())) == 2


class Life(RuleBasedStateMachine):
    """Workers that come, go, vanish and wake up again in any order: every job ends, and none is held by two."""

    def __init__(self) -> None:
        super().__init__()
        import tempfile

        self.place = tempfile.TemporaryDirectory()
        self.queue = Queue(self.place.name, stale_s=1000.0)
        self.workers = [Queue(self.place.name, stale_s=1000.0) for _ in range(3)]
        self.claims: list = []
        self.names: set[str] = set()

    @rule(number=st.integers(0, 4))
    def post(self, number: int) -> None:
        self.queue.post([jobs(5)[number]])
        self.names.add(jobs(5)[number].name)

    @rule(who=st.integers(0, 2))
    def claim(self, who: int) -> None:
        if claim := self.workers[who].claim():
            assert all(one.job.key != claim.job.key or not one.held for one in self.claims)
            self.claims.append(claim)

    @rule(which=st.integers(0, 9), how=st.sampled_from(["finish", "fail", "give back", "vanish"]))
    def end(self, which: int, how: str) -> None:
        if self.claims:
            claim = self.claims.pop(which % len(self.claims))
            if how == "finish":
                claim.finish({})
            elif how == "fail":
                claim.fail("no")
            elif how == "give back":
                claim.give_back()

    @rule()
    def sleep(self) -> None:
        age(self.queue, 2000.0)

    @rule()
    def retry(self) -> None:
        self.queue.retry()

    @invariant()
    def none_is_lost(self) -> None:
        state = self.queue.state()
        seen = [*state.waiting, *(n for n, _ in state.running), *state.done, *(n for n, _ in state.failed)]
        assert sorted(seen) == sorted(self.names)
        assert len([c for c in self.claims if c.held]) <= len(self.names)

    def teardown(self) -> None:
        self.sleep()
        worked(self.queue)
        assert self.queue.state().open == 0
        self.place.cleanup()


def test_workers_in_any_order() -> None:
    run_state_machine_as_test(Life, settings=settings(max_examples=40, stateful_step_count=20, deadline=None))


def test_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be written to"):
        Queue(tmp_path / "file" / "q")
    for stale in (0.0, -1.0, float("nan")):
        with pytest.raises(InputError, match="heartbeat"):
            Queue(tmp_path, stale_s=stale)
    for bad in ({"x": float("inf")}, {"x": object()}, {"x": {1, 2}}):
        with pytest.raises(InputError, match="JSON"):
            Queue(tmp_path).post([Job("a", bad)])
    with pytest.raises(InputError, match="holds no results"):
        Queue(tmp_path).merge(tmp_path / "nowhere")
