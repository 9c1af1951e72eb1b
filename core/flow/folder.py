"""Flow jobs in a folder that processes and machines may share: posted, worked off, taken in and merged.

The folder is a ``queue.Queue`` with three more parts. ``geometry`` holds arrays, each in a file named by the digest of
its content, so that a body scan lies there once for any number of jobs; ``runs`` what ``store`` writes; ``sweeps``
which jobs make up a row. A worker needs the folder only, and every file is whole or not there.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import re
import threading
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from .job import FlowJob, packed, unpacked
from .pilot import Maker, Pilot, Progress
from .queue import Beat, Finished, Job, Queue, Step
from .result import FlowRun, from_record, to_record
from .rows import Row
from .store import store, stored
from .whole import PART, put

FORM = 1
"""Number of the form in which a job lies in the queue."""
SLICE_S = 1.0
"""How long a worker computes between two signs of life."""
SWEEPS = "sweeps"
_GEOMETRY, _RUNS = "geometry", "runs"


def post(folder: str | Path, jobs: Iterable[FlowJob], states: Mapping[str, str] | None = None) -> int:
    """Put jobs into the folder; how many are new. One that waits, runs, is done or has failed stays as it is.

    Args:
        folder: is made where it is missing.
        jobs: to run.
        states: by variant, a text that the answer's ``rests_on`` has after the job's digest and a space, so that who
            posted can tell later what the answer is of.

    Raises:
        InputError: a folder that cannot be written to.
    """
    queue = Queue(folder)
    with _told(queue.folder):
        written: set[str] = set()
        return queue.post([_queued(queue.folder, job, states or {}, written) for job in jobs])


def post_row(folder: str | Path, of: Row, states: Mapping[str, str] | None = None) -> int:
    """Put a row's jobs into the folder like ``post``, and what they make up together; how many are new.

    Raises:
        InputError: a folder that cannot be written to.
    """
    queue = Queue(folder)
    with _told(queue.folder):
        written: set[str] = set()
        jobs = [_queued(queue.folder, job, states or {}, written) for job in of.jobs]
        content = {
            "form": FORM,
            "what": of.what,
            "variant": of.variant,
            "element": of.element,
            "other": of.other,
            "case": of.case,
            "walls": of.jobs[0].walls,
            "elements": list(of.jobs[0].elements),
            "values": list(of.values),
            "keys": [job.key for job in jobs],
        }
        data = json.dumps(content, sort_keys=True).encode()
        put(queue.folder / SWEEPS / f"{hashlib.sha256(data).hexdigest()[:20]}.json", data)
        return queue.post(jobs)


def read_job(queued: Job, folder: str | Path) -> FlowJob:
    """What a worker has to run.

    Raises:
        InputError: a job of a later form or none at all, or geometry that is missing or not what was posted.
    """
    form, record, names = (queued.what.get(key) for key in ("form", "record", "arrays"))
    if type(form) is not int or not 1 <= form <= FORM or not isinstance(record, dict) or not isinstance(names, dict):
        raise InputError(f"“{queued.name}” is no flow run that this version knows; post it again.")
    arrays = {str(key): _read_array(Path(folder) / _GEOMETRY, str(name), queued.name) for key, name in names.items()}
    return unpacked(record, arrays)


def running(
    queued: Job, folder: str | Path, maker: Maker, beat: Beat, slice_s: float = SLICE_S
) -> Generator[Progress | None, None, dict[str, Any]]:
    """Run a job in slices: how far it is after each (None while it is made ready); the result at the end.

    Args:
        queued: as taken from the queue.
        folder: of the queue.
        maker: of what computes.
        beat: called between slices; what it raises ends the run.
        slice_s: seconds a slice takes about.

    Raises:
        InputError: the job cannot be read or run, or the run blew up.
    """
    pilot = Pilot(read_job(queued, folder))
    ready, problem = threading.Event(), list[BaseException]()

    def prepare() -> None:
        try:
            pilot.prepare()
        except BaseException as error:
            problem.append(error)
        ready.set()

    # A large scan takes longer to make ready than a worker may stay silent.
    threading.Thread(target=prepare, daemon=True).start()
    while not ready.wait(min(slice_s, 0.2)):
        beat()
        yield None
    if problem:
        raise problem[0]
    pilot.begin(maker)
    done = False
    while not done:
        beat()
        progress = pilot.go(slice_s)
        done = progress.done
        yield progress
    beat()
    run = pilot.answer()
    if state := queued.what.get("state"):
        run = replace(run, rests_on=f"{run.rests_on} {state}")
    mean = pilot.mean_slice()
    beat()
    surface = pilot.surface()
    beat()
    path = store(Path(folder) / _RUNS, run, mean, surface)
    return {"run": to_record(run), "file": path.name}


def working(
    queue: Queue,
    maker: Maker,
    *,
    wait_s: float | None = None,
    slice_s: float = SLICE_S,
    alive: Callable[[], bool] = lambda: True,
) -> Generator[Step[Progress], None, None]:
    """Work a folder's flow jobs off in slices of ``slice_s`` seconds with what ``maker`` makes; all else, errors
    included, as ``Queue.work``."""
    return queue.work(
        lambda queued, beat: running(queued, queue.folder, maker, beat, slice_s), wait_s=wait_s, alive=alive
    )


@dataclass(frozen=True)
class FlowRuns:
    """What a folder holds.

    Attributes:
        runs: of each job the newest.
        unreadable: names of jobs with a result that this version cannot read.
    """

    runs: tuple[FlowRun, ...]
    unreadable: tuple[str, ...]


def finished(folder: str | Path) -> FlowRuns:
    """The runs that are done, in the order in which they ended.

    Raises:
        InputError: a folder that cannot be written to.
    """
    found, unreadable = _finished(Queue(folder))
    return FlowRuns(tuple(run for _, run in found), unreadable)


def _finished(queue: Queue) -> tuple[list[tuple[Finished, FlowRun]], tuple[str, ...]]:
    found: list[tuple[Finished, FlowRun]] = []
    unreadable: list[str] = []
    for one in sorted(newest(queue).values(), key=lambda one: one.time_s):
        try:
            found.append((one, from_record(one.result.get("run"))))
        except InputError:
            unreadable.append(one.job.name)
    return found, tuple(unreadable)


@dataclass(frozen=True)
class TakenIn:
    """Attributes: new: runs that were put there; known: that were there already, or a longer one of the same question;
    unreadable: names of those left out."""

    new: int
    known: int
    unreadable: tuple[str, ...]


def take_in(folder: str | Path, beside: str | Path) -> TakenIn:
    """Put the finished runs with their fields among those beside the file; of two answers to one question the longer
    run stays.

    Raises:
        InputError: a folder that cannot be written to.
    """
    (found, unreadable), target = _finished(Queue(folder)), Path(beside)
    there = {run.question: run for run in stored(target, every=True)[0]}
    new = 0
    with _told(target):
        for one, run in found:
            own = there.get(run.question)
            if own is None or (_text(own) != _text(run) and _counted(own) < _counted(run)):
                _copy(Path(folder) / _RUNS / Path(str(one.result.get("file", ""))).name, target, run)
                there[run.question] = run
                new += 1
    return TakenIn(new, len(found) - new, unreadable)


def _copy(path: Path, target: Path, run: FlowRun) -> None:
    """Both files of a run as they are, so that it stays as old as it is; its numbers alone where they are not its."""
    try:
        record = path.read_bytes()
        same = _text(from_record(json.loads(record))) == _text(run)
    except (OSError, ValueError):
        same = False
    if not same:
        store(target, run, None, {})
        return
    fields = path.with_suffix(".npz")
    if fields.exists():
        put(target / fields.name, fields.read_bytes())
    put(target / path.name, record)


def _counted(run: FlowRun) -> int:
    """Steps that its means are made of."""
    return run.steps - run.steps_left_out


def merge(folder: str | Path, other: str | Path) -> int:
    """Take over what another folder holds and this one does not: results with their runs, rows and geometry.

    Both stay good queues: a job whose result came in is not run again. How many results were new.

    Raises:
        InputError: the other is no queue's folder, or this one cannot be written to.
    """
    queue, origin = Queue(folder), Path(other)
    if not (origin / "results").is_dir():
        raise InputError(f"“{other}” holds no results of a queue; choose a queue's folder.")
    with _told(queue.folder):
        # The results last: where one lies, its fields do.
        for part in (_GEOMETRY, _RUNS, SWEEPS):
            for path in sorted((origin / part).glob("*")) if (origin / part).is_dir() else ():
                if path.is_file() and path.suffix != PART and not (queue.folder / part / path.name).exists():
                    put(queue.folder / part / path.name, path.read_bytes())
        return queue.merge(origin)


def newest(queue: Queue) -> dict[str, Finished]:
    """By the key of its job; ``results`` are in the order of time."""
    return {one.job.key: one for one in queue.results()}


def _text(run: FlowRun) -> str:
    """The same for equal runs, numbers that are none included."""
    return json.dumps(to_record(run), sort_keys=True)


# --- files ----------------------------------------------------------------------------------------------------


def _queued(folder: Path, job: FlowJob, states: Mapping[str, str], written: set[str]) -> Job:
    """The job for the queue, its arrays put into the folder; ``written`` names those that need no second look."""
    record, arrays = packed(job)
    names = {key: _write_array(folder / _GEOMETRY, np.asarray(array), written) for key, array in arrays.items()}
    what: dict[str, Any] = {"form": FORM, "record": record, "arrays": names}
    if job.variant in states:
        what["state"] = states[job.variant]
    return Job(job.name, what)


def _write_array(folder: Path, array: NDArray[Any], written: set[str]) -> str:
    array = np.ascontiguousarray(array, array.dtype.newbyteorder("<"))
    name = _array_digest(array)
    path = folder / f"{name}.npz"
    if name not in written:
        if not path.exists() or _sound(path, name) is None:
            data = io.BytesIO()
            np.savez(data, values=array)
            put(path, data.getvalue())
        written.add(name)
    return name


def _read_array(folder: Path, name: str, job: str) -> NDArray[Any]:
    path = folder / f"{name}.npz"
    if not re.fullmatch("[0-9a-f]{32}", name) or not path.exists():
        raise InputError(f"The geometry of “{job}” is not in the folder ({name}.npz is missing); post it again.")
    found = _sound(path, name)
    if found is None:
        raise InputError(f"The geometry file {name}.npz of “{job}” is broken or was changed; post it again.")
    return found


def _sound(path: Path, name: str) -> NDArray[Any] | None:
    """The array of a file, None where it is not what its name says."""
    try:
        with np.load(path, allow_pickle=False) as content:
            found: NDArray[Any] = content["values"]
    except Exception:  # numpy and zipfile raise whatever they like over broken files
        return None
    return found if _array_digest(found) == name else None


def _array_digest(array: NDArray[Any]) -> str:
    head = f"{array.dtype.str} {array.shape} ".encode()
    return hashlib.sha256(head + np.ascontiguousarray(array).tobytes()).hexdigest()[:32]


@contextlib.contextmanager
def _told(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(f"The folder “{folder}” cannot be written to ({reason}); choose another.") from None
