"""Panel: the flow run, which works out what viscous air does about the wing, on the graphics card beside the scene."""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable, Generator
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Literal, cast

import bpy
from bpy.app.handlers import persistent

from ..core.errors import InputError
from ..core.flow.job import FlowJob, RunWishes, flow_job
from ..core.flow.pilot import Engine, Forecast, Pilot
from ..core.flow.result import FlowRun, PartFlow
from ..core.flow.slices import MOST_SPEED, FlowSlice, picture
from ..core.geometry.mesh import TriMesh
from ..core.lift.colours import pressure_ticks
from ..core.lift.result import Band
from ..core.lift.streamlines import streamlines
from ..core.report.callouts import Drawing, legend
from ..core.units import to_kmh, to_mm
from . import answers, bridge, lift, live, settings
from .flow_kept import (
    PICTURE_PX,
    UNSAVED,
    Kept,
    Key,
    chosen,
    folder,
    hold,
    in_view,
    keep_beside,
    kept_all,
    mean_in_view,
    needed,
    state_of,
    unreadable,
)
from .flow_kept import held_runs as held_runs
from .flow_kept import kept_runs as kept_runs
from .flow_kept import key_now as key_now
from .flow_kept import stamped as stamped
from .graphics import Card, Run
from .operator import BackgroundOperator, JobOperator, JobPanel, Steps, aside, say
from .variants import active

SLICE_S = 0.04
"""How long the card computes before Blender has its turn: the view keeps some twenty pictures a second."""
TRIAL_S = 0.5
LOOK_S = 1.0
"""Between two looks at a run that goes on: picture, forces, panel."""
LOOK_SHARE = 0.1
"""Looking takes no more of the time than this, however slow it is."""
FRAMES, FRAMES_A_CHORD, FRAME_PX = 48, 4.0, 360
"""Of the clip: the most of them, how many while the wind blows over a chord, and cells across."""
MID_SHARE = 0.5
"""Share of the span about its middle that is painted by a mid-span run."""
PRESSURE = "Flow Run Pressure"
FORMS = {"mid-span": "mid-span", "full": "full form"}
CASES = {"alone": "alone", "group": "together", "on car": "on the car"}
ENDINGS = {
    "narrow": "known as well as asked",
    "time": "time was up",
    "cancelled": "stopped by hand",
    "steps": "all steps done",
}
What = Literal["speed", "pressure"]


@dataclass(frozen=True, eq=False)
class Ahead:
    """What was found by looking ahead; ``Start`` goes on from there while nothing has changed."""

    variant: str
    state: str
    wishes: RunWishes
    key: Key
    pilot: Pilot
    forecast: Forecast
    steps_per_s: float


_ahead: dict[int, Ahead] = answers.of_file({})
_pixels: dict[str, tuple[FlowSlice, str, Any]] = answers.of_file({})
_going: list[Going] = []
_words: list[str] = [""]
"""Why the last run ended, for the panel."""
_cards: list[Card] = []


def card() -> Card:
    """The graphics card.

    Raises:
        InputError: there is none to compute on.
    """
    if not _cards:
        _cards.append(Card())
    return _cards[0]


class _OnCard(Run):
    share_of_limit = None  # type: ignore[assignment]  # measuring it takes seconds, and the panel does not tell it

    def upload(self, grid: Any) -> None:
        """Building the shaders is no step's time: else a run that has just begun seems slow, and goes on in crumbs."""
        super().upload(grid)
        self.advance(self._every)
        begun = self.seconds
        self.advance(self._every)
        self.seconds = 2.0 * (self.seconds - begun)


def _engine(setup: Any, every: int) -> Engine:
    return cast(Engine, _OnCard(card(), setup, every))


def going() -> Going | None:
    """The run that goes on."""
    return _going[0] if _going else None


# --- what is run


def wishes(job: settings.SceneSettings) -> RunWishes:
    """What the panel asks of a run."""
    return RunWishes(
        cells_on_chord=float(job.flow_cells) if job.flow_cells else None,
        time_s=60.0 * job.flow_minutes,
        share=0.01 * job.flow_interval,
        half_model=job.flow_half and job.flow_form == "full",
    )


