"""Panel: how far the scan lies from the rebuilt element, painted on both."""

from __future__ import annotations

import json

import bpy

from ..core.elements.deviation import deviation
from ..core.elements.deviation_colours import colour_ticks, deviation_colours
from ..core.errors import InputError
from ..core.units import from_mm, to_mm
from . import bridge, settings
from .element import chosen, needed
from .operator import JobOperator, JobPanel, say

ATTRIBUTE = "Deviation"
BANDS = 4.0
"""The colours end at so many tolerances."""
LEGEND_STEPS = 64


class WINGFETTLE_OT_map_deviation(JobOperator, bpy.types.Operator):
    """Paint the scan and the rebuilt element by their distance from each other, and show both by these colours"""

    bl_idname = "wingfettle.map_deviation"
    bl_label = "Map Deviation"

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        obj = needed(context)
        name = obj.wingfettle.element
        scan = settings.with_role(scene, "SCANNED", name) or settings.with_role(scene, "PART", name)
        if scan is None:
            raise InputError(f"There is no scan of “{name}” to compare with; measure it first.")
        tolerance = from_mm(job.tolerance_mm)
        limit = BANDS * tolerance
        found = deviation(bridge.mesh_of(scan), bridge.element_mesh(obj), tolerance_m=tolerance)
        bridge.write_colours(scan, ATTRIBUTE, deviation_colours(found.scan_m, limit, tolerance))
        bridge.write_colours(obj, ATTRIBUTE, deviation_colours(found.element_m, limit, tolerance))
        told = json.dumps(bridge.plain_deviation(found.summary) | {"legend": _legend(limit, tolerance)})
        obj.wingfettle.deviation = scan.wingfettle.deviation = told
        scan.hide_set(False)
        show_colours(context)
        return found.summary.sentence


class WINGFETTLE_OT_show_deviation(JobOperator, bpy.types.Operator):
    """Show objects by their own look again, or by the painted deviation"""

    bl_idname = "wingfettle.show_deviation"
    bl_label = "Colours On or Off"

    def work(self, context: bpy.types.Context) -> str:
        return "Shown by deviation." if show_colours(context, toggle=True) else "Shown by their materials."


def show_colours(context: bpy.types.Context, toggle: bool = False) -> bool:
    """Let every solid 3D view show painted colours, or with ``toggle`` materials where it shows colours already."""
    shown = True
    for area in context.screen.areas if context.screen is not None else ():
        if area.type == "VIEW_3D":
            shading = area.spaces.active.shading
            shown = not (toggle and shading.color_type == "VERTEX")
            shading.type, shading.color_type = "SOLID", "VERTEX" if shown else "MATERIAL"
    return shown


def _legend(limit: float, tolerance: float) -> dict[str, object]:
    steps = bridge.steps_between(-limit, limit, LEGEND_STEPS)
    return {
        "colours": deviation_colours(steps, limit, tolerance, srgb=True).tolist(),
        "none": deviation_colours(steps * float("nan"), limit, srgb=True)[0].tolist(),
        "ticks": [[to_mm(place), text] for place, text in colour_ticks(limit, tolerance)],
    }


class WINGFETTLE_PT_deviation(JobPanel, bpy.types.Panel):
    bl_label = "Deviation"
    bl_idname = "WINGFETTLE_PT_deviation"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        obj = chosen(context)
        if obj is None:
            say(col, "Select a rebuilt element to compare it with its scan.")
            return
        col.prop(context.scene.wingfettle, "tolerance_mm")
        row = col.row(align=True)
        row.operator("wingfettle.map_deviation")
        row.operator("wingfettle.show_deviation", text="", icon="COLOR")
        if obj.wingfettle.deviation:
            say(col, json.loads(obj.wingfettle.deviation)["sentence"])


CLASSES = (WINGFETTLE_OT_map_deviation, WINGFETTLE_OT_show_deviation, WINGFETTLE_PT_deviation)
