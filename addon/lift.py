"""Panel: which way each element pushes, how much, how sure; and what the air does, painted and drawn."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import bpy

from ..core.assembly.assembly import Assembly
from ..core.elements.arrow import arrow, force_arrow, label_place
from ..core.errors import InputError
from ..core.lift.colours import pressure_colours, pressure_steps, pressure_ticks
from ..core.lift.estimate import PreparedBody, air_of, estimate_lift
from ..core.lift.fields import FlowField, flow_field
from ..core.lift.result import Air, ElementLift, LiftEstimate, SpanLoad
from ..core.lift.streamlines import plane_seeds, streamlines
from ..core.lift.sweep import Sweep, sweep
from ..core.report.callouts import Drawing, legend
from ..core.report.sweep_picture import sweep_picture
from ..core.units import from_degrees, from_kmh, from_mm
from . import answers, bridge, settings
from .operator import BackgroundOperator, JobOperator, JobPanel, Steps, aside, say
from .variants import active

PRESSURE = "Pressure"
LOW, HIGH = -2.0, 1.0
"""Pressure coefficients where the colours end: a stagnation point has 1, suction beyond -2 is near stall."""
CURVE_M = 0.0006
"""A spanwise load of 1 N/m is drawn so high."""
THUMBNAIL = (200, 80)
Tick = Callable[[float, str], None]


def speed_of(job: settings.SceneSettings) -> float:
    """m/s."""
    return from_kmh(job.speed_kmh)


def air_now(job: settings.SceneSettings) -> Air:
    """The air of the set temperature and altitude."""
    return air_of(job.temperature_c + 273.15, job.altitude_m)


def colliding(scene: bpy.types.Scene, variant: settings.VariantItem) -> list[str]:
    """Elements that were found to cut into the body."""
    checked = answers.found(scene, variant, "clearance") or ()
    names = {o.wingfettle.element for o in settings.element_objects(variant)}
    return [c.part for c in checked if c.part in names and any(z.collides for z in c.zones)]


class WINGFETTLE_OT_estimate_lift(BackgroundOperator, bpy.types.Operator):
    """Each element's force: alone, with the others, and on the car"""

    bl_idname = "wingfettle.estimate_lift"
    bl_label = "Estimate Lift"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket, name = answers.ticket(scene, variant, "lift"), variant.name
        assembly = answers.assembly(variant)
        if not assembly.elements:
            raise InputError(f"Variant “{name}” has no elements, so there is no force to estimate.")
        yield 0.01, "Estimating the lift"
        task = partial(
            _estimated, assembly, speed_of(job), air_now(job), colliding(scene, variant), answers.prepared(scene)
        )
        result = yield from aside(task, low=0.02, high=0.98)
        answers.keep(ticket, result)
        still = settings.variant_named(scene, name)
        if still is not None:
            _draw_arrows(still, result, assembly)
        return " ".join(e.sentence for e in result.elements)


def _estimated(
    assembly: Assembly,
    speed: float,
    air: Air,
    cutting: list[str],
    prepared: Callable[[], PreparedBody | None],
    tick: Tick,
) -> LiftEstimate:
    body = None if cutting else prepared()
    return estimate_lift(assembly, speed, None, air, cutting, prepared=body, tick=tick)


def _draw_arrows(variant: settings.VariantItem, result: LiftEstimate, assembly: Assembly) -> None:
    """An arrow for each element's force alone, at its centre of pressure."""
    settings.drop_marks(variant.elements)
    for place, lift in enumerate(result.elements):
        up = lift.alone_n.value > 0.0
        look = _force_look(up)
        start, vector, radius = force_arrow(lift.centre_of_pressure, lift.alone_n.value, place)
        name = f"Force on {lift.element} ({variant.name})"
        mark = bridge.new_object(name, variant.elements, arrow(start, vector, radius))
        mark.data.materials.append(look)
        words = f"{lift.element}: {lift.direction}\n{lift.alone_n.value:+.0f} N alone"
        where = label_place(start, vector, assembly.elements)
        text = bridge.label(f"Label {name}", words, where, variant.elements, look)
        for obj in (mark, text):
            obj.wingfettle.role, obj.wingfettle.element = "MARK", lift.element


def _force_look(up: bool) -> bpy.types.Material:
    name, colour = ("Lift arrow", (0.10, 0.50, 1.00)) if up else ("Downforce arrow", (0.60, 0.15, 0.75))
    return bridge.material(name, colour)


