"""Panel: bring the scan into vehicle axes and mirror the half."""

from __future__ import annotations

import bpy

from ..core.errors import InputError
from ..core.geometry.mesh import TriMesh
from ..core.scan import mirror, pose, symmetry
from ..core.scan.outward import turned_outward
from ..core.scan.pose import Plane
from . import bridge, settings
from .operator import JobOperator, JobPanel, say
from .scan import note


class WINGFETTLE_OT_pose_body(JobOperator, bpy.types.Operator):
    """Find the road and the centre plane, turn the scan into vehicle axes, mirror it if it is a half"""

    bl_idname = "wingfettle.pose_body"
    bl_label = "Set Vehicle Axes"

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        if job.body is None:
            raise InputError("There is no body scan yet; import one.")
        if job.zones or job.variants or job.posed:
            raise InputError(
                "The vehicle axes are set, and what was named or measured rests on them; undo, or import the scan "
                "again, to set others."
            )
        mesh = bridge.mesh_of(job.body)
        road = _road(job, mesh)
        centre = _centre(job, mesh, road)
        matrix = pose.vehicle_frame(mesh, road, centre, job.half, bridge.pick(job.rear_picks))
        posed, turned = turned_outward(mesh.transformed(matrix))
        line = pose.sentence(road, centre)
        if turned:
            line += f" Turned {turned} face{'s' * (turned != 1)} that looked inwards."
        if job.half != "whole":
            posed, seam = mirror.mirror_half(posed, job.half)
            line += " " + seam.sentence
        bridge.write_triangles(job.body.data, posed)
        job.body.matrix_world.identity()
        for picks in (job.road_picks, job.centre_picks, job.edge_picks, job.rear_picks):
            bridge.move_picks(picks, "point", matrix)
        bridge.move_picks(job.pair_picks, "on_body", matrix)
        job.posed = True
        settings.body_changed(context.scene)
        note(context.scene, line)
        return line


def _road(job: settings.SceneSettings, mesh: TriMesh) -> Plane:
    if job.road_from == "PICKS":
        picked = pose.road_from_picks(bridge.picks(job.road_picks, "point"), mesh)
        return pose.road_near(mesh, picked) if job.floor_scanned else picked
    if job.road_from == "FACES":
        return pose.road_from_faces(mesh, bridge.selected_faces(job.body))
    return pose.find_road(mesh)


def _centre(job: settings.SceneSettings, mesh: TriMesh, road: Plane) -> Plane:
    if job.centre_from == "MIRROR":
        return symmetry.find_mirror_plane(mesh, road.normal)
    if job.centre_from == "EDGE":
        return pose.centre_plane_from_edge(mesh, road.normal, bridge.pick(job.edge_picks))
    return pose.centre_plane_from_points(bridge.picks(job.centre_picks, "point"), road.normal, mesh)


class WINGFETTLE_PT_axes(JobPanel, bpy.types.Panel):
    bl_label = "Vehicle Axes"
    bl_idname = "WINGFETTLE_PT_axes"

    def draw(self, context: bpy.types.Context) -> None:
        job = context.scene.wingfettle
        col = self.layout.column()
        if job.posed:
            say(col, "Set: x forward, y left, z up from the road.", "CHECKMARK")
            return
        col.label(text="Scanned side")
        col.row().prop(job, "half", expand=True)
        col.label(text="Road from")
        col.row().prop(job, "road_from", expand=True)
        if job.road_from == "PICKS":
            _pick_row(col, "ROAD", "Road", len(job.road_picks))
            col.prop(job, "floor_scanned")
        if job.road_from == "FACES":
            say(col, "Select faces of the floor in Edit Mode.")
        col.label(text="Centre plane from")
        col.row().prop(job, "centre_from", expand=True)
        if job.centre_from == "PICKS":
            _pick_row(col, "CENTRE", "Centre line", len(job.centre_picks))
        if job.centre_from == "EDGE":
            _pick_row(col, "EDGE", "On the edge", len(job.edge_picks))
        if job.half == "whole":
            _pick_row(col, "REAR", "Rear end", len(job.rear_picks))
        col.operator("wingfettle.pose_body")


def _pick_row(col: bpy.types.UILayout, purpose: str, words: str, count: int) -> None:
    row = col.row(align=True)
    row.operator("wingfettle.pick_point", text=f"{words}: {count} picked", icon="EYEDROPPER").purpose = purpose
    row.operator("wingfettle.drop_picks", text="", icon="X").purpose = purpose


CLASSES = (WINGFETTLE_OT_pose_body, WINGFETTLE_PT_axes)
