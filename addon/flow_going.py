"""The flow run that goes on: what it is of, its pieces beside the open window, and how it ends."""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from typing import Any, Literal, cast

import bpy

from ..core.errors import InputError
from ..core.flow.job import FlowJob, RunWishes, flow_job
from ..core.flow.pilot import Engine, Forecast, Pilot
from ..core.flow.result import ENDINGS, WALLS, FlowRun, PartFlow
from ..core.flow.slices import FlowSlice, picture
from ..core.geometry.mesh import TriMesh
from . import answers, bridge, lift, live, settings
from .flow_kept import ASKED, Kept, Key, hold, keep_beside, keys_now, stamped, state_of
from .graphics import Card, Run
from .operator import aside
from .variants import active

SLICE_S = 0.04
"""How long the card computes before Blender has its turn: the view keeps some twenty pictures a second."""
LOOK_S = 1.0
"""Between two looks at a run that goes on: picture, forces, panel."""
LOOK_SHARE = 0.1
"""Looking takes no more of the time than this, however slow it is."""
FRAMES, FRAMES_A_CHORD, FRAME_PX = 48, 4.0, 360
"""Of the clip: the most of them, how many while the wind blows over a chord, and cells across."""
FORMS = {"mid-span": "mid-span", "full": "full form"}
CASES = {"alone": "alone", "group": "together", "on car": "on the car"}
What = Literal["speed", "pressure"]


@dataclass(frozen=True, eq=False)
class Ahead:
    """What was found by looking ahead at the first of ``keys``; ``Start`` goes on from there while nothing has
    changed."""

    variant: str
    state: str
    wishes: RunWishes
    keys: tuple[Key, ...]
    pilot: Pilot
    forecast: Forecast
    steps_per_s: float


aheads: dict[int, Ahead] = answers.of_file({})
_going: list[Going] = []
why_ended: list[str] = [""]
"""Why the last run ended, for the panel."""
cards: list[Card] = []


def card() -> Card:
    """The graphics card.

    Raises:
        InputError: there is none to compute on.
    """
    if not cards:
        cards.append(Card())
    return cards[0]


class _OnCard(Run):
    share_of_limit = None  # type: ignore[assignment]  # measuring it takes seconds, and the panel does not tell it

    def upload(self, grid: Any) -> None:
        """Building the shaders is no step's time: else a run that has just begun seems slow, and goes on in crumbs."""
        super().upload(grid)
        self.advance(self._every)
        begun = self.seconds
        self.advance(self._every)
        self.seconds = 2.0 * (self.seconds - begun)


def engine(setup: Any, every: int) -> Engine:
    return cast(Engine, _OnCard(card(), setup, every))


def going() -> Going | None:
    """The run that goes on."""
    return _going[0] if _going else None


# --- what is run


def wishes(job: settings.SceneSettings) -> RunWishes:
    """What the panel asks of a run, the walls aside."""
    return RunWishes(
        cells_on_chord=float(job.flow_cells) if job.flow_cells else None,
        cells_in_gap=float(job.flow_gap_cells),
        time_s=60.0 * job.flow_minutes,
        share=0.01 * job.flow_interval,
        half_model=job.flow_half and job.flow_form == "full",
    )


def mounts_of(variant: settings.VariantItem) -> list[tuple[str, TriMesh]]:
    """Names and meshes of the variant's mounts, vehicle axes."""
    return [
        (part.name, part.mesh if pose is None else part.mesh.transformed(pose))
        for obj, part, pose in answers.parts(variant)
        if obj.wingfettle.role == "MOUNT"
    ]


def jobs_now(scene: bpy.types.Scene, variant: settings.VariantItem) -> tuple[FlowJob, ...]:
    """The runs that the panel asks for, of the scene as it is now: one for each of ``keys_now``.

    Raises:
        InputError: see ``flow_job``; or the parts or the body cannot be measured.
    """
    job, air = scene.wingfettle, lift.air_now(scene.wingfettle)
    assembly = answers.assembly(variant)
    mounts = mounts_of(variant) if assembly.elements else []
    body = answers.body(scene) if job.flow_case == "on car" and job.body is not None else None
    first = flow_job(
        assembly, mounts, body, job.flow_case, job.flow_form, job.flow_element, lift.speed_of(job),
        air.density_kg_m3, air.viscosity_m2_s, wishes(job),
    )  # fmt: skip
    return tuple(replace(first, wall_function=walls) for walls in ASKED[job.flow_walls])


# --- a run from grid to answer


