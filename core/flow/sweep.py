"""Runs in a row: lists of flow jobs, and their way through a folder that processes and machines may share.

The folder is a ``queue.Queue`` with three more parts. ``geometry`` holds arrays, each in a file named by the digest of
its content, so that a body scan lies there once for any number of jobs; ``runs`` what ``store`` writes; ``sweeps``
which jobs make up a row. A worker needs the folder only, and every file is whole or not there.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import math
import os
import re
import secrets
import threading
import time
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..assembly.assembly import Assembly, changed
from ..elements.element import Element, moved
from ..errors import InputError
from ..geometry.mesh import TriMesh
from ..units import to_degrees, to_mm
from .job import FlowJob, RunWishes, flow_job, mid_span_contour, packed, unpacked
from .pilot import Maker, Pilot, Progress
from .plan import TOUCHING_M, plane_gap
from .queue import ClaimLost, Finished, Job, Queue
from .result import FlowRun, from_record, to_record
from .store import store, stored

Floats = NDArray[np.float64]
Mounts = Sequence[tuple[str, TriMesh]]
Beat = Callable[[], None]

FORM = 1
"""Number of the form in which a job lies in the queue."""
KINDS = ("gap", "stagger", "incidence", "chords")
"""Moved up, moved aft, turned nose up about the quarter-chord line, set to a clear gap over or under another."""
SLICE_S = 1.0
"""How long a worker computes between two signs of life."""
_GEOMETRY, _RUNS, _SWEEPS = "geometry", "runs", "sweeps"
_UNITS: dict[str, tuple[str, Callable[[float], float]]] = {
    "gap": ("mm", to_mm),
    "stagger": ("mm", to_mm),
    "incidence": ("deg", to_degrees),
    "chords": ("chords", float),
}
_SAID = {"gap": "{} mm up", "stagger": "{} mm aft", "incidence": "{} deg nose up"}
_ALONG = 400  # places along two chords at which their sections may touch
_NEAR_M = 1e-6  # to which a gap is met


@dataclass(frozen=True)
class Conditions:
    """What all jobs of a list have in common.

    Attributes:
        form: "mid-span" or "full", for elements alone and in the group; on the car it is always full.
        body: the scan in vehicle axes, None without a car.
        speed_m_s, density_kg_m3, viscosity_m2_s: of the wind; the viscosity is the kinematic one.
        wishes: cells, room and time.
    """

    form: str
    body: TriMesh | None
    speed_m_s: float
    density_kg_m3: float
    viscosity_m2_s: float
    wishes: RunWishes

    def job(self, assembly: Assembly, mounts: Mounts, case: str, element: str = "") -> FlowJob:
        """One job.

        Raises:
            InputError: see ``flow_job``.
        """
        on_car = case == "on car"
        return flow_job(
            assembly,
            mounts,
            self.body if on_car else None,
            case,
            "full" if on_car else self.form,
            element,
            self.speed_m_s,
            self.density_kg_m3,
            self.viscosity_m2_s,
            self.wishes,
        )


def every_case(
    variants: Iterable[tuple[Assembly, Mounts]],
    conditions: Conditions,
    cases: Sequence[str] = ("alone", "group", "on car"),
) -> tuple[FlowJob, ...]:
    """The jobs of the cases asked for: each element alone, all together where there are two or more, on the car.

    Args:
        variants: each with its mounts.
        conditions: of all.
        cases: of "alone", "group" and "on car"; the last is left out where there is no body.

    Raises:
        InputError: nothing to run, or see ``flow_job``.
    """
    jobs: list[FlowJob] = []
    for assembly, mounts in variants:
        if "alone" in cases:
            jobs += [conditions.job(assembly, mounts, "alone", e.name) for e in assembly.elements]
        if "group" in cases and len(assembly.elements) > 1:
            jobs.append(conditions.job(assembly, mounts, "group"))
        if "on car" in cases and conditions.body is not None:
            jobs.append(conditions.job(assembly, mounts, "on car"))
    if not jobs:
        raise InputError("There is nothing to run: choose a variant with elements, and a case that it has.")
    return tuple(jobs)


@dataclass(frozen=True)
class Row:
    """Jobs that differ by one number.

    Attributes:
        what: one of ``KINDS``.
        variant, element, other, case: which element of which variant, for "chords" over or under which other one.
        values: m up, m aft, rad nose up from today's place; for "chords" the clear gap in chords.
        jobs: one a value.
    """

    what: str
    variant: str
    element: str
    other: str
    case: str
    values: tuple[float, ...]
    jobs: tuple[FlowJob, ...]


def row(
    assembly: Assembly,
    mounts: Mounts,
    conditions: Conditions,
    what: str,
    element: str,
    values: Iterable[float],
    *,
    case: str = "group",
    other: str = "",
) -> Row:
    """A sweep of one element around its place; the others, the mounts and the body stay.

    Args:
        assembly, mounts: as they are today.
        conditions: of all jobs.
        what: one of ``KINDS``.
        element: the one that is moved or turned.
        values: as in ``Row.values``, in any order.
        case: of the jobs.
        other: for "chords", the element to which the gap is measured.

    Raises:
        InputError: an unknown kind or element, no values or such that are no numbers, a pair that does not face each
            other, or a job that cannot be made, with the value at which.
    """
    if what not in KINDS:
        raise InputError(f"There is no row of runs over “{what}”; choose one of {', '.join(KINDS)}.")
    tried = sorted({float(v) for v in values})
    if not tried or not all(map(math.isfinite, tried)):
        raise InputError("A row of runs needs values, each a number; give at least one.")
    assembly.element(element)
    jobs = []
    for value in tried:
        move = (
            _move_for_gap(assembly, element, other, value)
            if what == "chords"
            else partial(moved, what=what, change=value)
        )
        name = _name(assembly.name, what, element, value)
        try:
            tried_out = changed(assembly, name, element, move) if name != assembly.name else assembly
            if _lowest(tried_out.element(element)) < 0.0 <= _lowest(assembly.element(element)):
                raise InputError(f"“{element}” would reach under the road; give values that keep it above.")
            jobs.append(conditions.job(tried_out, mounts, case, element if case == "alone" else ""))
        except InputError as problem:
            raise InputError(f"No run can be made of “{name}”: {problem}") from None
    return Row(what, assembly.name, element, other, case, tuple(tried), tuple(jobs))


def gaps(low: float, high: float, count: int) -> tuple[float, ...]:
    """``count`` gaps in chords from ``low`` to ``high``, each the same share wider than the one before.

    Raises:
        InputError: not 0 < low <= high, or fewer than one, or one where they differ.
    """
    if not 0.0 < low <= high < math.inf or count < 1 or (count == 1 and low < high):
        raise InputError(
            f"Gaps cannot go from {low:g} to {high:g} chords in {count} steps; give a low one above zero, a high one "
            "that is not below it, and two steps or more."
        )
    return tuple(float(g) for g in np.geomspace(low, high, count))


def gap_in_chords(assembly: Assembly, element: str, other: str) -> float:
    """The clear way between two elements' sections at mid-span over the longer chord there.

    Raises:
        InputError: an unknown element, or the pair does not face each other.
    """
    chord, one, two = _pair(assembly, element, other)
    return _clear(one, two, 0.0) / chord


def _name(variant: str, what: str, element: str, value: float) -> str:
    """Of the variant with the element moved; the variant's own for no move at all."""
    if what == "chords":
        return f"{variant}, {element} at a gap of {value:.4g} chords"
    said = f"{round(_UNITS[what][1](value), 4) + 0.0:+.6g}".replace("-", "\N{MINUS SIGN}")
    return variant if value == 0.0 else f"{variant}, {element} {_SAID[what].format(said)}"


