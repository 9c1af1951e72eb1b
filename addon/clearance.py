"""Panel: how near the chosen variant's parts come to the zones, checked once or followed while they move."""

from __future__ import annotations

from typing import Any

import bpy
from bpy.props import StringProperty

from ..core.assembly.part import Part
from ..core.clearance.colours import clearance_colours, clearance_ticks, colour_steps
from ..core.clearance.deflection import Deflection, bent, element_deflection
from ..core.clearance.marks import border
from ..core.clearance.measure import clearance_map, measure_clearance
from ..core.clearance.result import PartClearance
from ..core.errors import InputError
from ..core.report.callouts import Callout, Drawing, callouts, distance_words, legend, told_distances
from ..core.units import from_mm, to_mm
from . import answers, bridge, live, settings
from .operator import JobOperator, JobPanel, say
from .variants import active, changeable, show_only

CALLOUT_REACH_M = 0.15
"""Distances beyond this are not drawn where they are clear."""
BEND_SHARE = 0.1
"""Share of the span up to which an estimated bend is told without a warning (common practice, no source): the beam
is taken to bend a little."""
MARKS = {"clear": "CHECKMARK", "tight": "ERROR", "touches": "CANCEL"}


class WINGFETTLE_OT_check_clearance(JobOperator, bpy.types.Operator):
    """Smallest distance from each part of the chosen variant to each zone; colliding faces are marked"""

    bl_idname = "wingfettle.check_clearance"
    bl_label = "Check Clearance"

    def work(self, context: bpy.types.Context) -> str:
        scene, job = context.scene, context.scene.wingfettle
        variant = active(scene)
        tickets = [answers.ticket(scene, variant, kind) for kind in ("clearance", "map")]
        around, allowance = answers.surroundings(scene), from_mm(job.allowance_mm)
        placed = answers.parts(variant)
        answers.share_in_no_zone(scene)  # the panel tells it
        results = [measure_clearance(around, part, pose, allowance) for _, part, pose in placed]
        if job.bending:
            for (obj, part, pose), (name, bend) in zip(placed, bendings(scene, variant), strict=False):
                moved = part.mesh if pose is None else part.mesh.transformed(pose)
                words = f"{name}, bent by {to_mm(bend.largest_m):.1f} mm"
                if bend.largest_m > BEND_SHARE * from_mm(obj.wingfettle.span_mm):
                    words += " (beyond a tenth of its span: more than this estimate holds for)"
                results.append(measure_clearance(around, Part.of(words, bent(moved, bend)), None, allowance))
        reach = from_mm(job.map_reach_mm)
        maps = tuple((o.name, clearance_map(around, part, pose, reach)) for o, part, pose in placed)
        answers.keep(tickets[0], tuple(results))
        answers.keep(tickets[1], maps)
        show_only(scene, variant)
        nearest = [(c.part, min(c.zones, key=lambda z: (z.verdict != "touches", z.distance_m))) for c in results]
        return "; ".join(f"{name}: {zone.zone} {distance_words(zone, allowance)}" for name, zone in nearest)


def bendings(scene: bpy.types.Scene, variant: settings.VariantItem) -> list[tuple[str, Deflection]]:
    """How far each element bends under its estimated force, on the car where that is known.

    Raises:
        InputError: the force was not estimated, or see ``element_deflection``.
    """
    lift = answers.found(scene, variant, "lift")
    if lift is None:
        raise InputError(f"Estimate the lift of “{variant.name}” first; it is what bends the elements.")
    bends = []
    for obj, element in zip(settings.element_objects(variant), answers.assembly(variant).elements, strict=True):
        force, numbers = next(e for e in lift.elements if e.element == element.name), obj.wingfettle
        # The outer end of the band that bends most: an allowance is for the worst of what is likely.
        band = force.on_car_n or force.group_n or force.alone_n
        out = from_mm(numbers.mounts_mm)
        middle = float(element.leading_edge[1])
        bends.append(
            (
                element.name,
                element_deflection(
                    element,
                    max(band.low, band.high, key=abs),
                    (middle - out, middle + out) if out > 0.0 else (middle,),
                    1e9 * numbers.modulus_gpa,
                    from_mm(numbers.wall_mm),
                ),
            )
        )
    return bends


