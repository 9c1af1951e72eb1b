"""Panel: where else the wing could stand with everything clear."""

from __future__ import annotations

from functools import partial

import bpy

from ..core.clearance.slide import slide_maps
from ..core.errors import InputError
from ..core.units import from_degrees, from_mm
from . import answers, bridge, settings
from .operator import JobPanel, LongOperator, Steps, aside, say
from .variants import active

BETWEEN_PARTS_M = 0.005
"""Room asked for between a part that is moved alone and those that stay (common practice, no source)."""


class WINGFETTLE_OT_search_room(LongOperator, bpy.types.Operator):
    """Try the wing at other heights, fore-aft places and incidences, and map where everything stays clear"""

    bl_idname = "wingfettle.search_room"
    bl_label = "Search Room"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket = answers.ticket(scene, variant, "slides")
        around = answers.surroundings(scene)
        yield 0.02, "Trying other places"
        everything = answers.parts(variant)
        alone = job.slide_part
        moving = [p for p in everything if alone in ("", p[1].name)]
        if not moving:
            raise InputError(f"“{variant.name}” has no part “{alone}” to move; leave the field empty for all.")
        standing = [
            (part, pose, BETWEEN_PARTS_M) for _, part, pose in everything if job.slide_part not in ("", part.name)
        ]
        _, parts, poses = zip(*moving, strict=True)
        elements = [obj for obj, _, _ in moving if obj.wingfettle.role == "ELEMENT"]
        pivot = bridge.quarter_chord(elements[0]) if elements else bridge.middle_of([obj for obj, _, _ in moving])
        search = partial(
            slide_maps,
            aft_m=bridge.both_ways(from_mm(job.slide_aft_mm), job.slide_steps),
            up_m=bridge.both_ways(from_mm(job.slide_up_mm), job.slide_steps),
            turn_rad=bridge.both_ways(from_degrees(job.slide_turn_deg), job.slide_steps),
            standing=standing,
            allowance_m=from_mm(job.allowance_mm),
        )
        found = yield from aside(search, around, parts, poses, pivot, low=0.05, high=1.0)
        names = [*(z.name for z in around.scan.zones), *(part.name for part, _, _ in standing)]
        answers.keep(ticket, (found, tuple(names)))
        return " ".join(m.sentence for m in found)


class WINGFETTLE_PT_room(JobPanel, bpy.types.Panel):
    bl_label = "Room to Move"
    bl_idname = "WINGFETTLE_PT_room"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        variant = settings.active_variant(scene)
        col = self.layout.column()
        for field in ("slide_aft_mm", "slide_up_mm", "slide_turn_deg", "slide_steps", "slide_part"):
            col.prop(job, field)
        col.operator("wingfettle.search_room")
        found, problem = answers.shown(scene, variant, "slides")
        say(col, problem, "ERROR")
        for one in found[0] if found is not None else ():
            say(col, one.sentence)


CLASSES = (WINGFETTLE_OT_search_room, WINGFETTLE_PT_room)
