"""Panel: take in scans, bring them into vehicle axes, mirror the half, place torn parts."""

from __future__ import annotations

import os
from pathlib import Path

import bpy
from bpy.props import EnumProperty, StringProperty

from ..core.errors import InputError
from ..core.geometry.mesh import join
from ..core.scan import align, intake, mirror, pose
from ..core.scan.file_check import check_numbers
from . import bridge, settings
from .operator import JobOperator, JobPanel, say

IMPORTERS = {".stl": "stl_import", ".ply": "ply_import", ".obj": "obj_import"}


def note(scene: bpy.types.Scene, line: str) -> None:
    """Keep a line for the report."""
    scene.wingfettle.intake += line + "\n"


class WINGFETTLE_OT_import_scan(JobOperator, bpy.types.Operator):
    """Import a scan, set its unit, remove specks and double faces, make its normals agree"""

    bl_idname = "wingfettle.import_scan"
    bl_label = "Import Scan"
    filepath: StringProperty(subtype="FILE_PATH")
    filter_glob: StringProperty(default="*.stl;*.ply;*.obj", options={"HIDDEN"})
    part: StringProperty(
        name="Torn element", description="Empty for the body; else the name of the element scanned apart"
    )

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        what = f"“{os.path.basename(self.filepath)}”"
        kind = os.path.splitext(self.filepath)[1].lower()
        if kind not in IMPORTERS:
            raise InputError(f"{what} is no STL, PLY or OBJ file.")
        if not os.path.isfile(self.filepath):
            raise InputError(f"{what} is not there; look at its folder.")
        if os.path.getsize(self.filepath) == 0:
            raise InputError(f"{what} is empty (0 bytes); export the scan again.")
        check_numbers(Path(self.filepath))
        made = _imported(context, kind, self.filepath, what)
        mesh = intake.take_in(join([bridge.mesh_of(o) for o in made]), job.unit, what)
        mesh, _, counts = intake.clean(mesh)
        obj = made[0]
        bridge.write_triangles(obj.data, mesh)
        obj.data.materials.clear()
        for rest in made[1:]:
            settings.remove_object(rest)
        obj.matrix_world.identity()
        obj.name = f"Scan of {self.part}" if self.part else "Scan of the body"
        obj.wingfettle.element = self.part
        if self.part:
            obj.wingfettle.role = "PART"
        else:
            obj.wingfettle.role = "BODY"
            job.body = obj
            settings.body_changed(context.scene)
        obj.data.materials.append(bridge.material("Scanned body", (0.32, 0.36, 0.40), 0.35))
        note(context.scene, f"{what}: {counts.sentence}")
        return counts.sentence


def _imported(context: bpy.types.Context, kind: str, path: str, what: str) -> list[bpy.types.Object]:
    """The mesh objects that Blender's own importer makes of a file, axes and lengths as they stand in it."""
    before = set(context.scene.objects)
    try:
        getattr(bpy.ops.wm, IMPORTERS[kind])(filepath=path, global_scale=1.0, forward_axis="Y", up_axis="Z")
    except RuntimeError as problem:
        reason = str(problem).strip().splitlines()[-1].removeprefix("Error: ")
        raise InputError(f"{what} could not be read as a mesh: {reason}") from problem
    made = [o for o in context.scene.objects if o not in before and o.type == "MESH"]
    if not made:
        raise InputError(f"{what} holds no mesh that Blender can read.")
    return made


class WINGFETTLE_OT_pick_centre(JobOperator, bpy.types.Operator):
    """Take the 3D cursor as a point on the car's centre line"""

    bl_idname = "wingfettle.pick_centre"
    bl_label = "Cursor Is on the Centre Line"

    def work(self, context: bpy.types.Context) -> str:
        context.scene.wingfettle.centre_picks.add().point = context.scene.cursor.location
        return f"{len(context.scene.wingfettle.centre_picks)} points on the centre line."