def shown(scene: bpy.types.Scene) -> tuple[PartClearance, ...]:
    """What is to be shown of the chosen variant: as it stands while it is followed, else what was checked last."""
    return live.results(scene) or answers.shown(scene, settings.active_variant(scene), "clearance")[0] or ()


def told(scene: bpy.types.Scene) -> list[tuple[Any, Any, str]]:
    """The distances to draw: both ends (3,) m and the label."""
    return told_distances(shown(scene), CALLOUT_REACH_M) if scene.wingfettle.show_callouts else []


def maps(scene: bpy.types.Scene) -> list[tuple[bpy.types.Object, Any]]:
    """Each part's object and the clearance (n,) m of its points."""
    followed = [(f.object, f.map) for f in live.followed(scene) if f.map is not None]
    kept = followed or answers.shown(scene, settings.active_variant(scene), "map")[0] or ()
    found = [(bpy.data.objects.get(name), one) for name, one in kept]
    return [(obj, one) for obj, one in found if obj is not None]


def reach_m(scene: bpy.types.Scene) -> float:
    """Where the map's colours end."""
    return from_mm(scene.wingfettle.map_reach_mm)


def drawn_legend(scene: bpy.types.Scene, scale: float) -> Drawing:
    """The scale of the clearance map."""
    reach = reach_m(scene)
    behind, beyond = clearance_colours(bridge.array((-reach, 2.0 * reach)), reach, srgb=True)
    words = ("Clearance to the", "nearest zone, mm")
    others = [(behind, "behind the surface"), (beyond, "farther")]
    return legend(words, colour_steps(reach), clearance_ticks(reach), others, scale)


def drawn_in_picture(scene: bpy.types.Scene, scale: float) -> Drawing:
    """Distances and legend as the scene camera's picture shows them."""
    items = []
    for on_part, on_body, text in told(scene):
        start, end = bridge.in_picture(scene, on_part), bridge.in_picture(scene, on_body)
        if start is not None and end is not None:
            items.append(Callout(start, end, text))
    return drawn_legend(scene, scale) + callouts(items, bridge.frame_of(scene), scale)


_borders: dict[str, tuple[PartClearance, Any, Any]] = answers.of_file({})


def hit_borders(scene: bpy.types.Scene) -> list[tuple[str, Any, Any]]:
    """Where parts cross the body: name, border (k, 2, 3) m of the colliding faces of either, and their matrix."""
    variant, results = settings.active_variant(scene), shown(scene)
    if variant is None or not results:
        return []
    try:
        objects = {part.name: (obj, part) for obj, part, _ in answers.parts(variant)}
        body = answers.body(scene)
    except InputError:
        return []
    lines = []
    for result in results:
        if result.part not in objects or not len(result.body_hits):
            continue
        obj, part = objects[result.part]
        held = _borders.get(obj.name)
        if held is None or held[0] is not result:
            held = _borders[obj.name] = result, border(part.mesh, result.part_hits), border(body, result.body_hits)
        lines += [(obj.name, held[1], obj.matrix_world), (f"body {obj.name}", held[2], None)]
    return lines


class WINGFETTLE_OT_add_mount(JobOperator, bpy.types.Operator):
    """Take the selected mesh objects as mounts of the chosen variant; they are checked like its elements"""

    bl_idname = "wingfettle.add_mount"
    bl_label = "Take Selected as Mounts"

    def work(self, context: bpy.types.Context) -> str:
        variant = changeable(context.scene)
        chosen = [o for o in context.selected_objects if o.type == "MESH" and o.wingfettle.role in {"NONE", "MOUNT"}]
        if not chosen:
            raise InputError("Select the mesh objects that are mounts first (not the scan, not an element).")
        names = {o.wingfettle.element for o in settings.element_objects(variant)}
        taken = [o.name for o in chosen if o.name in names]
        if taken:
            raise InputError(
                f"An element of “{variant.name}” is called “{taken[0]}”, too; give the mount another name."
            )
        empty = [o.name for o in chosen if not o.data.polygons]
        if empty:
            raise InputError(f"“{empty[0]}” holds no faces, so it takes up no room.")
        for obj in chosen:
            for collection in list(obj.users_collection):
                collection.objects.unlink(obj)
            variant.elements.objects.link(obj)
            obj.wingfettle.role = "MOUNT"
        return f"{len(chosen)} mount{'s' * (len(chosen) > 1)} in “{variant.name}”."


