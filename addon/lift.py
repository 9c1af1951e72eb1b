"""Panel: which way each element pushes, how much, how sure."""

from __future__ import annotations

import bpy

from ..core.elements.arrow import arrow, force_arrow, label_place
from ..core.errors import InputError
from ..core.lift.estimate import estimate_lift
from ..core.units import from_kmh
from . import answers, bridge, settings
from .operator import JobOperator, JobPanel, say
from .variants import active


class WINGFETTLE_OT_estimate_lift(JobOperator, bpy.types.Operator):
    """Quick estimate of each element's force: alone, with the others, and on the car"""

    bl_idname = "wingfettle.estimate_lift"
    bl_label = "Estimate Lift"

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        assembly = answers.assembly(variant)
        if not assembly.elements:
            raise InputError(f"Variant “{variant.name}” has no elements, so there is no force to estimate.")
        body = answers.body(scene) if job.body is not None else None
        checked = answers.found(scene, variant, "clearance") or ()
        names = {e.name for e in assembly.elements}
        cutting = [c.part for c in checked if c.part in names and any(z.collides for z in c.zones)]
        result = estimate_lift(assembly, from_kmh(job.speed_kmh), body, colliding=cutting)
        answers.keep(scene, variant, "lift", result)
        settings.drop_marks(variant.elements)
        for place, lift in enumerate(result.elements):
            up = lift.alone_n.value > 0.0
            look = (
                bridge.material("Lift arrow", (0.10, 0.50, 1.00))
                if up
                else bridge.material("Downforce arrow", (0.60, 0.15, 0.75))
            )
            start, vector, radius = force_arrow(lift.centre_of_pressure, lift.alone_n.value, place)
            name = f"Force on {lift.element} ({variant.name})"
            mark = bridge.new_object(name, variant.elements, arrow(start, vector, radius))
            mark.data.materials.append(look)
            words = f"{lift.element}: {lift.direction}\n{lift.alone_n.value:+.0f} N alone"
            text = bridge.label(
                f"Label {name}", words, label_place(start, vector, assembly.elements), variant.elements, look
            )
            for obj in (mark, text):
                obj.wingfettle.role, obj.wingfettle.element = "MARK", lift.element
        return " ".join(e.sentence for e in result.elements)


class WINGFETTLE_PT_lift(JobPanel, bpy.types.Panel):
    bl_label = "Lift"
    bl_idname = "WINGFETTLE_PT_lift"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        col.prop(context.scene.wingfettle, "speed_kmh")
        col.operator("wingfettle.estimate_lift")
        result, problem = answers.shown(context.scene, settings.active_variant(context.scene), "lift")
        if result is None:
            say(col, problem, "ERROR")
            return
        for lift in result.elements:
            col.label(
                text=f"{lift.element}: {lift.direction}", icon="TRIA_UP" if lift.alone_n.value > 0.0 else "TRIA_DOWN"
            )
            for words, band in (("alone", lift.alone_n), ("together", lift.group_n), ("on the car", lift.on_car_n)):
                if band is not None:
                    col.label(text=f"  {words}: {band.value:+.0f} N ({band.low:+.0f} to {band.high:+.0f})")
            for warning in lift.warnings:
                say(col, warning, "ERROR")
        for warning in result.warnings:
            say(col, warning, "ERROR")
        say(col, "Positive is lift; downforce is negative lift.")


CLASSES = (WINGFETTLE_OT_estimate_lift, WINGFETTLE_PT_lift)
