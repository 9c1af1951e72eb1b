"""A queue of jobs that is a plain folder: any number of processes or machines that share it work it off.

One JSON file a job in ``waiting``. Taking a job up is renaming its file into ``running`` under the worker's name, which
only one can do; a heartbeat in ``beats`` tells that it is alive, and whoever finds one too old renames the job to
itself. Results are files of their own, whole or not there, never overwritten. Nothing but create, rename and delete of
files is asked of the folder.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import secrets
import socket
import time
from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, TypeVar

from ..errors import InputError
from .whole import PART, patient, put

Beat = Callable[[], None]
P = TypeVar("P")
"""How far a job is, in the words of what runs it."""

STALE_S = 120.0
"""Age of a heartbeat after which its job may be taken up by another."""
MOST_ATTEMPTS = 3
"""Workers that may vanish over one job before it counts as failed."""
_FOLDERS = ("waiting", "running", "beats", "results", "failed")


class ClaimLost(Exception):
    """Another worker has taken the job up because this one's heartbeat was too old; stop working on it."""


@dataclass(frozen=True)
class Job:
    """Something to run.

    Attributes:
        name: for people, any text.
        what: all that the run needs, as JSON has it. Two jobs are one if name and this are the same.
        attempts: how often it has been taken up before and not been finished.
    """

    name: str
    what: dict[str, Any]
    attempts: int = 0

    @property
    def key(self) -> str:
        """Its file's stem: letters that any file system takes, and a digest of name and content."""
        digest = hashlib.sha256(_canonical([self.name, self.what])).hexdigest()[:20]
        return f"{_plain(self.name) or 'job'}-{digest}"


@dataclass(frozen=True)
class Finished:
    """A result.

    Attributes:
        job: what was run.
        result: as given to ``Claim.finish``.
        worker: who ran it.
        time_s: seconds since 1970 by the worker's clock, for people.
    """

    job: Job
    result: dict[str, Any]
    worker: str
    time_s: float


@dataclass(frozen=True)
class Step(Generic[P]):
    """What a worker has done last.

    Attributes:
        name: of the job it works on; empty while it waits for one.
        progress: how far that is; None where it is not known.
        ended: "done", "failed", or "lost" where another worker has taken it over; empty while it goes on.
        reason: why it has failed.
    """

    name: str
    progress: P | None = None
    ended: str = ""
    reason: str = ""


@dataclass(frozen=True)
class QueueState:
    """What lies in a queue; names in the order of their files.

    Attributes:
        waiting: names of jobs nobody has taken up.
        running: (name, worker) of those taken up.
        done: names of those with a result.
        failed: (name, reason).
        unreadable: files that are none or half of what they should be; they are left alone.
    """

    waiting: tuple[str, ...]
    running: tuple[tuple[str, str], ...]
    done: tuple[str, ...]
    failed: tuple[tuple[str, str], ...]
    unreadable: tuple[str, ...]

    @property
    def open(self) -> int:
        """Jobs that are neither done nor failed."""
        return len(self.waiting) + len(self.running)


