"""Panel: open the boot lid and see what touches what on the way."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import bpy

from ..core.clearance.opening import Hinge, hinge_between, hinge_through, opening
from ..core.errors import InputError
from ..core.units import from_degrees, from_mm, to_degrees, to_mm
from . import answers, bridge, settings
from .operator import JobOperator, JobPanel, LongOperator, Steps, aside, say
from .variants import active


def hinge_of(scene: bpy.types.Scene) -> Hinge:
    """The axis through the two picked points.

    Raises:
        InputError: fewer points, or see ``hinge_between``.
    """
    job = scene.wingfettle
    places = bridge.picks(job.hinge_picks, "point")
    if len(places) < 2:
        raise InputError("Pick two points on the lid's hinge axis first, or fit it to the faces of a hinge.")
    hinge = hinge_between(places[0], places[1], answers.zone_faces(scene, job.lid).points)
    return replace(hinge, rms_m=from_mm(job.hinge_rms_mm)) if fitted(job) else hinge


def fitted(job: settings.SceneSettings) -> bool:
    """Whether the two points are still those of the fit to a hinge's faces."""
    return job.hinge_rms_mm > 0.0 and bridge.same(bridge.picks(job.hinge_picks, "point"), job.hinge_fitted)


class WINGFETTLE_OT_fit_hinge(JobOperator, bpy.types.Operator):
    """Take the hinge axis from the selected faces of the body: those of a round pin, knuckle or rod"""

    bl_idname = "wingfettle.fit_hinge"
    bl_label = "Fit to Selected Faces"

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        chosen = bridge.selected_faces(job.body) if job.body is not None else None
        if chosen is None or not chosen.any():
            raise InputError("Select the faces of the hinge on the body first.")
        found = hinge_through(answers.body(scene).subset(chosen), answers.zone_faces(scene, job.lid).points)
        job.hinge_picks.clear()
        for place in bridge.ends_of_axis(found):
            job.hinge_picks.add().point = place
        job.hinge_fitted = [v for pick in job.hinge_picks for v in pick.point]
        job.hinge_rms_mm = to_mm(found.rms_m)
        words = bridge.faces_words(job.body, chosen)
        return f"Hinge axis through {words}, which lie off a round by {to_mm(found.rms_m):.2f} mm (rms)."


class WINGFETTLE_OT_open_lid(LongOperator, bpy.types.Operator):
    """Open the lid and find the smallest clearance on the way, the first contact and what touches what"""

    bl_idname = "wingfettle.open_lid"
    bl_label = "Open the Lid"

    def steps(self, context: bpy.types.Context) -> Steps:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        ticket = answers.ticket(scene, variant, "opening")
        around, hinge = answers.surroundings(scene), hinge_of(scene)
        yield 0.02, "Opening the lid"
        objects, parts, poses = zip(*answers.parts(variant), strict=True)
        rides = [o.wingfettle.rides for o in objects]
        task = partial(opening, allowance_m=from_mm(job.allowance_mm))
        found = yield from aside(
            task, around, parts, poses, rides, job.lid, hinge, from_degrees(job.lid_degrees), low=0.05, high=1.0
        )
        answers.keep(ticket, found)
        return found.sentence


class WINGFETTLE_PT_lid(JobPanel, bpy.types.Panel):
    bl_label = "Boot Lid"
    bl_idname = "WINGFETTLE_PT_lid"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        variant = settings.active_variant(scene)
        col = self.layout.column()
        col.prop_search(job, "lid", job, "zones")
        row = col.row(align=True)
        row.operator("wingfettle.pick_point", text=f"Pick Hinge ({len(job.hinge_picks)} of 2)").purpose = "HINGE"
        row.operator("wingfettle.drop_picks", text="", icon="X").purpose = "HINGE"
        col.operator("wingfettle.fit_hinge")
        if fitted(job):
            col.label(text=f"Fitted, off a round by {job.hinge_rms_mm:.2f} mm (rms)")
        col.prop(job, "lid_degrees")
        if variant is None:
            return
        for obj in settings.element_objects(variant) + settings.mount_objects(variant):
            row = col.row()
            row.label(text=obj.wingfettle.element or obj.name)
            row.prop(obj.wingfettle, "rides", text="rides on the lid")
        col.operator("wingfettle.open_lid")
        found, problem = answers.shown(scene, variant, "opening")
        say(col, problem, "ERROR")
        if found is None:
            return
        say(col, found.sentence)
        for pair in found.pairs:
            words = f"{to_mm(pair.least_m):.1f} mm at {to_degrees(pair.least_rad):.1f}°"
            if pair.contact_rad == pair.contact_rad:
                words = f"touches at {to_degrees(pair.contact_rad):.1f}°"
            col.label(text=f"{pair.part} to {pair.against}: {words}")


CLASSES = (WINGFETTLE_OT_fit_hinge, WINGFETTLE_OT_open_lid, WINGFETTLE_PT_lid)
