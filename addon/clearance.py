"""Panel: name zones of the body, check the chosen variant against them."""

from __future__ import annotations

import bpy
from bpy.props import FloatProperty, StringProperty

from ..core.clearance.measure import measure_clearance
from ..core.errors import InputError
from ..core.geometry.index import TriangleIndex
from ..core.scan.scan_mesh import zone_named
from ..core.units import from_mm, to_mm
from . import answers, bridge, settings
from .operator import JobOperator, JobPanel, say
from .variants import active, show_only

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


class WINGFETTLE_OT_name_zone(JobOperator, bpy.types.Operator):
    """Make the body's selected faces a named zone that the wing must keep clear of"""

    bl_idname = "wingfettle.name_zone"
    bl_label = "Name Selected Faces"
    name: StringProperty(name="Zone", default="boot lid")
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
        zone = zone_named(self.name)
        item = job.zones.get(self.name) or job.zones.add()
        item.name, item.reason = zone.name, zone.reason
        item.required_mm = self.required_mm if self.required_mm >= 0.0 else to_mm(zone.required_m)
        zones = bridge.zones_of(job.body)
        zones[chosen] = job.zones.find(self.name)
        bridge.write_faces(job.body, bridge.ZONE_ATTRIBUTE, zones)
        colour = ZONE_COLOURS.get(self.name, PLAIN_ZONE)
        bridge.paint_zone(job.body, job.zones.find(self.name), bridge.material(f"Zone {self.name}", colour, 0.25))
        settings.body_changed(context.scene)
        return f"Zone “{self.name}”: {int(chosen.sum())} faces, keep {item.required_mm:.0f} mm clear ({item.reason})."


class WINGFETTLE_OT_check_clearance(JobOperator, bpy.types.Operator):
    """Smallest distance from each element of the chosen variant to each zone; colliding faces are marked"""

    bl_idname = "wingfettle.check_clearance"
    bl_label = "Check Clearance"

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        if job.body is None or not job.zones:
            raise InputError("There are no zones yet; select faces of the body and name them.")
        body = answers.body(scene)
        if body.index is None:
            body.index = TriangleIndex.build(body.mesh, bridge.zones_of(job.body))
        answer = answers.of(scene, variant)
        names, required = [z.name for z in job.zones], [from_mm(z.required_mm) for z in job.zones]
        objects = settings.element_objects(variant)
        answer.clearance = tuple(
            measure_clearance(body.index, names, required, o.wingfettle.element, bridge.element_triangles(o))
            for o in objects
        )
        for obj, result in zip(objects, answer.clearance, strict=True):
            bridge.flag_element(obj, result.element_hits)
        show_only(scene, variant)
        nearest = [(c.element, min(c.zones, key=lambda z: z.distance_m)) for c in answer.clearance]
        return "; ".join(f"{name}: {zone.zone} at {to_mm(zone.distance_m):.1f} mm" for name, zone in nearest)


class WINGFETTLE_PT_clearance(JobPanel, bpy.types.Panel):
    bl_label = "Clearance"
    bl_idname = "WINGFETTLE_PT_clearance"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        col.operator("wingfettle.name_zone")
        for zone in context.scene.wingfettle.zones:
            row = col.row()
            row.label(text=zone.name)
            row.prop(zone, "required_mm", text="")
        col.operator("wingfettle.check_clearance")
        answer, problem = answers.shown(context.scene, settings.active_variant(context.scene))
        if answer is None:
            say(col, problem, "ERROR")
            return
        for result in answer.clearance:
            col.label(text=result.element)
            for zone in result.zones:
                mark = {"clear": "CHECKMARK", "tight": "ERROR", "touches": "CANCEL"}[zone.verdict]
                col.label(text=f"{zone.zone}: {to_mm(zone.distance_m):.1f} mm, {zone.verdict}", icon=mark)


CLASSES = (WINGFETTLE_OT_name_zone, WINGFETTLE_OT_check_clearance, WINGFETTLE_PT_clearance)
