"""Panel: name zones of the body that the wing must keep clear of, mirror them, say which lamps they hold."""

from __future__ import annotations

from typing import Any

import bpy
from bpy.props import FloatProperty, StringProperty

from ..core.errors import InputError
from ..core.scan.scan_mesh import ZONE_DEFAULTS, mirrored_faces, mirrored_name, zone_named
from ..core.units import to_mm
from . import answers, bridge, settings
from .operator import JobOperator, JobPanel, say

PLAIN_ZONE = (0.42, 0.42, 0.36)
ZONE_COLOURS = {
    "boot lid": (0.36, 0.40, 0.44),
    "tail lamp left": (0.45, 0.03, 0.03),
    "tail lamp right": (0.45, 0.03, 0.03),
    "high stop lamp": (0.45, 0.03, 0.03),
    "rear window": (0.05, 0.07, 0.09),
    "number plate": (0.75, 0.75, 0.70),
    "bumper": (0.14, 0.15, 0.16),
}
LAMPS = {
    "tail lamp left": {"rear position", "stop", "direction indicator"},
    "tail lamp right": {"rear position", "stop", "direction indicator"},
    "high stop lamp": {"high-level stop"},
    "number plate": {"plate"},
}
"""What a zone of that name usually holds (common practice, no source)."""


def _usual_names(_operator: object, _context: bpy.types.Context, _typed: str) -> list[str]:
    return list(ZONE_DEFAULTS)


class WINGFETTLE_OT_name_zone(JobOperator, bpy.types.Operator):
    """Make the body's selected faces a named zone that the wing must keep clear of"""

    bl_idname = "wingfettle.name_zone"
    bl_label = "Name Selected Faces"
    name: StringProperty(name="Zone", default="boot lid", search=_usual_names, search_options={"SUGGESTION"})
    required_mm: FloatProperty(name="Keep clear (mm)", default=-1.0, description="Below zero: the customary value")

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        return context.window_manager.invoke_props_dialog(self)

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        if job.body is None:
            raise InputError("There is no body scan yet; import one.")
        if not self.name.strip():
            raise InputError("A zone needs a name, such as “boot lid”.")
        chosen = bridge.selected_faces(job.body)
        if not chosen.any():
            raise InputError("No faces of the body are selected; select those of the zone in Edit Mode.")
        required = zone_named(self.name).required_m if self.required_mm < 0.0 else None
        item = _zone_item(job, self.name, to_mm(required) if required is not None else self.required_mm)
        _paint(context.scene, item, chosen)
        return f"Zone “{self.name}”: {int(chosen.sum())} faces, keep {item.required_mm:.0f} mm clear ({item.reason})."


class WINGFETTLE_OT_mirror_zone(JobOperator, bpy.types.Operator):
    """Make the faces on the other side of the car a zone, too: left becomes right"""

    bl_idname = "wingfettle.mirror_zone"
    bl_label = "Mirror Zone"
    name: StringProperty(name="Zone")

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        source = job.zones.get(self.name)
        if source is None:
            raise InputError(f"There is no zone “{self.name}”.")
        other = mirrored_name(self.name)
        chosen = mirrored_faces(answers.body(scene), bridge.zones_of(job.body) == job.zones.find(self.name))
        if not chosen.any():
            raise InputError(f"The scan has no faces where the mirror image of “{self.name}” would lie.")
        required, lamps = source.required_mm, set(source.lamps)
        item = _zone_item(job, other, required)
        item.lamps = lamps
        _paint(scene, item, chosen)
        return f"Zone “{other}”: {int(chosen.sum())} faces, as “{self.name}”."


class WINGFETTLE_OT_select_zone(JobOperator, bpy.types.Operator):
    """Select the zone's faces on the body, to look at them or to change them in Edit Mode"""

    bl_idname = "wingfettle.select_zone"
    bl_label = "Select Zone's Faces"
    name: StringProperty(name="Zone")

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        if job.body is None or job.zones.find(self.name) < 0:
            raise InputError(f"There is no zone “{self.name}”.")
        chosen = bridge.zones_of(job.body) == job.zones.find(self.name)
        bridge.select_faces(job.body, chosen)
        settings.choose_only(context, job.body)
        return f"{int(chosen.sum())} faces of “{self.name}” are selected."


class WINGFETTLE_OT_drop_zone(JobOperator, bpy.types.Operator):
    """Take the zone out; its faces belong to none then"""

    bl_idname = "wingfettle.drop_zone"
    bl_label = "Take Zone Out"
    name: StringProperty(name="Zone")

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        number = job.zones.find(self.name)
        if job.body is None or number < 0:
            raise InputError(f"There is no zone “{self.name}”.")
        zones = bridge.zones_of(job.body)
        zones[zones == number] = -1
        zones[zones > number] -= 1
        job.zones.remove(number)
        bridge.drop_zone_look(job.body, number)
        bridge.write_faces(job.body, bridge.ZONE_ATTRIBUTE, zones)
        bridge.paint_faces(job.body, zones + 1)
        settings.body_changed(context.scene)
        return f"Zone “{self.name}” is taken out."


def _zone_item(job: settings.SceneSettings, name: str, required_mm: float) -> settings.ZoneItem:
    fresh = name not in job.zones
    item = job.zones.add() if fresh else job.zones[name]
    item.name, item.reason, item.required_mm = name, zone_named(name).reason, required_mm
    if fresh:
        item.lamps = LAMPS.get(name, set())
    return item


def _paint(scene: bpy.types.Scene, item: settings.ZoneItem, chosen: Any) -> None:
    """Store the zone's faces on the scan and colour them."""
    job = scene.wingfettle
    number = job.zones.find(item.name)
    zones = bridge.zones_of(job.body)
    zones[chosen] = number
    bridge.write_faces(job.body, bridge.ZONE_ATTRIBUTE, zones)
    colour = ZONE_COLOURS.get(item.name, PLAIN_ZONE)
    bridge.paint_zone(job.body, number, bridge.material(f"Zone {item.name}", colour, 0.25))
    settings.body_changed(scene)


class WINGFETTLE_PT_zones(JobPanel, bpy.types.Panel):
    bl_label = "Zones"
    bl_idname = "WINGFETTLE_PT_zones"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        col.operator("wingfettle.name_zone")
        for zone in context.scene.wingfettle.zones:
            row = col.row(align=True)
            row.operator("wingfettle.select_zone", text=zone.name, emboss=False).name = zone.name
            row.prop(zone, "required_mm", text="")
            if {"left", "right"} & set(zone.name.split()):
                row.operator("wingfettle.mirror_zone", text="", icon="MOD_MIRROR").name = zone.name
            row.operator("wingfettle.drop_zone", text="", icon="X").name = zone.name
            say(col, zone.reason)


CLASSES = (
    WINGFETTLE_OT_name_zone,
    WINGFETTLE_OT_mirror_zone,
    WINGFETTLE_OT_select_zone,
    WINGFETTLE_OT_drop_zone,
    WINGFETTLE_PT_zones,
)