def job_now(scene: bpy.types.Scene, variant: settings.VariantItem) -> FlowJob:
    """The run that the panel asks for, of the scene as it is now.

    Raises:
        InputError: see ``flow_job``; or the parts or the body cannot be measured.
    """
    job, air = scene.wingfettle, lift.air_now(scene.wingfettle)
    assembly = answers.assembly(variant)
    mounts = [
        (part.name, part.mesh if pose is None else part.mesh.transformed(pose))
        for obj, part, pose in (answers.parts(variant) if assembly.elements else ())
        if obj.wingfettle.role == "MOUNT"
    ]
    body = answers.body(scene) if job.flow_case == "on car" and job.body is not None else None
    found = flow_job(
        assembly, mounts, body, job.flow_case, job.flow_form, job.flow_element, lift.speed_of(job),
        air.density_kg_m3, air.viscosity_m2_s, wishes(job),
    )  # fmt: skip
    for name, shape in found.parts:
        low = float((shape.points if isinstance(shape, TriMesh) else shape)[:, -1].min())
        if found.road and low < 0.0:
            raise InputError(f"“{name}” reaches {to_mm(-low):.0f} mm below the road (z = 0); raise it.")
    return found


# --- a run from grid to answer


class Going:
    """A run that goes on. It holds arrays and names, nothing of Blender's data, so that the scene may change.

    Attributes:
        ticket: of the scene as it was at the start.
        key: which run it is.
        job: what is run.
        what: what frames and slice show.
        share, said: how far it is, in words too.
        interim: forces so far; None where too little was run.
        shown: the slice as it was last looked at.
        frames: of the clip.
        paused, stopped: what the user asked for.
    """

    def __init__(self, ticket: answers.Ticket, key: Key, job: FlowJob, what: What, ready: Pilot | None) -> None:
        self.ticket, self.key, self.job, self.what = ticket, key, job, what
        self.pilot = ready if ready is not None else Pilot(job)
        self.share, self.said, self.left_s = 0.0, "Making the grid", math.nan
        self.interim: FlowRun | None = None
        self.shown: FlowSlice | None = None
        self.frames: deque[Any] = deque(maxlen=FRAMES)
        self.paused = self.stopped = False
        self._looked, self._look_took = -math.inf, 0.0
        self._next_frame = self._frame_every = 0.0
        self._course = self._go(ready is None)

    def piece(self) -> float:
        """Do one piece; s to wait before the next one. Raises StopIteration, with a sentence, at the end."""
        return next(self._course)

    def close(self) -> None:
        """Let everything go."""
        self._course.close()

    def _go(self, fresh: bool) -> Generator[float, None, str]:
        if fresh:
            for _ in aside(lambda tick: self.pilot.prepare(), low=0.0, high=1.0):
                yield 0.0
                if self.stopped:
                    raise InputError("The flow run was stopped before its grid was made; nothing is kept.")
            self.said = "Filling the card"
            yield 0.05
            self.pilot.begin(_engine)
        self.said = "Getting under way"
        self._frame_every = self.pilot.scale.steps_over(self.job.chord_m) / FRAMES_A_CHORD
        done = False
        while not done and not self.stopped:
            if self.paused:
                yield 0.2
                continue
            progress = self.pilot.go(SLICE_S)
            self.share, self.said, self.left_s, done = (
                progress.share, progress.sentence, progress.seconds_left, progress.done,
            )  # fmt: skip
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
            self.frames.append(picture(in_view(cut, self.job, FRAME_PX), self.what, self.job.speed_m_s))
            # Even steps from the second frame on; the first one builds a shader.
            if len(self.frames) == 2:
                dear = (time.perf_counter() - start) * pace / LOOK_SHARE
                self._frame_every = max(self._frame_every, dear)
            self._next_frame = steps + self._frame_every
        if shown:
            self.shown = in_view(cut, self.job, PICTURE_PX)
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
        forces = "; ".join(f"{part.part} {_newtons(part)}" for part in _told(run, self.job.elements))
        self.said = f"{forces} ({FORMS[run.form]}, {CASES[run.case]}; {ENDINGS[run.ending]}). {why}".strip()
        return f"The flow run of “{run.variant}” has ended: {ENDINGS[run.ending]}. {why}".strip()