def _flow(scene: bpy.types.Scene, variant: settings.VariantItem) -> Callable[[Tick], FlowField]:
    """What works out the flow of the chosen case, or gives the one already there; to be called beside Blender."""
    job = scene.wingfettle
    kept = answers.found(scene, variant, "flow")
    if kept is not None:
        return lambda tick: kept
    if job.lift_case == "on car" and colliding(scene, variant):
        raise InputError("An element cuts into the body, so there is no flow on the car; show the wing without it.")
    assembly, prepared, case = answers.assembly(variant), answers.prepared(scene), job.lift_case
    speed, air = speed_of(job), air_now(job)

    def work(tick: Tick) -> FlowField:
        body = prepared() if case == "on car" else None
        if case == "on car" and body is None:
            raise InputError("There is no body scan; show the wing without the car.")
        return flow_field(assembly, speed, air=air, case=case, prepared=body, tick=tick)

    return work


class WINGFETTLE_OT_paint_pressure(BackgroundOperator, bpy.types.Operator):
    """Colour elements and body by the pressure of the air on them"""

    bl_idname = "wingfettle.paint_pressure"
    bl_label = "Paint Pressure"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket, work = answers.ticket(scene, variant, "flow"), _flow(scene, variant)
        objects = {o.name: (o.wingfettle.element, bridge.mesh_of(o).points) for o in settings.element_objects(variant)}
        body = answers.body(scene) if job.lift_case == "on car" and job.body is not None else None
        name = job.body.name if body is not None else ""

        def task(tick: Tick) -> tuple[FlowField, dict[str, Any]]:
            flow = work(tick)
            found = {key: flow.surface_pressure(element, points) for key, (element, points) in objects.items()}
            if body is not None:
                found[name] = flow.body_pressure(body.points)
            return flow, {key: pressure_look(cp) for key, cp in found.items()}

        yield 0.02, "Working out the pressure"
        flow, colours = yield from aside(task, low=0.05, high=0.95)
        answers.keep(ticket, flow)
        for key, found in colours.items():
            obj = bpy.data.objects.get(key)
            if obj is not None and len(obj.data.vertices) == len(found):
                bridge.write_colours(obj, PRESSURE, found)
        _show_pressure(context, True)
        return f"Pressure coefficients of the wind {'on the car' if flow.case == 'on car' else 'without the car'}."


class WINGFETTLE_OT_show_pressure(JobOperator, bpy.types.Operator):
    """Show elements and body by their painted pressure, or by their own look again"""

    bl_idname = "wingfettle.show_pressure"
    bl_label = "Pressure On or Off"

    def work(self, context: bpy.types.Context) -> str:
        on = not context.scene.wingfettle.show_pressure
        if on and not any(PRESSURE in o.data.color_attributes for o in context.scene.objects if o.type == "MESH"):
            raise InputError("No pressure is painted yet; paint it first.")
        _show_pressure(context, on)
        return "Pressure is shown." if on else "Everything has its own look."


def _show_pressure(context: bpy.types.Context, on: bool) -> None:
    context.scene.wingfettle.show_pressure = on
    for obj in context.scene.objects:
        if on and obj.type == "MESH" and PRESSURE in obj.data.color_attributes:
            obj.data.color_attributes.active_color = obj.data.color_attributes[PRESSURE]
    bridge.shade_views(context, "VERTEX" if on else "MATERIAL")


def pressure_look(found: Any) -> Any:
    """(n, 4) linear light for pressure coefficients (n,)."""
    return pressure_colours(found, LOW, HIGH)


def drawn_legend(scale: float) -> Drawing:
    """The scale of the painted pressure."""
    words = ("Pressure coefficient", "1: wind stopped")
    return legend(words, pressure_steps(LOW, HIGH), pressure_ticks(LOW, HIGH), (), scale)


