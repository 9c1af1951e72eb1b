"""Picking places on scans: with the mouse in the viewport, or where the 3D cursor stands."""

from __future__ import annotations

import bpy
from bpy.props import EnumProperty
from bpy_extras import view3d_utils

from ..core.errors import InputError
from .operator import JobOperator


class PickOperator(JobOperator):
    """Called from a panel it waits for a click on a scan and sets the 3D cursor there; ``work`` reads the cursor."""

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        if context.area is None or context.area.type != "VIEW_3D":
            return self.execute(context)
        self._cursor = context.scene.cursor.location.copy()
        context.window.cursor_modal_set("CROSSHAIR")
        context.workspace.status_text_set("Click the place on the scan   Enter: take the 3D cursor   Esc: cancel")
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """Wait for the click; the view may be turned meanwhile."""
        if event.type in {"ESC", "RIGHTMOUSE"}:
            self._ended(context)
            context.scene.cursor.location = self._cursor
            return {"CANCELLED"}
        if event.type in {"RET", "NUMPAD_ENTER"} and event.value == "PRESS":
            self._ended(context)
            return self.execute(context)
        if event.type != "LEFTMOUSE" or event.value != "PRESS":
            return {"PASS_THROUGH"}
        place = _under_mouse(context, event)
        if place is None:
            self.report({"WARNING"}, "Nothing there to pick; click on the scan.")
            return {"RUNNING_MODAL"}
        self._ended(context)
        context.scene.cursor.location = place
        return self.execute(context)

    def _ended(self, context: bpy.types.Context) -> None:
        context.window.cursor_modal_restore()
        context.workspace.status_text_set(None)


def _under_mouse(context: bpy.types.Context, event: bpy.types.Event) -> tuple[float, float, float] | None:
    """The first surface under the mouse, in any 3D view of the window."""
    for area in context.window.screen.areas:
        if area.type != "VIEW_3D":
            continue
        view = area.spaces.active.region_3d
        for region in area.regions:
            x, y = event.mouse_x - region.x, event.mouse_y - region.y
            if region.type == "WINDOW" and 0 <= x < region.width and 0 <= y < region.height:
                origin = view3d_utils.region_2d_to_origin_3d(region, view, (x, y))
                ray = view3d_utils.region_2d_to_vector_3d(region, view, (x, y))
                hit, place, *_ = context.scene.ray_cast(context.evaluated_depsgraph_get(), origin, ray)
                return tuple(place) if hit else None
    return None


PURPOSES = {
    "ROAD": ("road_picks", "on the road"),
    "CENTRE": ("centre_picks", "on the centre line"),
    "EDGE": ("edge_picks", "on the cut edge"),
    "REAR": ("rear_picks", "at the rear end"),
    "HINGE": ("hinge_picks", "on the hinge axis"),
    "EYE": ("eye_picks", "between the driver's eyes"),
    "MIRROR": ("mirror_picks", "at the middle of the mirror's glass"),
}


MOST = {"EDGE": 1, "REAR": 1, "HINGE": 2, "EYE": 1, "MIRROR": 1}
"""No more than so many are asked for; the oldest goes."""


class WINGFETTLE_OT_pick_point(PickOperator, bpy.types.Operator):
    """Click a place on the scan (or take the 3D cursor with Enter)"""

    bl_idname = "wingfettle.pick_point"
    bl_label = "Pick"
    purpose: EnumProperty(items=[(p, p.title(), f"A point {words}") for p, (_, words) in PURPOSES.items()])

    def work(self, context: bpy.types.Context) -> str:
        name, words = PURPOSES[self.purpose]
        picks = getattr(context.scene.wingfettle, name)
        while len(picks) >= MOST.get(self.purpose, 1000):
            picks.remove(0)
        picks.add().point = context.scene.cursor.location
        return f"{len(picks)} point{'s' * (len(picks) > 1)} {words}."


class WINGFETTLE_OT_drop_picks(JobOperator, bpy.types.Operator):
    """Forget the points picked for this"""

    bl_idname = "wingfettle.drop_picks"
    bl_label = "Forget Points"
    purpose: EnumProperty(items=[(p, p.title(), "") for p in (*PURPOSES, "PAIRS")])

    def work(self, context: bpy.types.Context) -> str:
        job = context.scene.wingfettle
        picks = job.pair_picks if self.purpose == "PAIRS" else getattr(job, PURPOSES[self.purpose][0])
        picks.clear()
        return "Points forgotten."


class WINGFETTLE_OT_pick_pair(PickOperator, bpy.types.Operator):
    """Click a place on the torn part, then the same place on the body (or take the 3D cursor with Enter)"""

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


CLASSES = (WINGFETTLE_OT_pick_point, WINGFETTLE_OT_drop_picks, WINGFETTLE_OT_pick_pair)
