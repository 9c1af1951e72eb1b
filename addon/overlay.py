"""What is drawn over the 3D view: picked points, and the legend of a deviation map."""

from __future__ import annotations

import json
from typing import Any

import blf
import bpy
import gpu
from bpy_extras import view3d_utils
from gpu_extras.batch import batch_for_shader

PICKS = (
    ("road_picks", "point", "road", (0.10, 0.75, 0.80, 1.0)),
    ("centre_picks", "point", "centre", (0.95, 0.80, 0.15, 1.0)),
    ("edge_picks", "point", "edge", (0.85, 0.75, 0.60, 1.0)),
    ("rear_picks", "point", "rear", (0.95, 0.50, 0.15, 1.0)),
    ("pair_picks", "on_part", "part", (0.85, 0.45, 0.90, 1.0)),
    ("pair_picks", "on_body", "body", (0.55, 0.85, 0.40, 1.0)),
)
_INK, _PAPER = (0.95, 0.95, 0.93, 1.0), (0.08, 0.08, 0.09, 0.80)
_handles: list[Any] = []


def legend_object(context: bpy.types.Context) -> bpy.types.Object | None:
    """The object whose deviation map is to be explained: the active one, if it is shown by its colours."""
    space = context.space_data
    if (
        space is None
        or space.type != "VIEW_3D"
        or space.shading.type != "SOLID"
        or space.shading.color_type != "VERTEX"
    ):
        return None
    obj = context.view_layer.objects.active
    return obj if obj is not None and obj.type == "MESH" and obj.wingfettle.deviation else None


def _draw() -> None:
    context = bpy.context
    if not context.space_data.overlay.show_overlays:
        return
    _draw_picks(context)
    obj = legend_object(context)
    if obj is not None:
        _draw_legend(context, json.loads(obj.wingfettle.deviation)["legend"])


def _draw_picks(context: bpy.types.Context) -> None:
    job = context.scene.wingfettle
    view = context.space_data.region_3d
    if job.variants:  # by then all picks have done their work
        return
    for name, field, words, colour in PICKS:
        if job.posed and name != "pair_picks":
            continue
        for number, pick in enumerate(getattr(job, name)):
            place = view3d_utils.location_3d_to_region_2d(context.region, view, getattr(pick, field))
            if place is None:
                continue
            x, y = place
            _box(x - 4, y - 4, 8, 8, colour)
            _write(x + 8, y - 5, f"{words} {number + 1}", colour)


def _draw_legend(context: bpy.types.Context, told: dict[str, Any]) -> None:
    size = context.preferences.system.ui_scale
    steps, ticks = told["colours"], told["ticks"]
    x, y, width, height = 24 * size, 60 * size, 18 * size, 200 * size
    _box(x - 10 * size, y - 44 * size, 226 * size, height + 92 * size, _PAPER)
    for number, colour in enumerate(steps):
        _box(x, y + height * number / len(steps), width, height / len(steps) + 1.0, (*colour[:3], 1.0))
    low, high = ticks[0][0], ticks[-1][0]
    for tick, text in ticks:
        at = y + height * (tick - low) / (high - low)
        _box(x + width, at - 0.5 * size, 5 * size, size, _INK)
        _write(x + width + 9 * size, at - 4 * size, text, _INK)
    _write(x, y + height + 28 * size, "Scan off the rebuilt element, mm", _INK)
    _write(x, y + height + 12 * size, "+ outside   - inside", _INK)
    _box(x, y - 32 * size, width, 12 * size, (*told["none"][:3], 1.0))
    _write(x + width + 9 * size, y - 30 * size, "no partner", _INK)


def _box(x: float, y: float, width: float, height: float, colour: tuple[float, ...]) -> None:
    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
    batch = batch_for_shader(shader, "TRIS", {"pos": corners}, indices=[(0, 1, 2), (0, 2, 3)])
    gpu.state.blend_set("ALPHA")
    shader.bind()
    shader.uniform_float("color", colour)
    batch.draw(shader)
    gpu.state.blend_set("NONE")


def _write(x: float, y: float, text: str, colour: tuple[float, ...]) -> None:
    blf.size(0, 12.0 * bpy.context.preferences.system.ui_scale)
    blf.enable(0, blf.SHADOW)
    blf.shadow(0, 3, 0.0, 0.0, 0.0, 0.9)
    blf.color(0, *colour)
    blf.position(0, x, y, 0.0)
    blf.draw(0, text)
    blf.disable(0, blf.SHADOW)


def register() -> None:
    _handles.append(bpy.types.SpaceView3D.draw_handler_add(_draw, (), "WINDOW", "POST_PIXEL"))


def unregister() -> None:
    while _handles:
        bpy.types.SpaceView3D.draw_handler_remove(_handles.pop(), "WINDOW")