class Going:
    """A run that goes on, or two in turn. It holds arrays and names, nothing of Blender's data, so that the scene may
    change.

    Attributes:
        ticket: of the scene as it was at the start.
        key: which run it is at.
        job: what is run now.
        turn: how many have begun, of ``turns``.
        what: what frames and slice show.
        share, said: how far all is, and what the run says that it is at.
        interim: forces so far; None where too little was run.
        shown: the slice as it was last looked at.
        frames: of the clip.
        paused, stopped: what the user asked for.
        pictures: names of objects that show it as it went on.
    """

    def __init__(
        self, ticket: answers.Ticket, asked: Sequence[tuple[Key, FlowJob]], what: What, ready: Pilot | None
    ) -> None:
        self.ticket, self.what, self.turns = ticket, what, len(asked)
        self.paused = self.stopped = False
        self.pictures: list[str] = []
        self._begin(1, *asked[0], ready)
        self._course = self._in_turn(asked, ready is None)

    def _begin(self, turn: int, key: Key, job: FlowJob, ready: Pilot | None) -> None:
        self.turn, self.key, self.job = turn, key, job
        self.pilot = ready if ready is not None else Pilot(job)
        self.share, self.said, self.left_s = (turn - 1) / self.turns, "Making the grid", math.nan
        self.interim: FlowRun | None = None
        self.shown: FlowSlice | None = None
        self.frames: deque[Any] = deque(maxlen=FRAMES)
        self._looked, self._look_took = -math.inf, 0.0
        self._next_frame = self._frame_every = 0.0

    @property
    def which(self) -> str:
        """What the air does at the walls in the run that it is at, and which of how many that is."""
        of = f", {self.turn} of {self.turns}" if self.turns > 1 else ""
        return f"{WALLS[self.key[4]]}{of}"

    def piece(self) -> float:
        """Do one piece; s to wait before the next one. Raises StopIteration, with a sentence, at the end."""
        return next(self._course)

    def close(self) -> None:
        """Let everything go."""
        self._course.close()

    def _in_turn(self, asked: Sequence[tuple[Key, FlowJob]], fresh: bool) -> Generator[float, None, str]:
        """One after the other; one that fails does not keep the next from being run."""
        ends, failed, said = list[str](), list[str](), list[str]()
        for turn, (key, job) in enumerate(asked, 1):
            if turn > 1:
                self._begin(turn, key, job, None)
            try:
                ends.append((yield from self._go(turn > 1 or fresh)))
                said.append(self.said)
            except InputError as problem:
                failed.append(str(problem) if self.turns == 1 else f"Where the {WALLS[key[4]]}: {problem}")
            if self.stopped and turn < self.turns:
                ends.append(f"That where the {WALLS[asked[turn][0][4]]} was not begun.")
                break
        if not said:
            raise InputError(" ".join(failed))
        self.said = " ".join((*said, *failed))
        return " ".join((*ends, *failed))

    def _go(self, fresh: bool) -> Generator[float, None, str]:
        if fresh:
            for _ in aside(lambda tick: self.pilot.prepare(), low=0.0, high=1.0):
                yield 0.0
                if self.stopped:
                    raise InputError("The flow run was stopped before its grid was made; nothing is kept.")
            self.said = "Filling the card"
            yield 0.05
            self.pilot.begin(engine)
        self.said = "Getting under way"
        self._frame_every = self.pilot.scale.steps_over(self.job.chord_m) / FRAMES_A_CHORD
        done = False
        while not done and not self.stopped:
            if self.paused:
                yield 0.2
                continue
            progress = self.pilot.go(SLICE_S)
            self.said, done = progress.sentence, progress.done
            self.share = (self.turn - 1 + progress.share) / self.turns
            # The next one takes about as long.
            more = (self.turns - self.turn) * (progress.time_s + progress.seconds_left)
            self.left_s = progress.seconds_left + more
            self._look(progress.steps, progress.steps / max(progress.time_s, 1e-9))
            yield 0.0
        if not done:
            self.pilot.stop()
        self.said = "Gathering the mean flow"
        return self._finished()

    def _look(self, steps: int, pace: float) -> None:
        """Now and then: the slice as it is, a frame of it, and the forces so far; ``pace`` in steps a second."""
        start = time.perf_counter()
        shown = start - self._looked >= max(LOOK_S, self._look_took / LOOK_SHARE) and not bpy.app.background
        if not shown and steps < self._next_frame:
            return
        cut = self.pilot.slice()
        if steps >= self._next_frame:
            self.frames.append(picture(bridge.thinned(cut, FRAME_PX), self.what, self.job.speed_m_s))
            # Even steps from the second frame on; the first one builds a shader.
            if len(self.frames) == 2:
                dear = (time.perf_counter() - start) * pace / LOOK_SHARE
                self._frame_every = max(self._frame_every, dear)
            self._next_frame = steps + self._frame_every
        if shown:
            self.shown = cut
            with suppress(InputError):  # too little was run
                self.interim = self.pilot.answer()
            live.redraw()
            self._looked = time.perf_counter()
            self._look_took = self._looked - start

    def _finished(self) -> str:
        run = stamped(self.pilot.answer(), answers.digest_of(self.ticket))
        mean: FlowSlice | None = None
        surface: dict[str, Any] = {}
        with suppress(InputError):  # stopped before there was a mean
            mean = self.pilot.mean_slice()
            surface = self.pilot.surface()
        one = Kept(run, state_of(run), mean, surface, self.job, tuple(self.frames))
        hold(one)
        why = keep_beside(one)
        forces = "; ".join(f"{part.part} {newtons(part)}" for part in told(run, self.job.elements))
        what = f"{FORMS[run.form]}, {CASES[run.case]}, {run.walls}; {ENDINGS[run.ending]}"
        self.said = f"{forces} ({what}). {why}".strip()
        return f"The flow run of “{run.variant}” where the {run.walls} has ended: {ENDINGS[run.ending]}. {why}".strip()


