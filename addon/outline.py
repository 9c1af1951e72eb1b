"""Panel: whether the wing stays within the car's outline, and edges that are too sharp to touch."""

from __future__ import annotations

from collections.abc import Callable

import bpy

from ..core.clearance.edges import SharpEdges, sharp_edges
from ..core.clearance.outline import OutlineCheck, car_outline, check_outline
from . import answers, settings
from .operator import JobPanel, LongOperator, Steps, aside, say
from .variants import active


class WINGFETTLE_OT_check_outline(LongOperator, bpy.types.Operator):
    """Whether parts stand out beyond the car seen from above or above its roof, and edges sharper than allowed"""

    bl_idname = "wingfettle.check_outline"
    bl_label = "Check Outline and Edges"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene = context.scene
        variant = active(scene)
        ticket = answers.ticket(scene, variant, "outline")
        body = answers.body(scene)
        solids = [
            (part.name, part.mesh if pose is None else part.mesh.transformed(pose))
            for _, part, pose in answers.parts(variant)
        ]

        def look(tick: Callable[[float, str], None]) -> tuple[tuple[OutlineCheck, ...], tuple[SharpEdges, ...]]:
            outline = check_outline(car_outline(body), solids)
            tick(0.3, "looking for sharp edges")
            return outline, sharp_edges(solids, body)

        yield 0.05, "Outline of the car"
        found = yield from aside(look, low=0.1, high=1.0)
        answers.keep(ticket, found)
        return " ".join(one.sentence for checks in found for one in checks)


class WINGFETTLE_PT_outline(JobPanel, bpy.types.Panel):
    bl_label = "Outline and Edges"
    bl_idname = "WINGFETTLE_PT_outline"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        col = self.layout.column()
        col.operator("wingfettle.check_outline")
        found, problem = answers.shown(context.scene, settings.active_variant(context.scene), "outline")
        say(col, problem, "ERROR")
        for checks in found or ():
            for one in checks:
                say(col, one.sentence)


CLASSES = (WINGFETTLE_OT_check_outline, WINGFETTLE_PT_outline)