def _move_for_gap(assembly: Assembly, element: str, other: str, gap: float) -> Callable[[Element], Element]:
    """Straight up or down on the side on which the element is, until the clear way is ``gap`` chords."""
    if not gap > 0.0:
        raise InputError(f"A gap of {gap:g} chords leaves the air no way; give one above zero.")
    chord, one, two = _pair(assembly, element, other)
    asked = gap * chord
    if asked <= TOUCHING_M:
        raise InputError(
            f"A gap of {gap:g} chords is {to_mm(asked):.2g} mm here, and sections within {to_mm(TOUCHING_M):g} mm "
            "count as touching; give a wider one."
        )
    side = 1.0 if _middle(one) > _middle(two) else -1.0
    # Where they would touch, moved straight; from there on the way grows with the lift.
    low = _touching(one, two, side)
    high = low + asked + chord
    while _clear(one, two, side * high) < asked:
        high += asked
    while high - low > _NEAR_M:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _clear(one, two, side * middle) < asked else (low, middle)
    return partial(moved, what="gap", change=side * high)


def _lowest(e: Element) -> float:
    return float(e.surfaces(np.linspace(-1.0, 1.0, 9), np.linspace(0.0, 1.0, 101))[1][..., 2].min())


def _pair(assembly: Assembly, element: str, other: str) -> tuple[float, Floats, Floats]:
    """The longer chord at mid-span and both contours (n, 2) there, x aft and z up, m."""
    if element == other:
        raise InputError(f"The gap of “{element}” is one to another element; choose that.")
    one, two = assembly.element(element), assembly.element(other)
    a, b = mid_span_contour(one), mid_span_contour(two)
    if not max(a[:, 0].min(), b[:, 0].min()) < min(a[:, 0].max(), b[:, 0].max()):
        raise InputError(
            f"“{element}” is neither over nor under “{other}”, so there is no gap to set; move it fore or aft."
        )
    return max(one.station(0.0).chord_m, two.station(0.0).chord_m), a, b