class WINGFETTLE_OT_pick_pair(JobOperator, bpy.types.Operator):
    """Take the 3D cursor as a place on the torn part, or as the same place on the body"""

    bl_idname = "wingfettle.pick_pair"
    bl_label = "Pick Matching Place"
    side: EnumProperty(
        items=[("PART", "On the part", ""), ("BODY", "On the body", ""), ("MIRROR", "Mirrored on the body", "")]
    )

    def work(self, context: bpy.types.Context) -> str:
        pairs = context.scene.wingfettle.pair_picks
        if self.side == "PART":
            pairs.add().on_part = context.scene.cursor.location
            return f"Place {len(pairs)} on the part; now pick it on the body."
        if not pairs:
            raise InputError("Pick the place on the part first.")
        pairs[-1].on_body = context.scene.cursor.location
        pairs[-1].mirrored = self.side == "MIRROR"
        return f"{len(pairs)} pairs."


class WINGFETTLE_OT_pose_body(JobOperator, bpy.types.Operator):
    """Find the road, take the centre plane from the picked points, turn the scan into vehicle axes, mirror it"""

    bl_idname = "wingfettle.pose_body"
    bl_label = "Set Vehicle Axes and Mirror"

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        if job.body is None:
            raise InputError("There is no body scan yet; import one.")
        if job.zones or job.variants:
            raise InputError("Zones and elements rest on the vehicle axes; set these before naming or measuring any.")
        mesh = bridge.mesh_of(job.body)
        road = pose.find_road(mesh)
        centre = pose.centre_plane_from_points(bridge.picks(job.centre_picks, "point"), road.normal, mesh)
        matrix = pose.vehicle_frame(mesh, road, centre, job.half)
        whole = mirror.mirror_half(mesh.transformed(matrix), job.half)
        bridge.write_triangles(job.body.data, whole)
        job.body.matrix_world.identity()
        bridge.move_picks(job.centre_picks, "point", matrix)
        bridge.move_picks(job.pair_picks, "on_body", matrix)
        settings.body_changed(context.scene)
        line = pose.sentence(road, centre)
        note(context.scene, line)
        return line


class WINGFETTLE_OT_place_part(JobOperator, bpy.types.Operator):
    """Bring a torn part to its place on the body by the picked pairs"""

    bl_idname = "wingfettle.place_part"
    bl_label = "Place Torn Part"
    part: StringProperty(name="Element")

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        obj = next(
            (o for o in context.scene.objects if o.wingfettle.role == "PART" and o.wingfettle.element == self.part),
            None,
        )
        if obj is None:
            raise InputError(f"No scan of a torn part “{self.part}” was imported.")
        target = align.with_mirror_images(
            bridge.picks(job.pair_picks, "on_body"), bridge.flags(job.pair_picks, "mirrored")
        )
        matrix, left = align.rigid_from_pairs(bridge.picks(job.pair_picks, "on_part"), target)
        bridge.write_triangles(obj.data, bridge.mesh_of(obj).transformed(matrix))
        line = align.sentence(self.part, left)
        note(context.scene, line)
        return line


class WINGFETTLE_PT_scan(JobPanel, bpy.types.Panel):
    bl_label = "Scan"
    bl_idname = "WINGFETTLE_PT_scan"

    def draw(self, context: bpy.types.Context) -> None:
        job = context.scene.wingfettle
        col = self.layout.column()
        col.prop(job, "unit")
        col.operator("wingfettle.import_scan", text="Import Body Scan").part = ""
        col.prop(job, "torn_part")
        col.operator("wingfettle.import_scan", text="Import Torn Element").part = job.torn_part
        col.row().prop(job, "half", expand=True)
        col.label(text=f"Centre line: {len(job.centre_picks)} points picked")
        col.operator("wingfettle.pick_centre")
        col.operator("wingfettle.pose_body")
        col.label(text=f"Torn part: {len(job.pair_picks)} pairs picked")
        row = col.row(align=True)
        row.operator("wingfettle.pick_pair", text="Part").side = "PART"
        row.operator("wingfettle.pick_pair", text="Body").side = "BODY"
        row.operator("wingfettle.pick_pair", text="Mirrored").side = "MIRROR"
        col.operator("wingfettle.place_part").part = job.torn_part
        for line in job.intake.splitlines()[-3:]:
            say(col, line)


CLASSES = (
    WINGFETTLE_OT_import_scan,
    WINGFETTLE_OT_pick_centre,
    WINGFETTLE_OT_pick_pair,
    WINGFETTLE_OT_pose_body,
    WINGFETTLE_OT_place_part,
    WINGFETTLE_PT_scan,
)