class WINGFETTLE_OT_draw_streamlines(BackgroundOperator, bpy.types.Operator):
    """Draw the ways of the air in an upright plane along the car"""

    bl_idname = "wingfettle.draw_streamlines"
    bl_label = "Draw Streamlines"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket, work, name = answers.ticket(scene, variant, "flow"), _flow(scene, variant), variant.name
        meshes = [bridge.mesh_of(o) for o in settings.element_objects(variant)]
        seeds, box, inside = bridge.stream_plane(meshes, answers.body(scene) if job.body is not None else None)
        y = from_mm(job.stream_y_mm)

        def task(tick: Tick) -> tuple[FlowField, list[Any]]:
            flow = work(lambda share, doing: tick(0.4 * share, doing))
            return flow, streamlines(
                flow.velocity, plane_seeds(y, *seeds), length_m=4.0, step_m=0.03, box=box, stop=inside,
                tick=lambda share, doing: tick(0.4 + 0.6 * share, doing),
            )  # fmt: skip

        yield 0.02, "Following the air"
        flow, lines = yield from aside(task, low=0.05, high=0.98)
        answers.keep(ticket, flow)
        still = settings.variant_named(scene, name)
        if still is None:
            raise InputError(f"Variant “{name}” has gone meanwhile.")
        _replace_marks(still, "Streamlines")
        made = bridge.polylines(f"Streamlines ({name})", lines, 0.0015, still.elements)
        made.data.materials.append(bridge.material("Streamline", (0.85, 0.86, 0.84), 0.6))
        made.wingfettle.role = "MARK"
        return f"{sum(len(line) > 1 for line in lines)} streamlines {job.stream_y_mm:.0f} mm from the centre plane."


class WINGFETTLE_OT_draw_span_load(JobOperator, bpy.types.Operator):
    """Draw how the force is spread along each element as a curve over it"""

    bl_idname = "wingfettle.draw_span_load"
    bl_label = "Draw Load along the Span"

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        result = answers.found(scene, variant, "lift")
        if result is None:
            raise InputError(f"Estimate the lift of “{variant.name}” first (or again: it has changed).")
        _replace_marks(variant, "Load")
        for lift in result.elements:
            load = lift.load(job.lift_case) or lift.load("group")
            if load is None:
                continue
            curve, base = bridge.load_curve(load.y_m, load.load_n_m, load.centre, CURVE_M)
            up = load.force_n[2] > 0.0
            look = bridge.material(
                *(("Lift arrow", (0.10, 0.50, 1.00)) if up else ("Downforce arrow", (0.60, 0.15, 0.75)))
            )
            made = bridge.polylines(f"Load of {lift.element} ({variant.name})", [curve, base], 0.002, variant.elements)
            made.data.materials.append(look)
            peak = max(load.load_n_m, key=abs)
            text = bridge.label(
                f"Label load of {lift.element}", f"{lift.element}: up to {peak:+.0f} N/m", curve[-1],
                variant.elements, look,
            )  # fmt: skip
            for obj in (made, text):
                obj.wingfettle.role, obj.wingfettle.element = "MARK", lift.element
        return "Load along the span: above the line lift, below it downforce."


def _replace_marks(variant: settings.VariantItem, kind: str) -> None:
    for obj in [o for o in variant.elements.objects if o.wingfettle.role == "MARK" and kind.lower() in o.name.lower()]:
        settings.remove_object(obj)


class WINGFETTLE_OT_what_if(BackgroundOperator, bpy.types.Operator):
    """Forces over a row of heights, fore-aft places, incidences or speeds"""

    bl_idname = "wingfettle.what_if"
    bl_label = "What If"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket = answers.ticket(scene, variant, "sweeps")
        kept: dict[str, Sweep] = dict(answers.found(scene, variant, "sweeps") or {})
        assembly, prepared = answers.assembly(variant), answers.prepared(scene)
        if not assembly.elements:
            raise InputError(f"Variant “{variant.name}” has no elements.")
        what, element = job.sweep_what, job.sweep_element
        size = {"gap": from_mm, "stagger": from_mm, "incidence": from_degrees, "speed": from_kmh}[what](job.sweep_reach)
        values = bridge.both_ways(size, job.sweep_steps)
        speed, air, cutting = speed_of(job), air_now(job), colliding(scene, variant)

        def task(tick: Tick) -> Sweep:
            body = None if cutting else prepared()

            def at(one: Assembly, pace: float = speed) -> LiftEstimate:
                return estimate_lift(one, pace, None, air, cutting, prepared=body)

            return sweep(assembly, what, element, values, at, at_speed=at, tick=tick)

        yield 0.01, "Trying what if"
        found = yield from aside(task, low=0.02, high=0.98)
        kept[f"{what} {found.element}".strip()] = found
        answers.keep(ticket, kept)
        for key, one in kept.items():
            bridge.show_picture(_thumbnail(key), sweep_picture(one, *THUMBNAIL))
        return found.sentence


def _thumbnail(key: str) -> str:
    return f"What if: {key}"