def _middle(contour: Floats) -> float:
    return float(contour[:, 1].min() + contour[:, 1].max())


def _touching(one: Floats, two: Floats, side: float) -> float:
    """How far ``one`` has to be moved up (side 1) until it lies on ``two``, or down (-1) until it hangs from it."""
    left, right = max(one[:, 0].min(), two[:, 0].min()), min(one[:, 0].max(), two[:, 0].max())
    x = np.linspace(left, right, _ALONG)
    return float((_edge(two, x, side) + _edge(one, x, -side)).max())


def _edge(contour: Floats, x: Floats, side: float) -> Floats:
    """Highest z (side 1), or lowest z turned about (-1), of a closed contour at each of ``x``."""
    run = np.roll(contour, -1, axis=0) - contour
    share = (x[:, None] - contour[:, 0]) / np.where(run[:, 0] == 0.0, np.nan, run[:, 0])
    z = np.where((share >= 0.0) & (share <= 1.0), contour[:, 1] + share * run[:, 1], np.nan)
    return np.asarray(np.where(np.isnan(z), -np.inf, side * z).max(axis=1))


def _clear(one: Floats, two: Floats, up: float) -> float:
    """The clear way between two sections with the first moved up, m; 0 where they all but touch."""
    found = plane_gap([("", one + [0.0, up]), ("", two)])[0]
    return found if math.isfinite(found) else 0.0


# --- the folder -----------------------------------------------------------------------------------------------


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
            "elements": list(of.jobs[0].elements),
            "values": list(of.values),
            "keys": [job.key for job in jobs],
        }
        data = json.dumps(content, sort_keys=True).encode()
        _put(queue.folder / _SWEEPS / f"{hashlib.sha256(data).hexdigest()[:20]}.json", data)
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


def run_job(queued: Job, folder: str | Path, maker: Maker, beat: Beat) -> dict[str, Any]:
    """Run a job to its end, see ``running``; what ``Queue.work`` asks for."""
    slices = running(queued, folder, maker, beat)
    while True:
        try:
            next(slices)
        except StopIteration as end:
            return dict(end.value)


@dataclass(frozen=True)
class Step:
    """What a worker has done last.

    Attributes:
        name: of the job it works on; empty while it waits for one.
        progress: how far that is; None where it is not known.
        ended: "done", "failed", or "lost" where another worker has taken it over; empty while it goes on.
        reason: why it has failed.
    """

    name: str
    progress: Progress | None = None
    ended: str = ""
    reason: str = ""


def working(
    queue: Queue,
    maker: Maker,
    *,
    wait_s: float | None = None,
    slice_s: float = SLICE_S,
    alive: Callable[[], bool] = lambda: True,
) -> Generator[Step, None, None]:
    """Work a folder off in slices. Closed, or interrupted, it lets the job wait again.

    Args:
        queue: of the folder.
        maker: of what computes.
        wait_s: look again after so long until no job is open, to take over from workers that vanish; steps without a
            name are yielded meanwhile. None to end when there is nothing to take up.
        slice_s: seconds a slice takes about.
        alive: whether what computes still does, asked when a job has failed: if not, the job is not to blame.

    Raises:
        InputError: what computes is gone; the job waits again.
    """
    while True:
        claim = queue.claim()
        if claim is None:
            if wait_s is None or not queue.state().open:
                return
            until = time.monotonic() + wait_s
            while time.monotonic() < until:
                yield Step("")
            continue
        name, ended, reason = claim.job.name, "done", ""
        try:
            yield Step(name)
            slices = running(claim.job, queue.folder, maker, claim.beat, slice_s)
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
    for one in sorted(_newest(queue).values(), key=lambda one: one.time_s):
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
    there = {_question(run): run for run in stored(target, every=True)[0]}
    new = 0
    with _told(target):
        for one, run in found:
            own = there.get(_question(run))
            if own is None or (_text(own) != _text(run) and _counted(own) < _counted(run)):
                _copy(Path(folder) / _RUNS / Path(str(one.result.get("file", ""))).name, target, run)
                there[_question(run)] = run
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
        _put(target / fields.name, fields.read_bytes())
    _put(target / path.name, record)


