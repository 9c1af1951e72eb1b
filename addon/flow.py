"""Panel: the flow run, which works out what viscous air does about the wing, on the graphics card beside the scene."""

from __future__ import annotations

import math

import bpy
from bpy.app.handlers import persistent

from ..core.errors import InputError
from ..core.flow.pilot import Pilot
from ..core.flow.result import ENDINGS, FlowRun
from ..core.lift.result import Band
from ..core.units import to_kmh, to_mm
from . import answers, bridge, flow_going, flow_view, settings
from .flow_going import CASES, FORMS, Ahead, Going, card, going, jobs_now, newtons, told, wishes
from .flow_kept import UNSAVED, folder, keep_beside, kept_all, kept_runs, keys_now, unreadable
from .flow_view import drawn_legend as drawn_legend
from .flow_view import slice_shown as slice_shown
from .operator import BackgroundOperator, JobOperator, JobPanel, Steps, aside, say
from .variants import active

TRIAL_S = 0.5


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
        flow_going.check_free()
        variant = active(scene)
        card()
        flow_going.aheads.clear()
        state = answers.digest_of(answers.ticket(scene, variant, "flow run"))
        asked, keys, uid = wishes(scene.wingfettle), keys_now(scene.wingfettle, variant), scene.session_uid
        pilot = Pilot(jobs_now(scene, variant)[0])
        with flow_going.holding_card(WINGFETTLE_OT_flow_ahead.bl_label):
            yield 0.02, "Making the grid"
            yield from aside(lambda tick: pilot.prepare(), low=0.05, high=0.8)
            yield 0.85, "Filling the card"
            pilot.begin(flow_going.engine)
            yield 0.9, "Trying the card"
            forecast, so_far = pilot.forecast(TRIAL_S), pilot.progress()
        pace = so_far.steps / max(so_far.time_s, 1e-9)
        found = flow_going.aheads[uid] = Ahead(keys[0][0], state, asked, keys, pilot, forecast, pace)
        return " ".join((*ahead_lines(found), *ahead_warnings(found)))


def ahead_lines(ahead: Ahead) -> tuple[str, ...]:
    """What a run will take."""
    plan, forecast, each = ahead.pilot.plan, ahead.forecast, " each" if len(ahead.keys) > 1 else ""
    job = ahead.pilot.job
    sizes = f"{to_mm(job.spacing_m):.3g} mm"
    if job.levels:
        sizes += f" near the wing to {to_mm(job.coarsest_m):.3g} mm far from it, in {job.levels + 1} sizes"
    lines = [
        f"{plan.cells / 1e6:.3g} million cells of {sizes}; {plan.cells_on_chord:.0f} on the shortest chord.",
        f"Takes {forecast.memory_bytes / 2**20:,.0f} MiB on the card and about {_time(forecast.seconds_left)}{each} "
        f"({forecast.updates_per_s / 1e6:,.0f} million cell updates a second).",
    ]
    if math.isfinite(plan.gap_m):
        between = " and ".join(plan.gap_between)
        lines.append(f"{plan.cells_in_gap:.0f} cells in the gap of {to_mm(plan.gap_m):.0f} mm between {between}.")
    return (*lines, *ahead.pilot.notes)


def ahead_warnings(ahead: Ahead) -> tuple[str, ...]:
    """What is to be heeded before starting."""
    limit, needed = ahead.pilot.job.rule.time_s, ahead.forecast.steps_needed / ahead.steps_per_s
    short = f"Forces as well known as asked take about {_time(needed)}, but the run may last {_time(limit)} only."
    return (*((short,) if needed > 1.2 * limit else ()), *(one.text for one in ahead.pilot.faults))


def _time(seconds: float | None) -> str:
    if seconds is None or not math.isfinite(seconds):
        return "an unknown time"
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


class WINGFETTLE_OT_flow_start(_Plain, bpy.types.Operator):
    """Start the flow run on the graphics card, or both in turn; the scene stays usable, and the answer is for the wing
    as it is now"""

    bl_idname = "wingfettle.flow_start"
    bl_label = "Start"

    def work(self, context: bpy.types.Context) -> str:
        one = flow_going.start_run(context.scene)
        if bpy.app.background or context.window is None:
            return flow_going.drained(one)
        bpy.app.timers.register(flow_going.run_piece)
        two = "s" if one.turns > 1 else ""
        go_on = "go on, one after the other" if one.turns > 1 else "goes on"
        return f"The flow run{two} of “{one.key[0]}” {go_on}; the scene stays usable meanwhile."


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
    """End the run now and keep what is known so far; one that was to follow is not begun"""

    bl_idname = "wingfettle.flow_stop"
    bl_label = "Stop and Keep"

    def work(self, context: bpy.types.Context) -> str:
        _needs_run().stopped = True
        return "The flow run ends with what is known so far."