def told(run: FlowRun, elements: tuple[str, ...] | None = None) -> list[PartFlow]:
    return [one for one in run.parts if elements is None or one.part in elements]


def newtons(one: PartFlow) -> str:
    value, half = one.force_n[2], one.half_width_n[2]
    return f"{value:+.0f} N ± {half:.1f} N" if math.isfinite(half) else f"{value:+.0f} N ± not known yet"


_holders: list[str] = []
"""What else computes on the card in this Blender."""


def check_free() -> None:
    """The card does one thing at a time.

    Raises:
        InputError: a run goes on, or something else has the card.
    """
    if going() is not None:
        raise InputError("A flow run goes on already; wait for it, or stop it first.")
    if _holders:
        raise InputError(f"“{_holders[0]}” has the graphics card; wait for it, or stop it with Esc.")


@contextmanager
def holding_card(who: str) -> Iterator[None]:
    """Keep single runs off the card meanwhile.

    Args:
        who: the operator's label.

    Raises:
        InputError: see ``check_free``.
    """
    check_free()
    _holders.append(who)
    try:
        yield
    finally:
        _holders.remove(who)


def start_run(scene: bpy.types.Scene) -> Going:
    """Freeze what the run rests on.

    Raises:
        InputError: one goes on already, there is no card, or nothing to run.
    """
    check_free()
    variant, job = active(scene), scene.wingfettle
    card()
    ticket, asked = answers.ticket(scene, variant, "flow run"), jobs_now(scene, variant)
    ahead, keys = aheads.pop(scene.session_uid, None), keys_now(job, variant)
    ready = None
    if ahead is not None and same_ahead(ahead, answers.digest_of(ticket), wishes(job), keys):
        ready, asked = ahead.pilot, (ahead.pilot.job, *asked[1:])
    what: What = "pressure" if job.flow_show == "pressure" else "speed"
    made = Going(ticket, tuple(zip(keys, asked, strict=True)), what, ready)
    _going[:], why_ended[0] = [made], ""
    return made


def same_ahead(ahead: Ahead, state: str, asked: RunWishes, keys: tuple[Key, ...]) -> bool:
    return (ahead.state, ahead.wishes, ahead.keys) == (state, asked, keys)


def end_run(words: str) -> None:
    """Let the run go, and say why."""
    for one in _going:
        one.close()
    _going.clear()
    why_ended[0] = words
    if not bpy.app.background:
        live.redraw()


def run_piece() -> float | None:
    """One piece of the run; called by Blender's timer."""
    one = going()
    if one is None:
        return None
    try:
        return one.piece()
    except StopIteration as end:
        end_run(str(end.value))
    except InputError as problem:
        end_run(str(problem))
    except BaseException as problem:
        end_run(f"Something went wrong inside Wingfettle, and the flow run has ended: {problem!r}")
        raise
    return None


def drained(one: Going) -> str:
    """The whole run at once, for scripts."""
    try:
        while True:
            one.piece()
    except StopIteration as end:
        end_run(str(end.value))
        return one.said
    finally:
        if going() is one:
            end_run("The flow run has ended without an answer.")