class Queue:
    """A queue in a folder, seen by one worker."""

    def __init__(self, folder: str | Path, *, stale_s: float = STALE_S, worker: str | None = None) -> None:
        """
        Args:
            folder: made if it is not there.
            stale_s: see ``STALE_S``; the same for all workers, longer than any stretch without ``Claim.beat``.
            worker: name of this worker, for people; the machine's if not given. Letters drawn by lot are added.

        Raises:
            InputError: a folder that cannot be made or written to, or a time that is not above zero.
        """
        if not stale_s > 0.0:
            raise InputError(f"A heartbeat cannot be too old after {stale_s:g} s; give a time above zero.")
        self.folder = Path(folder)
        self.stale_s = stale_s
        self._taken = 0
        self.worker = f"{_plain(worker or socket.gethostname()) or 'worker'}-{secrets.token_hex(4)}"
        try:
            for part in _FOLDERS:
                (self.folder / part).mkdir(parents=True, exist_ok=True)
            self._now()
        except OSError as error:
            raise InputError(
                f"The queue's folder “{self.folder}” cannot be written to ({error.strerror}); choose another."
            ) from None

    def post(self, jobs: Iterable[Job]) -> int:
        """Add jobs; how many of them are new. One that waits, runs, is done or has failed already is left as it is.

        Raises:
            InputError: a job that JSON cannot hold.
        """
        new = {job.key: replace(job, attempts=0) for job in jobs}
        known = self._keys("waiting") | self._keys("running") | self._keys("results") | self._keys("failed")
        missing = [key for key in new if key not in known]
        for key in missing:
            self._write(self._path("waiting", key), _job_record(new[key]))
        return len(missing)

    def claim(self) -> Claim | None:
        """Take up a job that waits, else one whose worker's heartbeat is too old; None where there is neither."""
        for path in self._files("waiting"):
            if (job := _job_of(_read(path))) and job.key == path.stem and (claim := self._take(path, job)):
                return claim
        running = [path for path in self._files("running") if "~" in path.stem]
        if not running:
            return None
        now = self._now()
        self._sweep(now)
        for path in running:
            if now - self._beaten(path) <= self.stale_s or not (job := _job_of(_read(path))):
                continue
            if claim := self._take(path, replace(job, attempts=job.attempts + 1)):
                if claim.job.attempts >= MOST_ATTEMPTS:
                    claim.fail(f"Taken up {MOST_ATTEMPTS} times, and every time its worker vanished.")
                    continue
                self._write(claim.path, _job_record(claim.job))
                return claim
        return None

    def work(
        self,
        run: Callable[[Job, Beat], Generator[P | None, None, dict[str, Any]]],
        *,
        wait_s: float | None = None,
        alive: Callable[[], bool] = lambda: True,
    ) -> Generator[Step[P], None, None]:
        """Work jobs off one after another, in slices. Closed, or interrupted, it lets the job wait again.

        Args:
            run: given a job and its heartbeat, which it calls now and then, computes a slice between two yields and
                returns the result. Its ``InputError`` fails the job and the next one is taken up; any other exception
                fails the job and ends the work.
            wait_s: look again after so long until no job is open, to take over from workers that vanish; steps without
                a name are yielded meanwhile. None to end when there is nothing to take up.
            alive: whether what computes still does, asked when a job has failed: if not, the job is not to blame.

        Raises:
            InputError: what computes is gone; the job waits again.
        """
        while True:
            claim = self.claim()
            if claim is None:
                if wait_s is None or not self.state().open:
                    return
                until = time.monotonic() + wait_s
                while time.monotonic() < until:
                    yield Step("")
                continue
            name, ended, reason = claim.job.name, "done", ""
            try:
                yield Step(name)
                slices = run(claim.job, claim.beat)
                while True:
                    try:
                        progress = next(slices)
                    except StopIteration as end:
                        claim.finish(end.value)
                        break
                    yield Step(name, progress)
            except ClaimLost:
                ended = "lost"
            except InputError as problem:
                if not alive():
                    claim.give_back()
                    raise
                claim.fail(str(problem))
                ended, reason = "failed", str(problem)
            except Exception as problem:
                claim.fail(f"{type(problem).__name__}: {problem}")
                raise
            except BaseException:
                claim.give_back()
                raise
            yield Step(name, None, ended, reason)

    def state(self) -> QueueState:
        """What lies in the folder now. Read in the order in which jobs move, so that none slips through."""
        unreadable: list[str] = []

        def named(part: str) -> dict[str, tuple[str, dict[str, Any], str]]:
            found = {}
            for path in self._files(part):
                content = _read(path)
                if part == "results":
                    whole = _finished_of(path, content)
                    job = whole.job if whole else None
                else:
                    job = _job_of(content)
                if content is not None and job is not None:
                    found[_key_of(path)] = (job.name, content, path.stem.split("~")[1] if "~" in path.stem else "")
                elif path.exists():  # else it has just been moved on
                    unreadable.append(f"{part}/{path.name}")
            return found

        waiting, running = named("waiting"), named("running")
        done, failed = named("results"), named("failed")
        return QueueState(
            waiting=tuple(v[0] for k, v in waiting.items() if k not in running and k not in done and k not in failed),
            running=tuple((v[0], v[2]) for k, v in running.items() if k not in done and k not in failed),
            done=tuple(v[0] for v in done.values()),
            failed=tuple((v[0], str(v[1].get("reason", ""))) for k, v in failed.items() if k not in done),
            unreadable=tuple(unreadable),
        )

    def results(self) -> tuple[Finished, ...]:
        """All whole results, by name and time. A job that two workers ran has two."""
        found = [done for path in self._files("results") if (done := _finished_of(path, _read(path)))]
        return tuple(sorted(found, key=lambda one: (one.job.name, one.job.key, one.time_s, one.worker)))

    def merge(self, other: str | Path) -> int:
        """Take over the results of another queue's folder that are not here yet; how many there were.

        Raises:
            InputError: a folder that is no queue's.
        """
        folder = Path(other) / "results"
        if not folder.is_dir():
            raise InputError(f"“{other}” holds no results of a queue; choose a queue's folder.")
        count = 0
        for path in sorted(folder.glob("*.json")):
            target = self.folder / "results" / path.name
            if target.exists() and _finished_of(target, _read(target)):
                continue
            if (content := _read(path)) is not None and _finished_of(path, content):
                self._write(target, content)
                count += 1
        return count

    def retry(self) -> int:
        """Let all jobs that failed wait again; how many."""
        count = 0
        for path in self._files("failed"):
            count += _moved(path, self._path("waiting", path.stem))
        return count

    def _take(self, path: Path, job: Job) -> Claim | None:
        """Rename a job's file to this worker; None if another was quicker or its result is there."""
        key = job.key
        # Numbered, so that a claim that has grown old differs from a new one of the same worker.
        self._taken += 1
        claim = Claim(self, job, self._path("running", f"{key}~{self.worker}~{self._taken}"))
        before = self._beat_path(path)
        # The heartbeat comes first: a claim without one would look as old as its job.
        self._beat(claim.path)
        if not _moved(path, claim.path):
            _delete(self._beat_path(claim.path))
            return None
        if path.parent.name == "running":
            _delete(before)
        if any(_finished_of(one, _read(one)) for one in self._files("results", f"{key}.")):
            claim._drop()
            return None
        if any(one != claim.path for one in self._files("running", f"{key}~")):
            # Posted twice in the same moment: whoever runs it already goes on.
            claim.give_back()
            return None
        return claim

    def _sweep(self, now: float) -> None:
        """Delete what workers that vanished have left half-done, once it is old enough to be nobody's."""
        for path in [*(self.folder / "beats").iterdir(), *self.folder.glob(f"*/*{PART}")]:
            try:
                if now - path.stat().st_mtime > 10.0 * self.stale_s and not self._path("running", path.name).exists():
                    path.unlink()
            except OSError:
                continue

    def _path(self, part: str, stem: str) -> Path:
        return self.folder / part / f"{stem}.json"

    def _beat_path(self, claim: Path) -> Path:
        return self.folder / "beats" / claim.stem

    def _files(self, part: str, start: str = "") -> list[Path]:
        return sorted((self.folder / part).glob(f"{start}*.json"))

    def _keys(self, part: str) -> set[str]:
        """Of whole files only where they are results."""
        files = self._files(part)
        if part == "results":
            files = [path for path in files if _finished_of(path, _read(path))]
        return {_key_of(path) for path in files}

    def _beat(self, claim: Path) -> None:
        # Written, not touched: so the folder's own clock tells the time, the same for all machines.
        self._beat_path(claim).write_text(f"{time.time():.3f}", encoding="ascii")

    def _beaten(self, claim: Path) -> float:
        """When, by the folder's clock; a claim without a heartbeat counts from when its job was written."""
        for path in (self._beat_path(claim), claim):
            try:
                return path.stat().st_mtime
            except OSError:
                continue
        return float("inf")

    def _now(self) -> float:
        """By the folder's clock."""
        probe = self.folder / "beats" / f"{self.worker}.now"
        probe.write_text(f"{time.time():.3f}", encoding="ascii")
        now = probe.stat().st_mtime
        _delete(probe)
        return now

    def _write(self, target: Path, record: dict[str, Any]) -> None:
        """Whole or not at all."""
        put(target, _canonical(record))


