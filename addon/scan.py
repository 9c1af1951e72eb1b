"""Panel: take in scans, set their unit, remove rubbish; the scan as imported is kept."""

from __future__ import annotations

import os
from pathlib import Path

import bpy
from bpy.props import EnumProperty, StringProperty

from ..core.errors import InputError
from ..core.geometry.mesh import TriMesh, check_mesh, join
from ..core.scan import intake
from ..core.scan.file_check import check_numbers
from ..core.units import UNIT_METRES
from . import bridge, settings
from .operator import JobOperator, JobPanel, LongOperator, Steps, aside, say

ORIGINALS = "Scans as imported"
_AS_IN_FILE = {"global_scale": 1.0, "forward_axis": "Y", "up_axis": "Z"}
IMPORTERS = {
    ".stl": ("wm", "stl_import", _AS_IN_FILE),
    ".ply": ("wm", "ply_import", _AS_IN_FILE),
    ".obj": ("wm", "obj_import", _AS_IN_FILE),
    ".glb": ("import_scene", "gltf", {}),
    ".gltf": ("import_scene", "gltf", {}),
}


def note(scene: bpy.types.Scene, line: str) -> None:
    """Keep a line for the report."""
    scene.wingfettle.intake += line + "\n"


class WINGFETTLE_OT_import_scan(LongOperator, bpy.types.Operator):
    """Import a scan, set its unit, remove specks and double faces, make its normals agree"""

    bl_idname = "wingfettle.import_scan"
    bl_label = "Import Scan"
    filepath: StringProperty(subtype="FILE_PATH")
    filter_glob: StringProperty(default=";".join(f"*{kind}" for kind in IMPORTERS), options={"HIDDEN"})
    part: StringProperty(
        name="Torn element", description="Empty for the body; else the name of the element scanned apart"
    )

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def steps(self, context: bpy.types.Context) -> Steps:
        job = context.scene.wingfettle
        what = f"“{os.path.basename(self.filepath)}”"
        kind = os.path.splitext(self.filepath)[1].lower()
        if kind not in IMPORTERS:
            raise InputError(f"{what} is no STL, PLY, OBJ or glTF file.")
        if not os.path.isfile(self.filepath):
            raise InputError(f"{what} is not there; look at its folder.")
        if os.path.getsize(self.filepath) == 0:
            raise InputError(f"{what} is empty (0 bytes); export the scan again.")
        yield 0.0, f"Looking through {what}"
        check_numbers(Path(self.filepath))
        yield 0.1, f"Reading {what} (Esc works after it)"
        made = _imported(context, kind, self.filepath, what)
        _put_by(context.scene, made)
        yield 0.4, "Reading its faces"
        read = join([bridge.mesh_of(o) for o in made])
        check_mesh(read, what)
        unit = job.unit if job.unit != "guess" else intake.guess_unit(read.points) or "mm"
        taken = intake.take_in(read, unit, what)
        mesh, _, counts = yield from aside(intake.clean, taken, low=0.45, high=0.95)
        obj = bridge.new_object(
            f"Scan of {self.part}" if self.part else "Scan of the body", context.scene.collection, mesh
        )
        obj.wingfettle.element, obj.wingfettle.unit, obj.wingfettle.original = self.part, unit, made[0]
        if self.part:
            obj.wingfettle.role = "PART"
        else:
            obj.wingfettle.role = "BODY"
            job.body, job.posed = obj, False
            settings.body_changed(context.scene)
        obj.data.materials.append(bridge.material("Scanned body", (0.32, 0.36, 0.40), 0.35))
        settings.choose_only(context, obj)
        words = intake.unit_sentence(read.points) if job.unit == "guess" else f"Taken in {unit}."
        line = f"{what}: {words} {counts.sentence}"
        obj.wingfettle.findings = line
        note(context.scene, line)
        return line


def _imported(context: bpy.types.Context, kind: str, path: str, what: str) -> list[bpy.types.Object]:
    """The mesh objects that Blender's own importer makes of a file, axes and lengths as they stand in it."""
    before = set(bpy.data.objects)
    module, name, options = IMPORTERS[kind]
    try:
        getattr(getattr(bpy.ops, module), name)(filepath=path, **options)
    except RuntimeError as problem:
        reason = str(problem).strip().splitlines()[-1].removeprefix("Error: ")
        raise InputError(f"{what} could not be read as a mesh: {reason}") from problem
    context.view_layer.update()
    fresh = [o for o in bpy.data.objects if o not in before]
    made = [o for o in fresh if o.type == "MESH"]
    for other in [o for o in fresh if o.type != "MESH" and not o.children]:
        bpy.data.objects.remove(other)
    if not made:
        raise InputError(f"{what} holds no mesh that Blender can read.")
    return made


def _put_by(scene: bpy.types.Scene, originals: list[bpy.types.Object]) -> None:
    """Keep the imported objects as they came, out of sight."""
    shelf = bridge.collection(scene, ORIGINALS)
    shelf.hide_viewport = shelf.hide_render = True
    for obj in originals:
        for collection in list(obj.users_collection):
            collection.objects.unlink(obj)
        shelf.objects.link(obj)


class WINGFETTLE_OT_change_unit(JobOperator, bpy.types.Operator):
    """Take the scan in another unit; it is scaled about its origin"""

    bl_idname = "wingfettle.change_unit"
    bl_label = "Change Unit"
    unit: EnumProperty(name="Unit", items=settings.UNITS)
    object: StringProperty(name="Scan")

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        obj = bpy.data.objects.get(self.object)
        if obj is None or not obj.wingfettle.unit:
            raise InputError("There is no scan with a unit to change; import one.")
        if job.zones or job.variants or job.posed:
            raise InputError("The vehicle axes rest on the scan's unit; import the scan again to take it otherwise.")
        mesh = bridge.mesh_of(obj)
        share = UNIT_METRES[self.unit] / UNIT_METRES[obj.wingfettle.unit]
        intake.check_size(mesh.points / UNIT_METRES[obj.wingfettle.unit], self.unit, f"“{obj.name}”")
        bridge.write_triangles(obj.data, TriMesh(mesh.points * share, mesh.triangles))
        obj.wingfettle.unit = self.unit
        settings.body_changed(context.scene)
        return f"“{obj.name}” is taken in {self.unit}."


class WINGFETTLE_PT_scan(JobPanel, bpy.types.Panel):
    bl_label = "Scan"
    bl_idname = "WINGFETTLE_PT_scan"

    def draw(self, context: bpy.types.Context) -> None:
        job = context.scene.wingfettle
        col = self.layout.column()
        col.prop(job, "unit")
        col.operator("wingfettle.import_scan", text="Import Body Scan").part = ""
        row = col.row(align=True)
        row.prop(job, "torn_part", text="")
        row.operator("wingfettle.import_scan", text="Import Torn Element").part = job.torn_part
        for obj in context.scene.objects:
            if obj.wingfettle.unit:
                row = col.row()
                row.label(text=f"{obj.name}: {len(obj.data.polygons):,} faces".replace(",", " "))
                if not job.posed:
                    row.operator_menu_enum("wingfettle.change_unit", "unit", text=obj.wingfettle.unit).object = obj.name
                say(col, obj.wingfettle.findings)


CLASSES = (WINGFETTLE_OT_import_scan, WINGFETTLE_OT_change_unit, WINGFETTLE_PT_scan)
