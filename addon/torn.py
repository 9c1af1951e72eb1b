"""Panel: bring a torn part that was scanned apart back to its place."""

from __future__ import annotations

from typing import Any

import bpy
from bpy.props import StringProperty

from ..core.errors import InputError
from ..core.scan import align
from ..core.scan.settle import settle
from . import bridge, settings
from .operator import JobOperator, JobPanel
from .scan import note


class WINGFETTLE_OT_place_part(JobOperator, bpy.types.Operator):
    """Bring a torn part to its place on the body by the picked pairs"""

    bl_idname = "wingfettle.place_part"
    bl_label = "Place by Pairs"
    part: StringProperty(name="Element")

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        obj = _part(context.scene, self.part)
        target = align.with_mirror_images(
            bridge.picks(job.pair_picks, "on_body"), bridge.flags(job.pair_picks, "mirrored")
        )
        matrix, left = align.rigid_from_pairs(bridge.picks(job.pair_picks, "on_part"), target)
        return _moved(context.scene, obj, matrix, align.sentence(self.part, left))


class WINGFETTLE_OT_settle_part(JobOperator, bpy.types.Operator):
    """Bring a part placed by pairs nearer, by the area that it and the body scan have in common"""

    bl_idname = "wingfettle.settle_part"
    bl_label = "Settle on Common Area"
    part: StringProperty(name="Element")

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        obj = _part(context.scene, self.part)
        if job.body is None:
            raise InputError("There is no body scan to settle the part on; import one.")
        found = settle(bridge.mesh_of(obj), bridge.mesh_of(job.body), what=f"“{self.part}”")
        return _moved(context.scene, obj, found.matrix, found.sentence(self.part))


def _moved(scene: bpy.types.Scene, obj: bpy.types.Object, matrix: Any, line: str) -> str:
    """Move a part and the places picked on it, and keep ``line`` for the report."""
    bridge.write_triangles(obj.data, bridge.mesh_of(obj).transformed(matrix))
    obj.matrix_world.identity()
    bridge.move_picks(scene.wingfettle.pair_picks, "on_part", matrix)
    note(scene, line)
    return line


def _part(scene: bpy.types.Scene, name: str) -> bpy.types.Object:
    obj = settings.with_role(scene, "PART", name)
    if obj is None:
        raise InputError(f"No scan of a torn part “{name}” was imported.")
    return obj


class WINGFETTLE_PT_torn(JobPanel, bpy.types.Panel):
    bl_label = "Torn Part"
    bl_idname = "WINGFETTLE_PT_torn"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        job = context.scene.wingfettle
        col = self.layout.column()
        col.prop(job, "torn_part")
        row = col.row(align=True)
        row.label(text=f"{len(job.pair_picks)} pairs")
        row.operator("wingfettle.drop_picks", text="", icon="X").purpose = "PAIRS"
        row = col.row(align=True)
        row.operator("wingfettle.pick_pair", text="Part").side = "PART"
        row.operator("wingfettle.pick_pair", text="Body").side = "BODY"
        row.operator("wingfettle.pick_pair", text="Mirrored").side = "MIRROR"
        col.operator("wingfettle.place_part").part = job.torn_part
        col.operator("wingfettle.settle_part").part = job.torn_part


CLASSES = (WINGFETTLE_OT_place_part, WINGFETTLE_OT_settle_part, WINGFETTLE_PT_torn)