class WINGFETTLE_OT_write_move(JobOperator, bpy.types.Operator):
    """Write where the element was moved to by hand into its numbers"""

    bl_idname = "wingfettle.write_move"
    bl_label = "Write Move into Numbers"
    object: StringProperty(name="Element")

    def work(self, context: bpy.types.Context) -> str:
        variant = changeable(context.scene)
        obj = variant.elements.objects.get(self.object)
        if obj is None or obj.wingfettle.role != "ELEMENT":
            raise InputError(f"“{self.object}” is no element of “{variant.name}”.")
        if obj.parent is not None:
            raise InputError(
                f"“{obj.name}” hangs on “{obj.parent.name}”; clear its parent first (Alt P, keep transform)."
            )
        element = bridge.placed_element(obj)
        bridge.write_element(obj, element)
        bridge.put_back(obj)
        settings.drop_marks(variant.elements)
        return f"“{element.name}” has its new place in its numbers."


class WINGFETTLE_PT_clearance(JobPanel, bpy.types.Panel):
    bl_label = "Clearance"
    bl_idname = "WINGFETTLE_PT_clearance"

    def draw(self, context: bpy.types.Context) -> None:
        scene, job = context.scene, context.scene.wingfettle
        variant = settings.active_variant(scene)
        col = self.layout.column()
        col.operator("wingfettle.check_clearance")
        col.prop(job, "live", toggle=True, icon="REC" if job.live else "NONE")
        row = col.row(align=True)
        row.prop(job, "show_callouts", toggle=True)
        row.prop(job, "show_map", toggle=True)
        col.prop(job, "map_reach_mm")
        col.prop(job, "allowance_mm")
        col.prop(job, "bending")
        if variant is None:
            return
        if job.bending:
            self._bending(col, variant)
        col.operator("wingfettle.add_mount")
        for obj in settings.element_objects(variant):
            if variant.name != settings.AS_FOUND and bridge.pose_of(obj) is not None:
                col.operator(
                    "wingfettle.write_move", text=f"Write Move of “{obj.wingfettle.element}”"
                ).object = obj.name
        say(col, outside_words(scene), "INFO")
        now, problem = live.results(scene), live.problem(scene)
        if now or problem:
            col.label(text="While moving", icon="REC")
            say(col, problem, "ERROR")
            _table(col, now)
            return
        results, problem = answers.shown(scene, variant, "clearance")
        say(col, problem, "ERROR")
        if results:
            _table(col, results)

    def _bending(self, col: bpy.types.UILayout, variant: settings.VariantItem) -> None:
        for obj in settings.element_objects(variant):
            box = col.box().column(align=True)
            box.label(text=obj.wingfettle.element)
            for field in ("mounts_mm", "modulus_gpa", "wall_mm"):
                box.prop(obj.wingfettle, field)


def _table(col: bpy.types.UILayout, results: tuple[PartClearance, ...]) -> None:
    for result in results:
        say(col, result.part)
        for zone in result.zones:
            col.label(text=f"{zone.zone}: {distance_words(zone, result.allowance_m)}", icon=MARKS[zone.verdict])


def outside_words(scene: bpy.types.Scene) -> str:
    """How much of the body is in no zone, so that nothing is measured to it; empty where all is, or it is not known."""
    share = answers.known_share_in_no_zone(scene)
    if not share or not scene.wingfettle.zones:
        return ""
    return f"{100.0 * share:.0f} % of the body's area is in no zone: no distance to it is measured."


CLASSES = (
    WINGFETTLE_OT_check_clearance,
    WINGFETTLE_OT_add_mount,
    WINGFETTLE_OT_write_move,
    WINGFETTLE_PT_clearance,
)
