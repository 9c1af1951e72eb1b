"""Panel: pictures of every variant from one camera, the report, the model of the chosen variant."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

import bpy
from bpy.props import EnumProperty, IntProperty, StringProperty

from ..core.clearance.colours import clearance_colours
from ..core.elements.deviation import DeviationSummary, deviation_summary
from ..core.errors import InputError
from ..core.flow.result import FlowRun
from ..core.flow.store import kept_fields, path_of
from ..core.flow.tables import Table
from ..core.report.flow_blocks import slice_png
from ..core.report.html import report_html
from ..core.report.png import png_size
from ..core.report.results import FlowPicture, SectionRow, VariantResult, misfit, results_json, section_row
from ..core.report.text import comparison_text
from ..core.report.view import rear_view
from ..core.units import from_kmh
from . import answers, bridge, clearance, flow_kept, flow_queue, lift, settings
from .operator import JobOperator, JobPanel, say
from .studio import Stage, render, studio
from .variants import active, show_only

KINDS = ("clearance", "lift", "opening", "slides", "outline", "lamps", "mirror", "sweeps")
SHOWS = {"picture": ("picture",), "clearance_picture": ("clearance", "map"), "pressure_picture": ("flow",)}
"""What a variant's pictures show, as kinds of answers: a picture fits as long as these rest on the same."""
LIGHT, DARK = (1.0, 1.0, 1.0, 1.0), (0.02, 0.02, 0.02, 1.0)


def results(scene: bpy.types.Scene) -> list[VariantResult]:
    """Every variant with the answers it has, and the pictures that still fit.

    Raises:
        InputError: an element was moved in a way that its numbers cannot tell.
    """
    found, rows = [], _flow_rows(scene)
    for variant in _there(scene):
        got = {kind: answers.found(scene, variant, kind) for kind in KINDS}
        outline, edges = got["outline"] or ((), ())
        slides, slide_zones = got["slides"] or ((), ())
        lamps, not_judged = got["lamps"] or ((), ())
        runs = tuple(run for run, wrong in _runs(scene, variant) if not wrong)
        bent = scene.wingfettle.bending and got["lift"] is not None and settings.element_objects(variant)
        found.append(
            VariantResult(
                variant.name,
                answers.assembly(variant),
                got["clearance"] or (),
                got["lift"],
                _picture(scene, variant, "picture"),
                clearance_picture=_picture(scene, variant, "clearance_picture"),
                pressure_picture=_picture(scene, variant, "pressure_picture"),
                opening=got["opening"],
                slides=slides,
                slide_zones=slide_zones,
                deflections=tuple(clearance.bendings(scene, variant)) if bent else (),
                outline=outline,
                edges=edges,
                lamps=lamps,
                mirror=got["mirror"],
                sweeps=tuple((got["sweeps"] or {}).values()),
                lamps_left_out=not_judged,
                zoned_share=1.0 - answers.share_in_no_zone(scene) if got["clearance"] else None,
                flows=runs,
                flow_sweeps=tuple(one for one in rows if one.variant == variant.name),
                flow_pictures=tuple(one for run in runs if (one := _flow_picture(run)) is not None),
            )
        )
    return found


def _runs(scene: bpy.types.Scene, variant: settings.VariantItem) -> list[tuple[FlowRun, str]]:
    """The variant's flow runs, and why one cannot stand in the report; empty where it can."""
    found = []
    for run, holds in flow_kept.kept_runs(scene, variant):
        wrong = "the wing, the car or the air has changed since; run it again"
        if holds:
            wrong = misfit(run, answers.assembly(variant), answers.found(scene, variant, "lift"))
        found.append((run, wrong))
    return found


def _flow_rows(scene: bpy.types.Scene) -> tuple[Table, ...]:
    """Rows of flow runs that were posted to the scene's folder."""
    with suppress(InputError):  # it cannot be read
        return flow_queue.tables(scene)
    return ()


def _flow_picture(run: FlowRun) -> FlowPicture | None:
    """What lies beside the file of a run: its picture, or one made of its mean flow, and its clip."""
    folder = flow_kept.folder()
    if folder is None:
        return None
    path = path_of(folder, run)
    still, clip = path.with_suffix(".png"), path.with_name(f"{path.stem}-clip.png")
    words = f"{run.walls}; speed of the mean flow at the middle, the darker the faster; parts in dark grey"
    shown = _png(still)
    if shown is None:
        with suppress(InputError):  # a picture less is no reason for no report
            mean, _ = kept_fields(path.parent, run)
            shown = None if mean is None else slice_png(mean, run.speed_m_s)
    if shown is None:
        return None
    return FlowPicture(run.form, run.case, run.element, shown, words, _png(clip))


def _png(path: Path) -> bytes | None:
    """The file's bytes, if it is there and a PNG file."""
    data = bridge.read_bytes(str(path)) if path.is_file() else b""
    return data if png_size(data) is not None else None


def _there(scene: bpy.types.Scene) -> list[settings.VariantItem]:
    """The variants whose collection was not deleted by hand."""
    return [v for v in scene.wingfettle.variants if v.elements is not None]