def _told(run: FlowRun, elements: tuple[str, ...] | None = None) -> list[PartFlow]:
    return [one for one in run.parts if elements is None or one.part in elements]


def _newtons(one: PartFlow) -> str:
    value, half = one.force_n[2], one.half_width_n[2]
    return f"{value:+.0f} N ± {half:.1f} N" if math.isfinite(half) else f"{value:+.0f} N ± not known yet"


def _start(scene: bpy.types.Scene) -> Going:
    """Freeze what the run rests on.

    Raises:
        InputError: one goes on already, there is no card, or nothing to run.
    """
    if going() is not None:
        raise InputError("A flow run goes on already; wait for it, or stop it first.")
    variant, job = active(scene), scene.wingfettle
    card()
    ticket, asked = answers.ticket(scene, variant, "flow run"), job_now(scene, variant)
    ahead, key = _ahead.pop(scene.session_uid, None), key_now(job, variant)
    ready = None
    if ahead is not None and _same_ahead(ahead, answers.digest_of(ticket), wishes(job), key):
        ready, asked = ahead.pilot, ahead.pilot.job
    what: What = "pressure" if job.flow_show == "pressure" else "speed"
    made = Going(ticket, key, asked, what, ready)
    _going[:], _words[0] = [made], ""
    return made


def _same_ahead(ahead: Ahead, state: str, asked: RunWishes, key: Key) -> bool:
    return (ahead.state, ahead.wishes, ahead.key) == (state, asked, key)


def _end(words: str) -> None:
    """Let the run go, and say why."""
    for one in _going:
        one.close()
    _going.clear()
    _words[0] = words
    if not bpy.app.background:
        live.redraw()


def _tick() -> float | None:
    """One piece of the run; called by Blender's timer."""
    one = going()
    if one is None:
        return None
    try:
        return one.piece()
    except StopIteration as end:
        _end(str(end.value))
    except InputError as problem:
        _end(str(problem))
    except BaseException as problem:
        _end(f"Something went wrong inside Wingfettle, and the flow run has ended: {problem!r}")
        raise
    return None


def _drained(one: Going) -> str:
    """The whole run at once, for scripts."""
    try:
        while True:
            one.piece()
    except StopIteration as end:
        _end(str(end.value))
        return one.said
    finally:
        if going() is one:
            _end("The flow run has ended without an answer.")


class _Plain(JobOperator):
    """Changes nothing that could be undone."""

    bl_options = {"REGISTER"}


class WINGFETTLE_OT_flow_ahead(BackgroundOperator, bpy.types.Operator):
    """Make the grid and let the card try it for half a second: cells, memory, time, and whether the gap is resolved"""

    bl_idname = "wingfettle.flow_ahead"
    bl_label = "Look Ahead"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> Steps:
        scene = context.scene
        if going() is not None:
            raise InputError("A flow run goes on already; wait for it, or stop it first.")
        variant = active(scene)
        card()
        _ahead.clear()
        state = answers.digest_of(answers.ticket(scene, variant, "flow run"))
        asked, key, uid = wishes(scene.wingfettle), key_now(scene.wingfettle, variant), scene.session_uid
        pilot = Pilot(job_now(scene, variant))
        yield 0.02, "Making the grid"
        yield from aside(lambda tick: pilot.prepare(), low=0.05, high=0.8)
        yield 0.85, "Filling the card"
        pilot.begin(_engine)
        yield 0.9, "Trying the card"
        forecast, so_far = pilot.forecast(TRIAL_S), pilot.progress()
        pace = so_far.steps / max(so_far.time_s, 1e-9)
        found = _ahead[uid] = Ahead(key[0], state, asked, key, pilot, forecast, pace)
        return " ".join((*ahead_lines(found), *ahead_warnings(found)))