class WINGFETTLE_OT_flow_drop(JobOperator, bpy.types.Operator):
    """End the run now and keep nothing of it, nor the pictures that were made of it as it went on; the first of two is
    kept once it has ended"""

    bl_idname = "wingfettle.flow_drop"
    bl_label = "Throw Away"

    def work(self, context: bpy.types.Context) -> str:
        for name in _needs_run().pictures:
            shown = bpy.data.objects.get(name)
            if shown is not None:
                bridge.remove_picture_plane(shown)
        flow_going.end_run("The flow run was thrown away.")
        return flow_going.why_ended[0]


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
        say(col, flow_going.why_ended[0], "INFO")
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
        part.prop(job, "flow_walls")
        part.prop(job, "flow_cells")
        part.prop(job, "flow_gap_cells")
        if job.flow_form == "full":
            part.prop(job, "flow_half")
        part.prop(job, "flow_interval")
        part.prop(job, "flow_minutes")

    def _before(self, col: bpy.types.UILayout, scene: bpy.types.Scene, variant: settings.VariantItem | None) -> None:
        row = col.row(align=True)
        row.operator("wingfettle.flow_ahead")
        row.operator("wingfettle.flow_start", icon="PLAY")
        ahead = flow_going.aheads.get(scene.session_uid)
        if ahead is None or variant is None or ahead.keys != keys_now(scene.wingfettle, variant):
            return
        try:
            state = answers.digest(scene, variant, "flow run")
        except InputError:
            return
        if flow_going.same_ahead(ahead, state, wishes(scene.wingfettle), ahead.keys):
            for line in ahead_lines(ahead):
                say(col, line)
            for line in ahead_warnings(ahead):
                say(col, line, "ERROR")

    def _meanwhile(self, col: bpy.types.UILayout, one: Going) -> None:
        variant, form, case, element, _ = one.key
        icon = "PAUSE" if one.paused else "PLAY"
        say(col, f"“{variant}”, {FORMS[form]}, {element} {CASES[case]}, {one.which}".replace("  ", " "), icon)
        left = f", {_time(one.left_s)} left" if math.isfinite(one.left_s) else ""
        col.progress(factor=min(max(one.share, 0.0), 1.0), text=f"{100.0 * one.share:.0f} %{left}")
        say(col, one.said)
        if one.interim is not None:
            for part in told(one.interim, one.job.elements):
                col.label(text=f"{part.part}: {newtons(part)}")
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
            if scene.wingfettle.flow_form == "mid-span":
                say(col, "Paints the middle half of each span: a mid-span run knows nothing nearer to the tips.")
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
        what = f"{FORMS[run.form]}, {run.element} {CASES[run.case]}, {run.walls}".replace("  ", " ")
        say(box, what if holds else f"{what}: of an earlier state", "CHECKMARK" if holds else "ERROR")
        quick: dict[str, Band | None] = {}
        for part in run.parts:
            quick[part.part] = _quick(scene, variant, part.part, run.case) if holds else None
            box.label(text=f"{part.part}: {newtons(part)}")
            band = quick[part.part]
            if band is not None:
                box.label(text=f"  quick estimate {band.value:+.0f} N ({band.low:+.0f} to {band.high:+.0f})")
        if len(run.parts) > 1:
            box.label(text=f"elements and mounts: {newtons(run.total)}")
        if not holds:
            return
        sure = f"{100.0 * run.confidence:.0f} % intervals"
        say(box, f"{sure} at {to_kmh(run.speed_m_s):.0f} km/h; {ENDINGS[run.ending]}.")
        say(box, run.reynolds_note)
        for fault in run.faults:
            say(box, fault.text, "ERROR")
        for note in run.notes:
            say(box, note, "INFO")


CLASSES = (
    WINGFETTLE_OT_flow_ahead,
    WINGFETTLE_OT_flow_start,
    WINGFETTLE_OT_flow_pause,
    WINGFETTLE_OT_flow_stop,
    WINGFETTLE_OT_flow_drop,
    *flow_view.CLASSES,
    WINGFETTLE_PT_flow,
)


@persistent
def _before_opening(_path: str) -> None:
    if going() is not None:
        name = _needs_run().key[0]
        flow_going.end_run(f"The flow run of “{name}” ended because another file was opened; nothing of it is kept.")


@persistent
def _after_saving(_path: str) -> None:
    """What this session found is written beside the file under its new name, too."""
    for one in list(kept_all.values()):
        if one.job is not None:
            flow_going.why_ended[0] = keep_beside(one) or flow_going.why_ended[0].replace(UNSAVED, "").strip()


def register() -> None:
    bpy.app.handlers.load_pre.append(_before_opening)
    bpy.app.handlers.save_post.append(_after_saving)


def unregister() -> None:
    if bpy.app.timers.is_registered(flow_going.run_piece):
        bpy.app.timers.unregister(flow_going.run_piece)
    flow_going.end_run("")
    flow_going.aheads.clear()
    flow_going.cards.clear()
    bpy.app.handlers.load_pre.remove(_before_opening)
    bpy.app.handlers.save_post.remove(_after_saving)
