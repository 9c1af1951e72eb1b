"""What is shown of flow runs: the slice over the view and its scale, picture, streamlines, surface pressure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import bpy

from ..core.errors import InputError
from ..core.flow.slices import MOST_SPEED, FlowSlice, picture
from ..core.geometry.mesh import TriMesh
from ..core.lift.colours import pressure_ticks
from ..core.lift.streamlines import streamlines
from ..core.report.callouts import Drawing, legend
from . import answers, bridge, lift, settings
from .flow_going import going, jobs_now
from .flow_kept import chosen, needed
from .operator import BackgroundOperator, JobOperator, Steps, aside
from .variants import active

MID_SHARE = 0.5
"""Share of the span about its middle that is painted by a mid-span run, which knows nothing of the tips."""
PRESSURE = "Flow Run Pressure"
_pixels: dict[str, tuple[FlowSlice, str, Any]] = answers.of_file({})


def _cut_shown(scene: bpy.types.Scene) -> tuple[FlowSlice, float, str] | None:
    """The slice to show, the wind's speed and what the air does at the walls: of the run that goes on, else the mean of
    the chosen one."""
    one, variant = going(), settings.active_variant(scene)
    if one is not None:
        mine = one.shown if one.ticket.scene == scene.session_uid else None
        return (mine, one.job.speed_m_s, one.job.walls) if mine is not None else None
    if variant is None:
        return None
    try:
        found = chosen(scene, variant)
    except InputError:
        return None
    if found is None or found.mean is None:
        return None
    return found.mean, found.run.speed_m_s, found.run.walls


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
    _, wind, walls = found
    if job.flow_show == "pressure":
        ticks = pressure_ticks(lift.LOW, lift.HIGH)
        colours = bridge.slice_colours("pressure", lift.LOW, lift.HIGH, wind)
        return legend((f"{when}: pressure", "coefficient", walls), colours, ticks, (), scale)
    unit, name = (3.6, "km/h") if job.speed_unit == "kmh" else (3.6 / settings.KMH_OF_MPH, "mph")
    top = MOST_SPEED * wind * unit
    marked = [(share * top, f"{share * top:.0f}") for share in (0.0, 0.25, 0.5, 0.75, 1.0)]
    # The wind's own speed takes the place of a mark that it would run into.
    marked = [mark for mark in marked if abs(mark[0] - wind * unit) > 0.08 * top]
    ticks = sorted([*marked, (wind * unit, f"{wind * unit:.0f} wind")])
    colours = bridge.slice_colours("speed", 0.0, MOST_SPEED * wind, wind)
    return legend((f"{when}: speed", f"of the air, {name}", walls), colours, ticks, (), scale)


class WINGFETTLE_OT_flow_picture(JobOperator, bpy.types.Operator):
    """Keep the slice as it is shown as a plane with a picture, so that renders show it; delete it as any object"""

    bl_idname = "wingfettle.flow_picture"
    bl_label = "Keep Slice as Picture"

    def work(self, context: bpy.types.Context) -> str:
        scene = context.scene
        variant = active(scene)
        shown = slice_shown(scene)
        if shown is None:
            raise InputError("No slice is shown; start a flow run, and choose speed or pressure.")
        name = f"Flow slice ({variant.name})"
        for obj in [o for o in variant.elements.objects if o.wingfettle.role == "PICTURE" and o.name.startswith(name)]:
            bridge.remove_picture_plane(obj)
        made, one = bridge.picture_plane(name, *shown, variant.elements), going()
        made.wingfettle.role = "PICTURE"  # no mark: it stays when the elements change, as any picture does
        made.display_type = "WIRE"  # else it flickers with the slice that is drawn there
        if one is not None:
            one.pictures.append(made.name)
        found = _cut_shown(scene)
        walls = f", where the {found[2]}" if found is not None else ""
        return f"“{made.name}” shows the {scene.wingfettle.flow_show} of the air{walls}."


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
        cut = found.mean

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
        return f"{sum(len(line) > 1 for line in lines)} streamlines at mid-span, where the {found.run.walls}."


class WINGFETTLE_OT_flow_paint(JobOperator, bpy.types.Operator):
    """Colour the elements, and the body where it was run, by the mean pressure of the flow run; a mid-span run knows
    the middle half of each span"""

    bl_idname = "wingfettle.flow_paint"
    bl_label = "Paint Pressure"

    def work(self, context: bpy.types.Context) -> str:
        scene = context.scene
        variant = active(scene)
        found = needed(scene, variant)
        job = found.job if found.job is not None else jobs_now(scene, variant)[0]  # walls change no shape
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
        return f"Mean pressure coefficients on {words} by the flow run in which the {found.run.walls}."


CLASSES = (WINGFETTLE_OT_flow_picture, WINGFETTLE_OT_flow_streamlines, WINGFETTLE_OT_flow_paint)