def ahead_lines(ahead: Ahead) -> tuple[str, ...]:
    """What a run will take."""
    plan, forecast = ahead.pilot.plan, ahead.forecast
    lines = [
        f"{plan.cells / 1e6:.3g} million cells of {to_mm(plan.spacing_m):.3g} mm, "
        f"{plan.cells_on_chord:.0f} on the shortest chord.",
        f"Takes {forecast.memory_bytes / 2**20:,.0f} MiB on the card and about {_time(forecast.seconds_left)} "
        f"({forecast.updates_per_s / 1e6:,.0f} million cell updates a second).",
    ]
    if math.isfinite(plan.gap_m):
        between = " and ".join(plan.gap_between)
        lines.append(f"{plan.cells_in_gap:.0f} cells in the gap of {to_mm(plan.gap_m):.0f} mm between {between}.")
    return tuple(lines)


def ahead_warnings(ahead: Ahead) -> tuple[str, ...]:
    """What is to be heeded before starting."""
    limit, needed = ahead.pilot.job.rule.time_s, ahead.forecast.steps_needed / ahead.steps_per_s
    short = f"Forces as well known as asked take about {_time(needed)}, but the run may last {_time(limit)} only."
    return (*((short,) if needed > 1.2 * limit else ()), *ahead.pilot.notes)


def _time(seconds: float | None) -> str:
    if seconds is None or not math.isfinite(seconds):
        return "an unknown time"
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


class WINGFETTLE_OT_flow_start(_Plain, bpy.types.Operator):
    """Start the flow run on the graphics card; the scene stays usable, and the answer is for the wing as it is now"""

    bl_idname = "wingfettle.flow_start"
    bl_label = "Start"

    def work(self, context: bpy.types.Context) -> str:
        one = _start(context.scene)
        if bpy.app.background or context.window is None:
            return _drained(one)
        bpy.app.timers.register(_tick)
        return f"The flow run of “{one.key[0]}” goes on; the scene stays usable meanwhile."


def _needs_run() -> Going:
    one = going()
    if one is None:
        raise InputError("No flow run goes on; start one.")
    return one


class WINGFETTLE_OT_flow_pause(_Plain, bpy.types.Operator):
    """Leave the card to others for a while; the run goes on from where it is"""

    bl_idname = "wingfettle.flow_pause"
    bl_label = "Pause or Go On"

    def work(self, context: bpy.types.Context) -> str:
        one = _needs_run()
        one.paused = not one.paused
        return "The flow run is paused." if one.paused else "The flow run goes on."


class WINGFETTLE_OT_flow_stop(_Plain, bpy.types.Operator):
    """End the run now and keep what is known so far"""

    bl_idname = "wingfettle.flow_stop"
    bl_label = "Stop and Keep"

    def work(self, context: bpy.types.Context) -> str:
        _needs_run().stopped = True
        return "The flow run ends with what is known so far."


class WINGFETTLE_OT_flow_drop(_Plain, bpy.types.Operator):
    """End the run now and keep nothing of it"""

    bl_idname = "wingfettle.flow_drop"
    bl_label = "Throw Away"

    def work(self, context: bpy.types.Context) -> str:
        _needs_run()
        _end("The flow run was thrown away.")
        return _words[0]


# --- what is shown


def _cut_shown(scene: bpy.types.Scene) -> tuple[FlowSlice, float] | None:
    """The slice to show and the wind's speed: of the run that goes on, else the mean of the chosen one."""
    one, variant = going(), settings.active_variant(scene)
    if one is not None:
        mine = one.shown if one.ticket.scene == scene.session_uid else None
        return (mine, one.job.speed_m_s) if mine is not None else None
    if variant is None:
        return None
    try:
        found = chosen(scene, variant)
    except InputError:
        return None
    if found is None or found.mean is None:
        return None
    return mean_in_view(found, scene, variant), found.run.speed_m_s


def slice_shown(scene: bpy.types.Scene) -> tuple[Any, Any] | None:
    """For the overlay: the slice's picture (h, w, 4) and its corners (4, 3) m; None where none is to be shown."""
    what = scene.wingfettle.flow_show
    found = _cut_shown(scene) if what != "none" else None
    if found is None:
        return None
    held = _pixels.get("shown")
    if held is None or held[0] is not found[0] or held[1] != what:
        held = _pixels["shown"] = found[0], what, picture(found[0], what, found[1])
    return held[2], bridge.slice_corners(found[0])


