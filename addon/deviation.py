"""Panel: how far the scan lies from the rebuilt element, painted on both."""

from __future__ import annotations

import json
from typing import Any

import bpy

from ..core.elements.deviation import deviation
from ..core.elements.deviation_colours import NO_PARTNER, colour_steps, colour_ticks, deviation_colours
from ..core.errors import InputError
from ..core.report.callouts import Drawing, legend
from ..core.units import from_mm
from . import bridge, settings
from .element import chosen, needed
from .operator import JobOperator, JobPanel, say

ATTRIBUTE = "Deviation"
BANDS = 4.0
"""The colours end at so many tolerances."""


class WINGFETTLE_OT_map_deviation(JobOperator, bpy.types.Operator):
    """Paint the scan and the rebuilt element by their distance from each other, and show both by these colours"""

    bl_idname = "wingfettle.map_deviation"
    bl_label = "Map Deviation"

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        obj = needed(context)
        scan = _scan_of(scene, obj)
        tolerance = from_mm(job.tolerance_mm)
        limit = BANDS * tolerance
        found = deviation(bridge.mesh_of(scan), bridge.element_mesh(obj), tolerance_m=tolerance)
        bridge.write_colours(scan, ATTRIBUTE, deviation_colours(found.scan_m, limit, tolerance))
        bridge.write_colours(obj, ATTRIBUTE, deviation_colours(found.element_m, limit, tolerance))
        told = json.dumps(bridge.plain_deviation(found.summary))
        obj.wingfettle.deviation = scan.wingfettle.deviation = told
        show_colours(context, obj, scan, True)
        return found.summary.sentence


class WINGFETTLE_OT_show_deviation(JobOperator, bpy.types.Operator):
    """Show the scan by its painted deviation, or the element by its own look again"""

    bl_idname = "wingfettle.show_deviation"
    bl_label = "Map On or Off"

    def work(self, context: bpy.types.Context) -> str:
        obj = needed(context)
        scan = _scan_of(context.scene, obj)
        on = scan.hide_get()
        if on and not obj.wingfettle.deviation:
            raise InputError("There is no deviation map of this element yet, or it has changed since; make it first.")
        show_colours(context, obj, scan, on)
        return "The scan is shown by its deviation." if on else "The element is shown by its own look."


def show_colours(context: bpy.types.Context, obj: bpy.types.Object, scan: bpy.types.Object, on: bool) -> None:
    """Show the painted scan in place of the element, whose surface it would flicker through; or turn back."""
    scan.hide_set(not on)
    obj.hide_set(on)
    context.scene.wingfettle.show_pressure = False
    bridge.shade_views(context, "VERTEX" if on else "MATERIAL")


def _scan_of(scene: bpy.types.Scene, obj: bpy.types.Object) -> bpy.types.Object:
    name = obj.wingfettle.element
    scan = settings.with_role(scene, "SCANNED", name) or settings.with_role(scene, "PART", name)
    if scan is None:
        raise InputError(f"There is no scan of “{name}” to compare with; measure it first.")
    return scan


def drawn_legend(told: dict[str, Any], scale: float) -> Drawing:
    """The scale of a map whose summary is ``told``."""
    tolerance = told["tolerance_m"]
    limit = BANDS * tolerance
    words = ("Scan off the rebuilt element, mm", "+ outside   - inside")
    ticks = colour_ticks(limit, tolerance)
    return legend(words, colour_steps(limit, tolerance), ticks, [(NO_PARTNER, "no partner")], scale)


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
        row.operator("wingfettle.show_deviation", text="", icon="HIDE_OFF")
        if obj.wingfettle.deviation:
            say(col, json.loads(obj.wingfettle.deviation)["sentence"])


CLASSES = (WINGFETTLE_OT_map_deviation, WINGFETTLE_OT_show_deviation, WINGFETTLE_PT_deviation)