class Claim:
    """A job taken up by this worker. End it with ``finish``, ``fail`` or ``give_back``.

    Attributes:
        job: what to run.
        path: its file while it is held.
    """

    def __init__(self, queue: Queue, job: Job, path: Path) -> None:
        self.job = job
        self.path = path
        self._queue = queue
        self._beaten = time.monotonic()

    @property
    def held(self) -> bool:
        """Whether the job is still this worker's. A folder that is out of reach takes nothing away."""
        try:
            return self.path.exists() or not self.path.parent.exists()
        except OSError:
            return True

    def beat(self) -> None:
        """Tell that this worker is alive; cheap, so call it often.

        Raises:
            ClaimLost: another worker has the job now.
        """
        if time.monotonic() - self._beaten < 0.1 * self._queue.stale_s:
            return
        if not self.held:
            raise ClaimLost(f"“{self.job.name}” has been taken up by another worker.")
        self._beaten = time.monotonic()
        with contextlib.suppress(OSError):  # out of reach for now; the run goes on
            self._queue._beat(self.path)

    def finish(self, result: dict[str, Any]) -> None:
        """Put the result into the folder and end the claim. Kept even if the claim was lost: it is a result.

        Raises:
            InputError: a result that JSON cannot hold.
        """
        record = {
            "job": _job_record(replace(self.job, attempts=0)),
            "result": result,
            "worker": self._queue.worker,
            "time_s": time.time(),
        }
        self._queue._write(self._queue._path("results", f"{self.job.key}.{_digest(record)}"), record)
        self._drop()

    def fail(self, reason: str) -> None:
        """Set the job aside with the reason; nobody takes it up until ``Queue.retry``."""
        if self.held:
            record = {**_job_record(replace(self.job, attempts=0)), "reason": reason}
            self._queue._write(self._queue._path("failed", self.job.key), record)
            self._drop()

    def give_back(self) -> None:
        """Let the job wait again."""
        with contextlib.suppress(FileNotFoundError):  # then it is another's already
            patient(lambda: os.replace(self.path, self._queue._path("waiting", self.job.key)))
        _delete(self._queue._beat_path(self.path))

    def _drop(self) -> None:
        _delete(self.path)
        _delete(self._queue._beat_path(self.path))