def drawn_legend(scene: bpy.types.Scene, scale: float) -> Drawing:
    """The scale of the slice's colours."""
    job, found = scene.wingfettle, _cut_shown(scene)
    if found is None:
        return Drawing()
    when = "Now" if going() is not None else "Mean"
    wind = found[1]
    if job.flow_show == "pressure":
        ticks = pressure_ticks(lift.LOW, lift.HIGH)
        colours = bridge.slice_colours("pressure", lift.LOW, lift.HIGH, wind)
        return legend((f"{when}: pressure", "coefficient"), colours, ticks, (), scale)
    unit, name = (3.6, "km/h") if job.speed_unit == "kmh" else (3.6 / settings.KMH_OF_MPH, "mph")
    top = MOST_SPEED * wind * unit
    marked = [(share * top, f"{share * top:.0f}") for share in (0.0, 0.25, 0.5, 0.75, 1.0)]
    # The wind's own speed takes the place of a mark that it would run into.
    marked = [mark for mark in marked if abs(mark[0] - wind * unit) > 0.08 * top]
    ticks = sorted([*marked, (wind * unit, f"{wind * unit:.0f} wind")])
    colours = bridge.slice_colours("speed", 0.0, MOST_SPEED * wind, wind)
    return legend((f"{when}: speed", f"of the air, {name}"), colours, ticks, (), scale)


class WINGFETTLE_OT_flow_picture(JobOperator, bpy.types.Operator):
    """Keep the slice as it is shown as a plane with a picture, so that it appears in renders"""

    bl_idname = "wingfettle.flow_picture"
    bl_label = "Keep Slice as Picture"

    def work(self, context: bpy.types.Context) -> str:
        scene = context.scene
        variant = active(scene)
        shown = slice_shown(scene)
        if shown is None:
            raise InputError("No slice is shown; start a flow run, and choose speed or pressure.")
        name = f"Flow slice ({variant.name})"
        for obj in [o for o in variant.elements.objects if o.name.startswith(name)]:
            bridge.remove_picture_plane(obj)
        made = bridge.picture_plane(name, *shown, variant.elements)
        made.wingfettle.role, made.display_type = "MARK", "WIRE"  # else it flickers with the slice that is drawn there
        return f"“{made.name}” shows the {scene.wingfettle.flow_show} of the air."


class WINGFETTLE_OT_flow_streamlines(BackgroundOperator, bpy.types.Operator):
    """Draw the ways of the air in the mean flow at mid-span"""

    bl_idname = "wingfettle.flow_streamlines"
    bl_label = "Draw Streamlines"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene = context.scene
        variant = active(scene)
        found, name = needed(scene, variant), variant.name
        if found.mean is None:
            raise InputError("That flow run kept no mean flow; start it again and let it go on for longer.")
        cut = mean_in_view(found, scene, variant)

        def task(tick: Callable[[float, str], None]) -> list[Any]:
            velocity, inside, box, seeds = bridge.slice_wind(cut)
            return streamlines(velocity, seeds, length_m=6.0, step_m=0.01, box=box, stop=inside, tick=tick)

        yield 0.02, "Following the air"
        lines = yield from aside(task, low=0.05, high=0.98)
        still = settings.variant_named(scene, name)
        if still is None or still.elements is None:
            raise InputError(f"Variant “{name}” has gone meanwhile.")
        for obj in [o for o in still.elements.objects if o.wingfettle.role == "MARK" and "Streamlines" in o.name]:
            settings.remove_object(obj)
        made = bridge.polylines(f"Streamlines of the flow run ({name})", lines, 0.0015, still.elements)
        made.data.materials.append(bridge.material("Streamline", (0.85, 0.86, 0.84), 0.6))
        made.wingfettle.role = "MARK"
        return f"{sum(len(line) > 1 for line in lines)} streamlines at mid-span."