def left_out(scene: bpy.types.Scene) -> list[str]:
    """A sentence for each variant whose elements are gone, and each picture or flow run that does not fit any more."""
    gone = [v.name for v in scene.wingfettle.variants if v.elements is None]
    return (
        [f"“{name}” is left out: its collection was deleted." for name in gone]
        + [
            f"The {kind.replace('_', ' ')} of “{variant.name}” is left out: it is of another state; render it again."
            for variant in _there(scene)
            for kind in SHOWS
            if getattr(variant, kind) and _picture(scene, variant, kind) is None
        ]
        + [
            f"The flow run of “{variant.name}” ({run.name}) is left out: {wrong}."
            for variant in _there(scene)
            for run, wrong in _runs(scene, variant)
            if wrong
        ]
    )


def keep_picture(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str, path: str) -> None:
    """Keep the path of a picture that was just rendered, and what it is of."""
    setattr(variant, kind, path)
    setattr(variant, f"{kind}_mark", _mark(scene, variant, kind, bridge.read_bytes(path)))


def _picture(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> bytes | None:
    """The picture's bytes, if it is still there and of the variant as it is."""
    path = bpy.path.abspath(getattr(variant, kind))
    if not path or not os.path.isfile(path):
        return None
    data = bridge.read_bytes(path)
    return data if _mark(scene, variant, kind, data) == getattr(variant, f"{kind}_mark") else None


def _mark(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str, data: bytes) -> str:
    """Of a file's bytes and the state they show: another picture may have been written over the file."""
    states = [answers.ticket(scene, variant, one).state for one in SHOWS[kind]]
    return hashlib.blake2b("\n".join(states).encode() + data, digest_size=16).hexdigest()


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


def _folder(directory: str) -> str:
    """The folder, made if there is none.

    Raises:
        InputError: it is not named, hangs on a file that was not saved yet, or cannot be written into.
    """
    if not directory.strip():
        raise InputError("Say which folder to write into.")
    if directory.startswith("//") and not bpy.data.filepath:
        raise InputError(f"“{directory}” lies beside the Blender file; save that first, or choose another folder.")
    folder = bpy.path.abspath(directory)
    with _writing(folder):
        os.makedirs(folder, exist_ok=True)
    if not os.access(folder, os.W_OK):
        raise InputError(f"Nothing can be written into {folder}; choose another folder.")
    return folder


@contextmanager
def _writing(place: str) -> Iterator[None]:
    try:
        yield
    except OSError as problem:
        raise InputError(
            f"Nothing can be written into {place} ({problem.strerror or problem}); choose another folder."
        ) from problem


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
        folder, chosen, there = _folder(self.directory), settings.active_variant(scene), _there(scene)
        with studio(scene, self.width, self.samples, rear_view(answers.body(scene))):
            try:
                for variant in there:
                    show_only(scene, variant)
                    path = os.path.join(folder, f"variant-{job.variants.find(variant.name) + 1}.png")
                    with _as_finished(variant):
                        render(scene, path)
                    keep_picture(scene, variant, "picture", path)
            finally:
                if chosen is not None:
                    show_only(scene, chosen)
        return f"{len(there)} picture{'s' * (len(there) != 1)} in {folder}."


@contextmanager
def _as_finished(variant: settings.VariantItem) -> Iterator[None]:
    """A customer votes on a finished wing, not on what of it was scanned."""
    objects = settings.element_objects(variant)
    for obj in objects:
        bridge.tell_completed_apart(obj, False)
    try:
        yield
    finally:
        for obj in objects:
            bridge.tell_completed_apart(obj, True)


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
        if any(answers.found(scene, variant, kind) is None for kind in SHOWS["clearance_picture"]):
            raise InputError(f"Check the clearance of “{variant.name}” first (or again: it has changed).")
        folder = _folder(self.directory)
        path = os.path.join(folder, f"clearance-{scene.wingfettle.variant + 1}.png")
        view = rear_view(answers.body(scene)) if self.view == "REAR" else None
        with studio(scene, self.width, self.samples, view) as stage:
            show_only(scene, variant)
            context.view_layer.update()
            _colour_by_clearance(stage, scene, variant)
            stage.add(*bridge.put_before_camera(scene, clearance.drawn_in_picture(scene, self.width / 800.0)))
            render(scene, path)
        keep_picture(scene, variant, "clearance_picture", path)
        return f"Picture in {path}."


def _colour_by_clearance(stage: Stage, scene: bpy.types.Scene, variant: settings.VariantItem) -> None:
    """Parts wear their maps, with the look of collisions where they collide, and lines are drawn round those places."""
    checked = {c.part: c.part_hits for c in answers.found(scene, variant, "clearance")}
    reach, scale = clearance.reach_m(scene), scene.render.resolution_x / 800.0
    for obj in variant.elements.objects:
        if obj.wingfettle.role in {"MARK", "PICTURE"}:  # arrows of force, slices of the air
            stage.set((obj, "hide_render", True))
    for obj, distances in clearance.maps(scene):
        if obj.hide_render:
            continue
        part = answers.part(obj)
        colours = clearance_colours(distances, reach)
        stage.add(bridge.wearing_map(obj, part.mesh, colours, checked[part.name], scene.collection))
        stage.set((obj, "hide_render", True))
    for _, ends, matrix in clearance.hit_borders(scene):
        for width, nearer, colour in ((4.0, 1.0, LIGHT), (1.8, 3.0, DARK)):
            stage.add(bridge.line_in_picture(scene, ends, matrix, width * scale, nearer * scale, colour))


class WINGFETTLE_OT_render_pressure(JobOperator, bpy.types.Operator):
    """Render the chosen variant and the car coloured by the pressure of the air"""

    bl_idname = "wingfettle.render_pressure"
    bl_label = "Render Pressure"
    directory: StringProperty(subtype="DIR_PATH")
    width: IntProperty(default=1280, min=64)
    samples: IntProperty(default=12, min=1)

    def work(self, context: bpy.types.Context) -> str:
        scene = context.scene
        variant = active(scene)
        flow = answers.found(scene, variant, "flow")
        if flow is None:
            raise InputError(f"Paint the pressure of “{variant.name}” first (or again: it has changed).")
        path = os.path.join(_folder(self.directory), f"pressure-{scene.wingfettle.variant + 1}.png")
        with studio(scene, self.width, self.samples, rear_view(answers.body(scene))) as stage:
            show_only(scene, variant)
            context.view_layer.update()
            worn = [
                (o, answers.part(o).mesh, partial(flow.surface_pressure, o.wingfettle.element))
                for o in settings.element_objects(variant)
            ]
            if flow.case == "on car":
                worn.append((scene.wingfettle.body, bridge.own_mesh(scene.wingfettle.body), flow.body_pressure))
            for obj in variant.elements.objects:
                role = obj.wingfettle.role
                if role == "PICTURE" or (role == "MARK" and "Force on" in obj.name):
                    stage.set((obj, "hide_render", True))
            for obj, mesh, pressure in worn:
                colours = lift.pressure_look(pressure(bridge.mesh_where(obj, mesh).points))
                stage.add(bridge.wearing_map(obj, mesh, colours, None, scene.collection))
                stage.set((obj, "hide_render", True))
            stage.add(*bridge.put_before_camera(scene, lift.drawn_legend(self.width / 800.0)))
            render(scene, path)
        keep_picture(scene, variant, "pressure_picture", path)
        return f"Picture in {path}."


class WINGFETTLE_OT_write_report(JobOperator, bpy.types.Operator):
    """Write the report (one HTML file), the figures (JSON) and the chosen variant as STL"""

    bl_idname = "wingfettle.write_report"
    bl_label = "Write Report"
    directory: StringProperty(subtype="DIR_PATH")

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        found, rows = results(scene), section_rows(scene)
        lines = job.intake.splitlines()
        page = report_html(scene.name, found, sections=rows, intake_lines=lines, deviations=deviations(scene))
        figures = results_json(found, speed_m_s=from_kmh(job.speed_kmh), sections=rows, intake={"lines": lines})
        folder, model = _folder(self.directory), ""
        files = {
            "report.html": page,
            "results.json": json.dumps(figures, indent=1),
            "comparison.txt": comparison_text(found),
        }
        for name, text in files.items():
            with _writing(folder), open(os.path.join(folder, name), "w", encoding="utf-8") as file:
                file.write(text)
        if settings.element_objects(variant):
            _write_model(scene, variant, os.path.join(folder, "wing.stl"))
            model = f" and wing.stl (mm) of “{variant.name}”"
        said = f"report.html, results.json{model} are in {folder}."
        return " ".join([said, *left_out(scene)])


def _write_model(scene: bpy.types.Scene, variant: settings.VariantItem, path: str) -> None:
    for obj in scene.objects:
        obj.select_set(False)
    for obj in settings.element_objects(variant):
        obj.hide_set(False)
        obj.select_set(True)
    try:
        bpy.ops.wm.stl_export(
            filepath=path, export_selected_objects=True, global_scale=1000.0, forward_axis="Y", up_axis="Z"
        )
    except RuntimeError as problem:
        raise InputError(f"There is no model in {path}: {str(problem).strip()}") from problem


class WINGFETTLE_PT_report(JobPanel, bpy.types.Panel):
    bl_label = "Report"
    bl_idname = "WINGFETTLE_PT_report"

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        base = bpy.path.abspath("//wingfettle") if bpy.data.filepath else bpy.app.tempdir
        col.operator("wingfettle.render_variants").directory = base
        col.operator_menu_enum("wingfettle.render_clearance", "view").directory = base
        col.operator("wingfettle.render_pressure").directory = base
        col.operator("wingfettle.write_report").directory = base
        say(col, f"Into {base}")
        say(col, "Loads, mounts, lamps and edges: have a licensed engineer check them; local codes apply.", "ERROR")


CLASSES = (
    WINGFETTLE_OT_render_variants,
    WINGFETTLE_OT_render_clearance,
    WINGFETTLE_OT_render_pressure,
    WINGFETTLE_OT_write_report,
    WINGFETTLE_PT_report,
)
