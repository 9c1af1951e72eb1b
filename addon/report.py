"""Panel: pictures of every variant from one camera, the report, the model of the chosen variant."""

from __future__ import annotations

import json
import os

import bpy
from bpy.props import EnumProperty, IntProperty, StringProperty

from ..core.clearance.colours import clearance_colours
from ..core.elements.deviation import DeviationSummary, deviation_summary
from ..core.errors import InputError
from ..core.report.html import report_html
from ..core.report.results import SectionRow, VariantResult, results_json, section_row
from ..core.report.text import comparison_text
from ..core.report.view import rear_view
from ..core.units import from_kmh
from . import answers, bridge, clearance, settings
from .operator import JobOperator, JobPanel, say
from .variants import active, show_only

KINDS = ("clearance", "lift", "opening", "slides", "outline", "lamps", "mirror", "sweeps")


def results(scene: bpy.types.Scene) -> list[VariantResult]:
    """Every variant with its answers.

    Raises:
        InputError: one has not been worked out, or its numbers changed since.
    """
    found = []
    for variant in scene.wingfettle.variants:
        got = {kind: answers.found(scene, variant, kind) for kind in KINDS}
        if got["lift"] is None or got["clearance"] is None:
            raise InputError(
                f"Check the clearance and estimate the lift of “{variant.name}” first (or again: it has changed)."
            )
        outline, edges = got["outline"] or ((), ())
        slides, slide_zones = got["slides"] or ((), ())
        found.append(
            VariantResult(
                variant.name,
                answers.assembly(variant),
                got["clearance"],
                got["lift"],
                _picture(variant.picture),
                clearance_picture=_picture(variant.clearance_picture),
                opening=got["opening"],
                slides=slides,
                slide_zones=slide_zones,
                deflections=tuple(clearance.bendings(scene, variant)) if scene.wingfettle.bending else (),
                outline=outline,
                edges=edges,
                lamps=got["lamps"] or (),
                mirror=got["mirror"],
                sweeps=tuple((got["sweeps"] or {}).values()),
            )
        )
    return found


def _picture(path: str) -> bytes | None:
    return bridge.read_bytes(path) if path and os.path.isfile(path) else None


def section_rows(scene: bpy.types.Scene) -> list[SectionRow]:
    """The measured sections of the wing as found."""
    found = settings.variant_named(scene, settings.AS_FOUND)
    rows = []
    for obj in settings.element_objects(found) if found is not None else []:
        for row in json.loads(obj.wingfettle.measured or "[]"):
            rows.append(section_row(row))
    return rows


def deviations(scene: bpy.types.Scene) -> list[tuple[str, DeviationSummary]]:
    """How far the wing as found lies from its scan, for the elements whose map was made."""
    found = settings.variant_named(scene, settings.AS_FOUND)
    objects = settings.element_objects(found) if found is not None else []
    return [
        (o.wingfettle.element, deviation_summary(json.loads(o.wingfettle.deviation)))
        for o in objects
        if o.wingfettle.deviation
    ]


class WINGFETTLE_OT_render_variants(JobOperator, bpy.types.Operator):
    """Render every variant from one camera behind the car, so that pictures can be laid side by side"""

    bl_idname = "wingfettle.render_variants"
    bl_label = "Render Variants"
    directory: StringProperty(subtype="DIR_PATH")
    width: IntProperty(default=1280, min=64)
    samples: IntProperty(default=12, min=1)

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        if job.body is None or not job.variants:
            raise InputError("There is nothing to render yet: take in a body scan and measure the wing first.")
        os.makedirs(self.directory, exist_ok=True)
        bridge.studio(scene, rear_view(answers.body(scene)), self.width, self.samples)
        chosen = settings.active_variant(scene)
        names = []
        for number, variant in enumerate(job.variants):
            show_only(scene, variant)
            # A customer votes on a finished wing, not on what of it was scanned.
            for obj in settings.element_objects(variant):
                bridge.tell_completed_apart(obj, False)
            variant.picture = os.path.join(self.directory, f"variant-{number + 1}.png")
            scene.render.filepath = variant.picture
            bpy.ops.render.render(write_still=True)
            names.append(variant.picture)
            for obj in settings.element_objects(variant):
                bridge.tell_completed_apart(obj, True)
        if chosen is not None:
            show_only(scene, chosen)
        return f"{len(names)} pictures in {self.directory}."


