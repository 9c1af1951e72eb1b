"""Panel: name zones of the body that the wing must keep clear of, mirror them, say which lamps they hold."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import bpy
from bpy.props import FloatProperty, StringProperty

from ..core.errors import InputError
from ..core.scan.scan_mesh import ZONE_DEFAULTS, mirrored_faces, mirrored_name, zone_named
from ..core.units import to_mm
from . import answers, bridge, settings
from .clearance import outside_words
from .operator import JobOperator, JobPanel, say

REST = "rest of the body"
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
        name = self.name.strip()
        if not name:
            raise InputError("A zone needs a name, such as “boot lid”.")
        chosen = bridge.selected_faces(job.body)
        if not chosen.any():
            raise InputError("No faces of the body are selected; select those of the zone in Edit Mode.")
        if chosen.all():
            raise InputError(
                "The whole body is selected; select the faces of the zone alone in Edit Mode, or name the rest."
            )
        return _named(context.scene, name, chosen, self.required_mm)


class WINGFETTLE_OT_name_rest(JobOperator, bpy.types.Operator):
    """Make all faces of the body that are in no zone yet one zone, so that nothing of the body is left out"""

    bl_idname = "wingfettle.name_rest"
    bl_label = "Name the Rest"

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        if job.body is None:
            raise InputError("There is no body scan yet; import one.")
        zones = bridge.zones_of(job.body)
        if (zones >= 0).all():
            raise InputError("Every face of the body is in a zone already.")
        rest = job.zones.find(REST)
        return _named(context.scene, REST, (zones < 0) | (zones == rest), -1.0)


class WINGFETTLE_OT_mirror_zone(JobOperator, bpy.types.Operator):
    """Make the faces on the other side of the car a zone, too: left becomes right"""

    bl_idname = "wingfettle.mirror_zone"
    bl_label = "Mirror Zone"
    name: StringProperty(name="Zone")

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        source = job.zones.get(self.name)
        if job.body is None or source is None:
            raise InputError(f"There is no zone “{self.name}”.")
        other = mirrored_name(self.name)
        own = bridge.zones_of(job.body) == job.zones.find(self.name)
        if not own.any():
            raise InputError(f"Zone “{self.name}” holds no faces, so there is nothing to mirror.")
        # What lies on both sides of the centre plane stays with the zone it was given to.
        chosen = bridge.whole_faces(job.body, mirrored_faces(answers.body(scene), own)) & ~own
        if not chosen.any():
            raise InputError(f"The scan has no faces of their own where the mirror image of “{self.name}” would lie.")
        required, lamps = source.required_mm, set(source.lamps)
        item = _zone_item(job, other, required)
        item.lamps = lamps
        words = bridge.faces_words(job.body, chosen)
        return f"Zone “{other}”: {words}, as “{self.name}”.{_paint(scene, other, chosen)}"


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
        words = bridge.faces_words(job.body, chosen)
        return f"{words} of “{self.name}” {'is' if words.startswith('1 ') else 'are'} selected."


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
        _take_out(context.scene, number)
        return f"Zone “{self.name}” is taken out."


def _take_out(scene: bpy.types.Scene, number: int) -> None:
    job = scene.wingfettle
    zones = bridge.zones_of(job.body)
    zones[zones == number] = -1
    zones[zones > number] -= 1
    job.zones.remove(number)
    bridge.drop_zone_look(job.body, number)
    bridge.write_zones(job.body, zones)
    settings.body_changed(scene)
    with suppress(InputError):
        answers.share_in_no_zone(scene)  # the panel tells it


def _named(scene: bpy.types.Scene, name: str, chosen: Any, required_mm: float) -> str:
    """Make ``chosen`` (m,) the faces of a zone, new or not; below zero keeps what it asks for, or the customary."""
    job = scene.wingfettle
    if required_mm < 0.0:
        required_mm = job.zones[name].required_mm if name in job.zones else to_mm(zone_named(name).required_m)
    item = _zone_item(job, name, required_mm)
    words = f"{bridge.faces_words(job.body, chosen)}, keep {item.required_mm:.0f} mm clear ({item.reason})"
    return f"Zone “{name}”: {words}.{_paint(scene, name, chosen)}"


def _zone_item(job: settings.SceneSettings, name: str, required_mm: float) -> settings.ZoneItem:
    fresh = name not in job.zones
    item = job.zones.add() if fresh else job.zones[name]
    item.name, item.reason, item.required_mm = name, zone_named(name).reason, required_mm
    if fresh:
        item.lamps = LAMPS.get(name, set())
    return item


def _paint(scene: bpy.types.Scene, name: str, chosen: Any) -> str:
    """Make ``chosen`` (m,) the zone's faces, and colour them; a sentence more for each zone that they were taken from.

    A zone left without faces is taken out.
    """
    job = scene.wingfettle
    number = job.zones.find(name)
    zones = bridge.zones_of(job.body)
    words, empty = "", []
    for k, other in enumerate(job.zones):
        taken = chosen & (zones == k)
        if k == number or not taken.any():
            continue
        count = bridge.faces_words(job.body, taken)
        words += f" {count} {'was' if count.startswith('1 ') else 'were'} taken from “{other.name}”"
        if (taken == (zones == k)).all():
            empty.append(other.name)
            words += ", which holds none now and is taken out"
        words += "."
    zones[zones == number] = -1
    zones[chosen] = number
    bridge.write_zones(job.body, zones)
    colour = ZONE_COLOURS.get(name, PLAIN_ZONE)
    bridge.paint_zone(job.body, number, bridge.material(f"Zone {name}", colour, 0.25))
    for other_name in empty:
        _take_out(scene, job.zones.find(other_name))
    settings.body_changed(scene)
    with suppress(InputError):
        answers.share_in_no_zone(scene)  # the panel tells it
    return words


def _has_a_side(name: str) -> bool:
    try:
        mirrored_name(name)
    except InputError:
        return False
    return True


class WINGFETTLE_PT_zones(JobPanel, bpy.types.Panel):
    bl_label = "Zones"
    bl_idname = "WINGFETTLE_PT_zones"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        col.operator("wingfettle.name_zone")
        say(col, outside_words(context.scene), "INFO")
        if context.scene.wingfettle.zones and answers.known_share_in_no_zone(context.scene) != 0.0:
            col.operator("wingfettle.name_rest")
        for zone in context.scene.wingfettle.zones:
            row = col.row(align=True)
            row.operator("wingfettle.select_zone", text=zone.name, emboss=False).name = zone.name
            row.prop(zone, "required_mm", text="")
            if _has_a_side(zone.name):
                row.operator("wingfettle.mirror_zone", text="", icon="MOD_MIRROR").name = zone.name
            row.operator("wingfettle.drop_zone", text="", icon="X").name = zone.name
            say(col, zone.reason)


CLASSES = (
    WINGFETTLE_OT_name_zone,
    WINGFETTLE_OT_name_rest,
    WINGFETTLE_OT_mirror_zone,
    WINGFETTLE_OT_select_zone,
    WINGFETTLE_OT_drop_zone,
    WINGFETTLE_PT_zones,
)
