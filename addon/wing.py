"""Panel: box in an element of the scan, cut and fit its sections, rebuild it."""

from __future__ import annotations

import json

import bpy
from bpy.props import StringProperty

from ..core.elements.loft import loft
from ..core.elements.rebuild import rebuild
from ..core.errors import InputError
from ..core.scan.mirror import left_half
from ..core.sections.measure import MeasuredElement, faces_in_place, measure_element
from ..core.sections.naca import nearest_naca4
from ..core.sections.orientation import orientation_of_element
from ..core.sections.summary import plain_sections, sentence
from ..core.units import from_mm
from . import bridge, settings
from .operator import JobOperator, JobPanel
from .scan import note


class WINGFETTLE_OT_add_place(JobOperator, bpy.types.Operator):
    """Add a box at the 3D cursor; move and scale it until it encloses one element of the scan"""

    bl_idname = "wingfettle.add_place"
    bl_label = "Box for an Element"
    element: StringProperty(name="Element", default="lower")

    def work(self, context: bpy.types.Context) -> str:
        box = bpy.data.objects.new(f"Place of {self.element}", None)
        context.scene.collection.objects.link(box)
        box.empty_display_type, box.empty_display_size = "CUBE", 0.5
        box.location = context.scene.cursor.location
        box.wingfettle.role, box.wingfettle.element = "PLACE", self.element
        return f"Scale the box until it encloses “{self.element}” and nothing else."


class WINGFETTLE_OT_measure(JobOperator, bpy.types.Operator):
    """Cut the scan inside the box at several stations, fit a section to each, and rebuild the element"""

    bl_idname = "wingfettle.measure"
    bl_label = "Measure and Rebuild"
    element: StringProperty(name="Element", default="lower")

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        place = settings.with_role(scene, "PLACE", self.element)
        if place is None:
            raise InputError(f"There is no box for “{self.element}” yet; add one and move it over the wing.")
        context.view_layer.update()
        source = settings.with_role(scene, "PART", self.element) or job.body
        if source is None:
            raise InputError("There is no body scan yet; import one.")
        scan = bridge.mesh_of(source)
        inside = faces_in_place(scan, bridge.place_box(place), self.element)
        if source is job.body and inside.all():
            raise InputError(f"The box for “{self.element}” holds the whole scan; shrink it round the element alone.")
        part = scan.subset(inside)
        # The body's right half is the left one mirrored: measuring it again would only flatter the errors.
        measured = measure_element(
            self.element,
            part.subset(left_half(part)) if source is job.body and job.half != "whole" else part,
            job.station_count,
            weights=job.weight_count,
        )
        tolerance = from_mm(job.tolerance_mm)
        rebuilt = rebuild(measured, from_mm(job.whole_span_mm) or None, tolerance_m=tolerance)
        element = rebuilt.element
        loft(element)  # refuses numbers that make no solid, before anything in the scene is touched
        variant = settings.variant_named(scene, settings.AS_FOUND)
        if variant is None:
            variant = job.variants.add()
            variant.name, variant.elements = settings.AS_FOUND, bridge.collection(scene, f"Wing {settings.AS_FOUND}")
        obj = next((o for o in settings.element_objects(variant) if o.wingfettle.element == self.element), None)
        if obj is None:
            obj = bridge.new_object(f"{self.element} ({settings.AS_FOUND})", variant.elements)
        numbers = obj.wingfettle
        numbers.covered = json.dumps(rebuilt.covered)
        bridge.write_element(obj, element, "as measured")
        numbers.measured = json.dumps(plain_sections(measured, tolerance))
        line = sentence(measured, tolerance)
        numbers.findings = "\n".join([line, rebuilt.sentence, *_findings(measured)])
        numbers.deviation = ""
        # The scanned wing leaves the body, so that the rebuilt one is checked against bodywork alone.
        if source is job.body:
            apart = bridge.new_object(f"Scan of {self.element}", bridge.collection(scene, "Scanned wing"), part)
            apart.wingfettle.role, apart.wingfettle.element = "SCANNED", self.element
            apart.hide_render = True
            apart.hide_set(True)
            bridge.keep_faces(source, scan, ~inside)
            settings.body_changed(scene)
        else:
            source.hide_render = True
            source.hide_set(True)
        settings.choose_only(context, obj)
        for found in numbers.findings.splitlines():
            note(scene, found if found.startswith("“") else f"“{self.element}”: {found}")
        return line


def _findings(measured: MeasuredElement) -> list[str]:
    """Which way the sections push and what they were drawn from."""
    fits = [s.fit for s in measured.square]
    middle = min(measured.square, key=lambda s: (s.fit.missing, abs(s.y_m)))
    return [orientation_of_element(fits).sentence, nearest_naca4(middle.fit).sentence]


class WINGFETTLE_PT_wing(JobPanel, bpy.types.Panel):
    bl_label = "Wing"
    bl_idname = "WINGFETTLE_PT_wing"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        job = context.scene.wingfettle
        row = col.row(align=True)
        row.prop(job, "new_element", text="")
        row.operator("wingfettle.add_place").element = job.new_element
        col.prop(job, "tolerance_mm")
        row = col.row(align=True)
        row.prop(job, "station_count")
        row.prop(job, "weight_count")
        col.prop(job, "whole_span_mm")
        for place in context.scene.objects:
            if place.wingfettle.role == "PLACE":
                name = place.wingfettle.element
                col.operator("wingfettle.measure", text=f"Measure and Rebuild “{name}”").element = name


CLASSES = (WINGFETTLE_OT_add_place, WINGFETTLE_OT_measure, WINGFETTLE_PT_wing)