class WINGFETTLE_PT_lift(JobPanel, bpy.types.Panel):
    bl_label = "Lift"
    bl_idname = "WINGFETTLE_PT_lift"

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        variant = settings.active_variant(scene)
        col = self.layout.column()
        row = col.row(align=True)
        row.prop(job, "speed_kmh" if job.speed_unit == "kmh" else "speed_mph", text="Speed")
        row.prop(job, "speed_unit", text="")
        row = col.row(align=True)
        row.prop(job, "temperature_c")
        row.prop(job, "altitude_m")
        col.operator("wingfettle.estimate_lift")
        result, problem = answers.shown(scene, variant, "lift")
        if result is None:
            say(col, problem, "ERROR")
            return
        for lift in result.elements:
            self._element(col, lift)
        total = result.on_car_total_n or result.group_total_n
        where = "on the car" if result.on_car_total_n is not None else "together"
        col.label(text=f"All {where}: {total.value:+.0f} N ({total.low:+.0f} to {total.high:+.0f})")
        for channel in result.channels:
            say(col, channel.sentence, "ERROR" if channel.choke_index > 1.0 else "NONE")
        for warning in result.warnings:
            say(col, warning, "ERROR")
        say(col, f"Air of {result.air.density_kg_m3:.3f} kg/m³. Positive is lift; downforce is negative lift.")

    def _element(self, col: bpy.types.UILayout, lift: ElementLift) -> None:
        col.label(text=f"{lift.element}: {lift.direction}", icon="TRIA_UP" if lift.alone_n.value > 0.0 else "TRIA_DOWN")
        for words, band in (("alone", lift.alone_n), ("together", lift.group_n), ("on the car", lift.on_car_n)):
            if band is not None:
                col.label(text=f"  {words}: {band.value:+.0f} N ({band.low:+.0f} to {band.high:+.0f})")
        load: SpanLoad | None = lift.load("on car") or lift.load("group")
        if load is not None:
            col.label(text=f"  mounts: {load.sides_n[1]:+.0f} N left, {load.sides_n[0]:+.0f} N right")
        say(col, f"Confidence {lift.confidence}: {lift.confidence_reason}")
        for warning in lift.warnings:
            say(col, warning, "ERROR")


class OfLift(JobPanel):
    """A panel under that of the lift."""

    bl_parent_id = "WINGFETTLE_PT_lift"
    bl_options = {"DEFAULT_CLOSED"}


class WINGFETTLE_PT_air(OfLift, bpy.types.Panel):
    bl_label = "The Air"
    bl_idname = "WINGFETTLE_PT_air"

    def draw(self, context: bpy.types.Context) -> None:
        job = context.scene.wingfettle
        col = self.layout.column()
        col.prop(job, "lift_case")
        row = col.row(align=True)
        row.operator("wingfettle.paint_pressure")
        row.operator("wingfettle.show_pressure", text="", icon="HIDE_OFF" if job.show_pressure else "HIDE_ON")
        col.operator("wingfettle.draw_span_load")
        row = col.row(align=True)
        row.operator("wingfettle.draw_streamlines")
        row.prop(job, "stream_y_mm")


class WINGFETTLE_PT_what_if(OfLift, bpy.types.Panel):
    bl_label = "What If"
    bl_idname = "WINGFETTLE_PT_what_if"

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        col = self.layout.column()
        col.prop(job, "sweep_what", text="")
        if job.sweep_what != "speed":
            col.prop(job, "sweep_element")
        col.prop(job, "sweep_reach")
        col.prop(job, "sweep_steps")
        col.operator("wingfettle.what_if")
        found, problem = answers.shown(scene, settings.active_variant(scene), "sweeps")
        say(col, problem, "ERROR")
        for key, one in (found or {}).items():
            picture = bpy.data.images.get(_thumbnail(key))
            if picture is not None and picture.preview is not None:
                col.template_icon(icon_value=picture.preview.icon_id, scale=6.0)
            say(col, one.sentence)


CLASSES = (
    WINGFETTLE_OT_estimate_lift,
    WINGFETTLE_OT_paint_pressure,
    WINGFETTLE_OT_show_pressure,
    WINGFETTLE_OT_draw_streamlines,
    WINGFETTLE_OT_draw_span_load,
    WINGFETTLE_OT_what_if,
    WINGFETTLE_PT_lift,
    WINGFETTLE_PT_air,
    WINGFETTLE_PT_what_if,
)