class WINGFETTLE_OT_render_clearance(JobOperator, bpy.types.Operator):
    """Render the chosen variant coloured by its clearance, with the distances drawn in"""

    bl_idname = "wingfettle.render_clearance"
    bl_label = "Render Clearance"
    directory: StringProperty(subtype="DIR_PATH")
    view: EnumProperty(
        name="View",
        items=[
            ("REAR", "From behind", "The camera of the variants' pictures"),
            ("CAMERA", "Scene camera", "The scene's camera where it stands"),
        ],
    )
    width: IntProperty(default=1280, min=64)
    samples: IntProperty(default=12, min=1)

    def work(self, context: bpy.types.Context) -> str:
        scene = context.scene
        variant = active(scene)
        if answers.found(scene, variant, "clearance") is None:
            raise InputError(f"Check the clearance of “{variant.name}” first (or again: it has changed).")
        os.makedirs(self.directory, exist_ok=True)
        if self.view == "CAMERA" and scene.camera is None:
            raise InputError("The scene has no camera; add one, or take the view from behind.")
        matrix = rear_view(answers.body(scene)) if self.view == "REAR" else bridge.array(scene.camera.matrix_world)
        bridge.studio(scene, matrix, self.width, self.samples)
        show_only(scene, variant)
        context.view_layer.update()
        maps, scale = clearance.maps(scene), self.width / 800.0
        worn = [(o, bridge.wear_map(o, clearance_colours(one, clearance.reach_m(scene)))) for o, one in maps]
        made = bridge.put_before_camera(scene, clearance.drawn_in_picture(scene, scale))
        arrows = [o for o in variant.elements.objects if o.wingfettle.role == "MARK" and not o.hide_render]
        for obj in arrows:
            obj.hide_render = True
        scene.render.filepath = os.path.join(self.directory, f"clearance-{scene.wingfettle.variant + 1}.png")
        try:
            bpy.ops.render.render(write_still=True)
        finally:
            for obj in made:
                settings.remove_object(obj)
            for obj, slots in worn:
                bridge.take_map_off(obj, slots)
            for obj in arrows:
                obj.hide_render = False
        variant.clearance_picture = scene.render.filepath
        return f"Picture in {scene.render.filepath}."


class WINGFETTLE_OT_write_report(JobOperator, bpy.types.Operator):
    """Write the report (one HTML file), the figures (JSON) and the chosen variant as STL"""

    bl_idname = "wingfettle.write_report"
    bl_label = "Write Report"
    directory: StringProperty(subtype="DIR_PATH")

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        found, rows = results(scene), section_rows(scene)
        os.makedirs(self.directory, exist_ok=True)
        lines = job.intake.splitlines()
        page = report_html(scene.name, found, sections=rows, intake_lines=lines, deviations=deviations(scene))
        with open(os.path.join(self.directory, "report.html"), "w", encoding="utf-8") as file:
            file.write(page)
        figures = results_json(found, speed_m_s=from_kmh(job.speed_kmh), sections=rows, intake={"lines": lines})
        with open(os.path.join(self.directory, "results.json"), "w", encoding="utf-8") as file:
            json.dump(figures, file, indent=1)
        with open(os.path.join(self.directory, "comparison.txt"), "w", encoding="utf-8") as file:
            file.write(comparison_text(found))
        for obj in scene.objects:
            obj.select_set(False)
        for obj in settings.element_objects(variant):
            obj.hide_set(False)
            obj.select_set(True)
        bpy.ops.wm.stl_export(
            filepath=os.path.join(self.directory, "wing.stl"),
            export_selected_objects=True,
            global_scale=1000.0,
            forward_axis="Y",
            up_axis="Z",
        )
        return f"report.html, results.json and wing.stl (mm) of “{variant.name}” are in {self.directory}."


class WINGFETTLE_PT_report(JobPanel, bpy.types.Panel):
    bl_label = "Report"
    bl_idname = "WINGFETTLE_PT_report"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        base = bpy.path.abspath("//wingfettle") if bpy.data.filepath else bpy.app.tempdir
        col.operator("wingfettle.render_variants").directory = base
        col.operator_menu_enum("wingfettle.render_clearance", "view").directory = base
        col.operator("wingfettle.write_report").directory = base
        say(col, f"Into {base}")
        say(col, "Loads, mounts, lamps and edges: have a licensed engineer check them; local codes apply.", "ERROR")


CLASSES = (
    WINGFETTLE_OT_render_variants,
    WINGFETTLE_OT_render_clearance,
    WINGFETTLE_OT_write_report,
    WINGFETTLE_PT_report,
)
