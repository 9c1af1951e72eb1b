"""What every operator does alike: one undo step, or a plain message and the scene as it was."""

from __future__ import annotations

import textwrap
from typing import Any

import bpy

from ..core.errors import InputError


class JobOperator:
    """Runs ``work``; an InputError becomes a report and what was made meanwhile is taken away again."""

    bl_options = {"REGISTER", "UNDO"}
    report: Any  # given by bpy.types.Operator, which every subclass is too

    def work(self, context: bpy.types.Context) -> str:
        """Do the step; the sentence returned is shown."""
        raise NotImplementedError

    def execute(self, context: bpy.types.Context) -> set[str]:
        # What is selected and painted in Edit Mode reaches the mesh only when that mode is left.
        mode = context.mode
        if mode == "EDIT_MESH":
            bpy.ops.object.mode_set(mode="OBJECT")
        try:
            return self._tried(context)
        finally:
            if mode == "EDIT_MESH" and context.active_object is not None:
                bpy.ops.object.mode_set(mode="EDIT")

    def _tried(self, context: bpy.types.Context) -> set[str]:
        kinds = (
            bpy.data.objects,
            bpy.data.meshes,
            bpy.data.collections,
            bpy.data.curves,
            bpy.data.materials,
            bpy.data.images,
        )
        before = [set(kind.keys()) for kind in kinds]
        layer = context.view_layer
        chosen, active = [o.name for o in layer.objects if o.select_get()], layer.objects.active
        active_name = active.name if active is not None else ""
        try:
            said = self.work(context)
        except InputError as problem:
            for kind, names in zip(kinds, before, strict=True):
                for name in set(kind.keys()) - names:
                    kind.remove(kind[name])
            layer.update()
            for obj in layer.objects:
                obj.select_set(obj.name in chosen)
            layer.objects.active = layer.objects.get(active_name)
            self.report({"ERROR"}, str(problem))
            return {"CANCELLED"}
        self.report({"INFO"}, said)
        return {"FINISHED"}


class JobPanel:
    """A panel of the Wingfettle tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Wingfettle"


def say(layout: bpy.types.UILayout, text: str, icon: str = "NONE") -> None:
    """Write ``text`` over as many lines as the panel's width asks for; Blender cuts long labels short."""
    width = bpy.context.region.width if bpy.context.region is not None else 300
    column = layout.column(align=True)
    column.scale_y = 0.8
    for number, line in enumerate(textwrap.wrap(text, max(width // 8, 24))):
        column.label(text=line, icon=icon if number == 0 else "BLANK1" if icon != "NONE" else "NONE")