def _question(run: FlowRun) -> tuple[str, ...]:
    return run.variant, run.case, run.form, run.element, run.rests_on


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
        for part in (_GEOMETRY, _RUNS, _SWEEPS):
            for path in sorted((origin / part).glob("*")) if (origin / part).is_dir() else ():
                if path.is_file() and path.suffix != ".part" and not (queue.folder / part / path.name).exists():
                    _put(queue.folder / part / path.name, path.read_bytes())
        return queue.merge(origin)


# --- tables ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Force:
    """A lift in N, positive up: value and half of its interval; low and high with what the Reynolds number adds."""

    value: float
    half_width: float
    low: float
    high: float

    def __str__(self) -> str:
        width = f" ± {self.half_width:.3g}" if math.isfinite(self.half_width) else " (interval not known)"
        return f"{self.value:+.4g}{width}".replace("-", "\N{MINUS SIGN}")


@dataclass(frozen=True)
class TableRow:
    """Attributes: value: in the table's unit; forces: one a column, none where not done; note: why, or warnings."""

    value: float
    forces: tuple[Force, ...]
    note: str


@dataclass(frozen=True)
class Table:
    """A row of runs as it stands.

    Attributes:
        title: what is swept.
        unit: of the values.
        columns: elements, and "all" where there are several.
        rows: one a value, rising.
    """

    title: str
    unit: str
    columns: tuple[str, ...]
    rows: tuple[TableRow, ...]

    def texts(self) -> tuple[tuple[str, ...], ...]:
        """Heading and rows for a report; the last column has the notes."""
        lines = [(self.unit, *(f"{name} (N)" for name in self.columns), "")]
        for one in self.rows:
            forces = [str(force) for force in one.forces] or [""] * len(self.columns)
            lines.append((f"{one.value:.4g}".replace("-", "\N{MINUS SIGN}"), *forces, one.note))
        return tuple(lines)


def tables(folder: str | Path) -> tuple[Table, ...]:
    """A table of each row that was posted, by title; values that are not done say why.

    Raises:
        InputError: a folder that cannot be written to.
    """
    queue = Queue(folder)
    done, state = _newest(queue), _states(queue)
    found = []
    for path in sorted((queue.folder / _SWEEPS).glob("*.json")):
        try:
            found.append(_table(json.loads(path.read_bytes()), done, state))
        except (OSError, ValueError, KeyError, TypeError):  # half copied, or of a later form
            continue
    return tuple(sorted(found, key=lambda one: one.title))


def _table(content: dict[str, Any], done: dict[str, Finished], state: dict[str, str]) -> Table:
    what, elements = str(content["what"]), tuple(str(name) for name in content["elements"])
    unit, convert = _UNITS[what]
    rows = []
    for value, key in zip(content["values"], content["keys"], strict=True):
        forces: tuple[Force, ...] = ()
        note = state.get(key, "gone")
        if key in done:
            try:
                run = from_record(done[key].result.get("run"))
                names = [*elements, *([None] if len(elements) > 1 else [])]
                forces, note = tuple(_force(run, name) for name in names), " ".join(run.warnings)
            except InputError as problem:
                note = str(problem)
        rows.append(TableRow(convert(float(value)), forces, note))
    over = {
        "gap": "moved up",
        "stagger": "moved aft",
        "incidence": "turned nose up",
        "chords": f"at a gap to “{content['other']}”",
    }[what]
    where = {"alone": "alone", "group": "all together", "on car": "on the car"}[str(content["case"])]
    title = f"“{content['variant']}”: “{content['element']}” {over}, {where}"
    return Table(title, unit, elements if len(elements) == 1 else (*elements, "all"), tuple(rows))


def _force(run: FlowRun, name: str | None) -> Force:
    one = run.total if name is None else run.part(name)
    return Force(float(one.force_n[2]), float(one.half_width_n[2]), *run.lift_band(name)[1:])


def _text(run: FlowRun) -> str:
    """The same for equal runs, numbers that are none included."""
    return json.dumps(to_record(run), sort_keys=True)


def _newest(queue: Queue) -> dict[str, Finished]:
    """By the key of its job; ``results`` are in the order of time."""
    return {one.job.key: one for one in queue.results()}


def _states(queue: Queue) -> dict[str, str]:
    """In words, by the key of the job."""
    found = {}
    for part, word in (("failed", "failed"), ("waiting", "waiting"), ("running", "running")):
        for path in (queue.folder / part).glob("*.json"):
            found[re.split("[~.]", path.name, maxsplit=1)[0]] = word
    return found


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
            _put(path, data.getvalue())
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


def _put(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    with part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    os.replace(part, path)
