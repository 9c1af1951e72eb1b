"""What every operator does alike: one undo step, or a plain message and the scene as it was."""

from __future__ import annotations

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
        kinds = (bpy.data.objects, bpy.data.meshes, bpy.data.collections, bpy.data.curves)
        before = [set(k.keys()) for k in kinds]
        try:
            said = self.work(context)
        except InputError as problem:
            for kind, names in zip(kinds, before, strict=True):
                for name in set(kind.keys()) - names:
                    kind.remove(kind[name])
            self.report({"ERROR"}, str(problem))
            return {"CANCELLED"}
        self.report({"INFO"}, said)
        return {"FINISHED"}


class JobPanel:
    """A panel of the Wingfettle tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Wingfettle"