class WINGFETTLE_OT_flow_paint(JobOperator, bpy.types.Operator):
    """Colour the elements, and the body where it was run, by the mean pressure of the flow run"""

    bl_idname = "wingfettle.flow_paint"
    bl_label = "Paint Pressure"

    def work(self, context: bpy.types.Context) -> str:
        scene = context.scene
        variant = active(scene)
        found = needed(scene, variant)
        job = found.job if found.job is not None else job_now(scene, variant)
        shapes: dict[str, TriMesh | Any] = dict(job.parts)
        painted = 0
        for obj in settings.element_objects(variant):
            name = obj.wingfettle.element
            values = found.surface.get(name)
            if values is None or name not in shapes:
                continue
            shape = shapes[name]
            at = shape.points if isinstance(shape, TriMesh) else shape
            if len(at) != len(values):
                continue
            cp = bridge.values_near(bridge.mesh_of(obj).points, at, values, MID_SHARE)
            bridge.write_colours(obj, PRESSURE, lift.pressure_look(cp))
            painted += 1
        values = found.surface.get("body")
        if values is not None and scene.wingfettle.body is not None and found.run.case == "on car":
            points = answers.body(scene).points
            if len(points) == len(values):
                bridge.write_colours(scene.wingfettle.body, PRESSURE, lift.pressure_look(values))
                painted += 1
        if not painted:
            raise InputError("That flow run kept no surface pressure; start it again and let it go on for longer.")
        scene.wingfettle.show_pressure = True
        for obj in scene.objects:
            if obj.type == "MESH" and PRESSURE in obj.data.color_attributes:
                obj.data.color_attributes.active_color = obj.data.color_attributes[PRESSURE]
        bridge.shade_views(context, "VERTEX")
        words = "the middle half of each span" if found.run.form == "mid-span" else "the surface"
        return f"Mean pressure coefficients of the flow run on {words}."


# --- panel


def _quick(scene: bpy.types.Scene, variant: settings.VariantItem, element: str, case: str) -> Band | None:
    """The quick estimate of an element's force in a case."""
    result = answers.shown(scene, variant, "lift")[0]
    one = next((e for e in result.elements if e.element == element), None) if result is not None else None
    if one is None:
        return None
    return {"alone": one.alone_n, "group": one.group_n, "on car": one.on_car_n}[case]