def _plain(name: str) -> str:
    """Letters and digits that any file system takes, at most 40."""
    return re.sub("[^A-Za-z0-9]+", "-", name)[:40].strip("-")


def _key_of(path: Path) -> str:
    """Of a job's file in any of the folders."""
    return re.split("[~.]", path.name, maxsplit=1)[0]


def _canonical(content: Any) -> bytes:
    try:
        return json.dumps(content, sort_keys=True, allow_nan=False).encode("ascii")
    except (TypeError, ValueError) as error:
        raise InputError(f"A job or result holds what JSON cannot ({error}); give texts, numbers and lists.") from None


def _digest(record: dict[str, Any]) -> str:
    return hashlib.sha256(_canonical(record)).hexdigest()[:16]


def _job_record(job: Job) -> dict[str, Any]:
    return {"name": job.name, "what": job.what, "attempts": job.attempts}


def _read(path: Path) -> dict[str, Any] | None:
    """None where it is gone, half-written or no record."""
    try:
        content = json.loads(path.read_bytes())
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) else None


def _job_of(content: dict[str, Any] | None) -> Job | None:
    if content is None:
        return None
    name, what, attempts = content.get("name"), content.get("what"), content.get("attempts", 0)
    if isinstance(name, str) and isinstance(what, dict) and type(attempts) is int:
        return Job(name, what, attempts)
    return None


def _finished_of(path: Path, content: dict[str, Any] | None) -> Finished | None:
    """None unless it is whole: its name holds a digest of its content."""
    if content is None or path.name.split(".")[1:] != [_digest(content), "json"]:
        return None
    held = content.get("job")
    job, result = _job_of(held if isinstance(held, dict) else None), content.get("result")
    if job is None or not isinstance(result, dict) or job.key != _key_of(path):
        return None
    return Finished(job, result, str(content.get("worker", "")), float(content.get("time_s", 0.0)))


def _moved(source: Path, target: Path) -> bool:
    """Whether this call moved the file; False if another was quicker or holds it open."""
    try:
        os.replace(source, target)
    except (FileNotFoundError, PermissionError):
        # A network folder may have moved it and lost the answer on the way.
        return target.exists() and not source.exists()
    return True


def _delete(path: Path) -> None:
    """What cannot be deleted is told by its age or its result later on."""
    with contextlib.suppress(OSError):
        patient(lambda: path.unlink(missing_ok=True))