class WINGFETTLE_PT_flow(JobPanel, bpy.types.Panel):
    bl_label = "Flow Run"
    bl_idname = "WINGFETTLE_PT_flow"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        variant, one = settings.active_variant(scene), going()
        col = self.layout.column()
        self._asked(col, job, one is None)
        if one is None:
            self._before(col, scene, variant)
        else:
            self._meanwhile(col, one)
        say(col, _words[0], "INFO")
        row = col.row(align=True)
        row.prop(job, "flow_show", expand=True)
        col.operator("wingfettle.flow_picture")
        if variant is not None:
            self._results(col, scene, variant)

    def _asked(self, col: bpy.types.UILayout, job: settings.SceneSettings, free: bool) -> None:
        part = col.column()
        part.enabled = free
        row = part.row(align=True)
        row.prop(job, "flow_form", expand=True)
        part.prop(job, "flow_case")
        if job.flow_case == "alone":
            part.prop(job, "flow_element")
        part.prop(job, "flow_cells")
        if job.flow_form == "full":
            part.prop(job, "flow_half")
        part.prop(job, "flow_interval")
        part.prop(job, "flow_minutes")

    def _before(self, col: bpy.types.UILayout, scene: bpy.types.Scene, variant: settings.VariantItem | None) -> None:
        row = col.row(align=True)
        row.operator("wingfettle.flow_ahead")
        row.operator("wingfettle.flow_start", icon="PLAY")
        ahead = _ahead.get(scene.session_uid)
        if ahead is None or variant is None or ahead.key != key_now(scene.wingfettle, variant):
            return
        try:
            state = answers.digest(scene, variant, "flow run")
        except InputError:
            return
        if _same_ahead(ahead, state, wishes(scene.wingfettle), ahead.key):
            for line in ahead_lines(ahead):
                say(col, line)
            for line in ahead_warnings(ahead):
                say(col, line, "ERROR")

    def _meanwhile(self, col: bpy.types.UILayout, one: Going) -> None:
        variant, form, case, element = one.key
        icon = "PAUSE" if one.paused else "PLAY"
        say(col, f"“{variant}”, {FORMS[form]}, {element} {CASES[case]}".replace("  ", " "), icon)
        left = f", {_time(one.left_s)} left" if math.isfinite(one.left_s) else ""
        col.progress(factor=min(max(one.share, 0.0), 1.0), text=f"{100.0 * one.share:.0f} %{left}")
        say(col, one.said)
        if one.interim is not None:
            for part in _told(one.interim, one.job.elements):
                col.label(text=f"{part.part}: {_newtons(part)}")
        row = col.row(align=True)
        row.operator("wingfettle.flow_pause", text="Go On" if one.paused else "Pause")
        row.operator("wingfettle.flow_drop")
        col.operator("wingfettle.flow_stop")

    def _results(self, col: bpy.types.UILayout, scene: bpy.types.Scene, variant: settings.VariantItem) -> None:
        runs = kept_runs(scene, variant)
        if any(holds for _, holds in runs):
            row = col.row(align=True)
            row.operator("wingfettle.flow_paint")
            row.operator("wingfettle.show_pressure", text="", icon="HIDE_OFF")
            col.operator("wingfettle.flow_streamlines")
        for run, holds in runs:
            self._result(col, scene, variant, run, holds)
        for name in unreadable.get(str(folder()), ()):
            say(col, f"{name}: cannot be read; run it again." if name.endswith(".json") else name, "ERROR")

    def _result(
        self,
        col: bpy.types.UILayout,
        scene: bpy.types.Scene,
        variant: settings.VariantItem,
        run: FlowRun,
        holds: bool,
    ) -> None:
        box = col.box().column()
        what = f"{FORMS[run.form]}, {run.element} {CASES[run.case]}".replace("  ", " ")
        say(box, what if holds else f"{what}: of an earlier state", "CHECKMARK" if holds else "ERROR")
        quick: dict[str, Band | None] = {}
        for part in run.parts:
            quick[part.part] = _quick(scene, variant, part.part, run.case) if holds else None
            box.label(text=f"{part.part}: {_newtons(part)}")
            band = quick[part.part]
            if band is not None:
                box.label(text=f"  quick estimate {band.value:+.0f} N ({band.low:+.0f} to {band.high:+.0f})")
        if len(run.parts) > 1:
            box.label(text=f"all: {_newtons(run.total)}")
        if not holds:
            return
        sure = f"{100.0 * run.confidence:.0f} % intervals"
        say(box, f"{sure} at {to_kmh(run.speed_m_s):.0f} km/h; {ENDINGS[run.ending]}.")
        say(box, run.reynolds_note)
        for warning in run.warnings:
            say(box, warning, "ERROR")


CLASSES = (
    WINGFETTLE_OT_flow_ahead,
    WINGFETTLE_OT_flow_start,
    WINGFETTLE_OT_flow_pause,
    WINGFETTLE_OT_flow_stop,
    WINGFETTLE_OT_flow_drop,
    WINGFETTLE_OT_flow_picture,
    WINGFETTLE_OT_flow_streamlines,
    WINGFETTLE_OT_flow_paint,
    WINGFETTLE_PT_flow,
)


@persistent
def _before_opening(_path: str) -> None:
    if going() is not None:
        _end(f"The flow run of “{_needs_run().key[0]}” ended because another file was opened; nothing of it is kept.")


@persistent
def _after_saving(_path: str) -> None:
    """What this session found is written beside the file under its new name, too."""
    for one in list(kept_all.values()):
        if one.job is not None:
            _words[0] = keep_beside(one) or _words[0].replace(UNSAVED, "").strip()


def register() -> None:
    bpy.app.handlers.load_pre.append(_before_opening)
    bpy.app.handlers.save_post.append(_after_saving)


def unregister() -> None:
    if bpy.app.timers.is_registered(_tick):
        bpy.app.timers.unregister(_tick)
    _end("")
    _ahead.clear()
    _cards.clear()
    bpy.app.handlers.load_pre.remove(_before_opening)
    bpy.app.handlers.save_post.remove(_after_saving)
