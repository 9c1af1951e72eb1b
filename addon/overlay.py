"""What is drawn over the 3D view: picked points, distances, the clearance map, collisions, sharp edges, legends."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import blf
import bpy
import gpu
from bpy_extras import view3d_utils
from gpu_extras.batch import batch_for_shader

from ..core.report.callouts import Callout, Drawing, callouts, line_key
from . import answers, bridge, clearance, deviation, flow, lift, settings

PICKS = (
    ("road_picks", "point", "road", (0.10, 0.75, 0.80, 1.0)),
    ("centre_picks", "point", "centre", (0.95, 0.80, 0.15, 1.0)),
    ("edge_picks", "point", "edge", (0.85, 0.75, 0.60, 1.0)),
    ("rear_picks", "point", "rear", (0.95, 0.50, 0.15, 1.0)),
    ("pair_picks", "on_part", "part", (0.85, 0.45, 0.90, 1.0)),
    ("pair_picks", "on_body", "body", (0.55, 0.85, 0.40, 1.0)),
)
PLACES = (
    ("hinge_picks", "point", "hinge", (0.95, 0.80, 0.15, 1.0)),
    ("eye_picks", "point", "eyes", (0.55, 0.85, 0.40, 1.0)),
    ("mirror_picks", "point", "glass", (0.10, 0.75, 0.80, 1.0)),
)
_LIGHT, _DARK, _EDGE = (1.0, 1.0, 1.0, 1.0), (0.0, 0.0, 0.0, 1.0), (1.0, 0.72, 0.10, 1.0)
_NEARER = 2e-6
"""Share of the depth range that what is drawn on a surface is pulled forward, so that it does not flicker."""
_SQUARE, _THROUGH = 0.97, 0.6
"""Cosine of the angle to a slice's normal within which end plates and half the wing would hide the air between the
elements, and how strongly it shines through them there."""
_handles: list[Any] = []
_batches: dict[str, tuple[Any, Any]] = {}


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


def _draw_flat() -> None:
    """In picture points, over everything."""
    context = bpy.context
    if not context.space_data.overlay.show_overlays:
        return
    scene, scale = context.scene, context.preferences.system.ui_scale
    _draw_picks(context)
    if flow.slice_shown(scene) is not None:
        _draw(flow.drawn_legend(scene, scale))
        return
    if scene.wingfettle.show_pressure:
        _draw(lift.drawn_legend(scale))
        return
    obj = legend_object(context)
    if obj is not None:
        _draw(deviation.drawn_legend(json.loads(obj.wingfettle.deviation), scale))
        return
    corner = Drawing()
    if scene.wingfettle.show_map and clearance.maps(scene):
        corner += clearance.drawn_legend(scene, scale)
    sharp, _ = answers.shown(scene, settings.active_variant(scene), "outline")
    if sharp is not None and any(len(one.ends) for one in sharp[1]):
        corner += line_key(_EDGE, "sharper than 2.5 mm, can be touched", corner, scale)
    _draw(corner)
    _draw(_distances(context, scale))


def _distances(context: bpy.types.Context, scale: float) -> Drawing:
    region, view = context.region, context.space_data.region_3d
    items = []
    for on_part, on_body, text in clearance.told(context.scene):
        start, end = (view3d_utils.location_3d_to_region_2d(region, view, tuple(p)) for p in (on_part, on_body))
        if start is not None and end is not None:
            items.append(Callout(bridge.array(start), bridge.array(end), text))
    return callouts(items, bridge.array((region.width - _covered(context), region.height)), scale)


def _covered(context: bpy.types.Context) -> int:
    """Width in px that the sidebar takes from the view."""
    bars = [r for r in context.area.regions if r.type == "UI" and r.alignment in {"RIGHT", "NONE"}]
    return sum(r.width for r in bars if r.width > 1) if context.preferences.system.use_region_overlap else 0


def _draw_solid() -> None:
    """In the scene, behind what stands before it."""
    context = bpy.context
    if not context.space_data.overlay.show_overlays:
        return
    scene = context.scene
    job, variant = scene.wingfettle, settings.active_variant(scene)
    if variant is None:
        return
    gpu.state.depth_test_set("LESS_EQUAL")
    for obj, found in clearance.maps(scene) if job.show_map else ():
        if obj.visible_get():
            _draw_map(obj, found, clearance.reach_m(scene))
    for name, corners, matrix in clearance.hit_borders(scene):
        _draw_lines(f"hit {name}", corners, matrix, ((_LIGHT, 5.0), (_DARK, 2.0)))
    sharp, _ = answers.shown(scene, variant, "outline")
    for one in sharp[1] if sharp is not None else ():
        _draw_lines(f"edge {one.part}", one.ends, None, ((_DARK, 5.0), (_EDGE, 3.0)))
    shown = flow.slice_shown(scene)
    if shown is not None:
        _draw_picture(*shown, abs(float(context.region_data.view_matrix[2][1])) > _SQUARE)
    gpu.state.depth_test_set("NONE")
    if len(job.hinge_picks) == 2:
        _draw_lines("hinge", bridge.hinge_line(job.hinge_picks), None, ((_DARK, 4.0), (PLACES[0][3], 2.0)))


def _draw_map(obj: bpy.types.Object, found: Any, reach: float) -> None:
    shader = gpu.shader.from_builtin("SMOOTH_COLOR")
    held = _batches.get(obj.name)
    if held is None or held[0] is not found:
        points, faces, colours = bridge.map_arrays(answers.part(obj).mesh, found, reach)
        held = _batches[obj.name] = (
            found,
            batch_for_shader(shader, "TRIS", {"pos": points, "color": colours}, indices=faces),
        )
    with _pulled_forward(1), gpu.matrix.push_pop():
        gpu.matrix.multiply_matrix(obj.matrix_world)
        shader.bind()
        held[1].draw(shader)


def _draw_picture(pixels: Any, corners: Any, through: bool) -> None:
    """A picture (h, w, 4) uint8 on a plane in the scene; it also shines ``through`` what stands before it."""
    shader = gpu.shader.from_builtin("IMAGE_COLOR")
    held = _batches.get("picture")
    if held is None or held[0] is not pixels:
        height, width = pixels.shape[:2]
        values = gpu.types.Buffer("FLOAT", 4 * width * height, bridge.texture_values(pixels))
        texture = gpu.types.GPUTexture((width, height), format="RGBA8", data=values)
        places = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
        plane = {"pos": [tuple(c) for c in corners.tolist()], "texCoord": places}
        batch = batch_for_shader(shader, "TRIS", plane, indices=((0, 1, 2), (0, 2, 3)))
        held = _batches["picture"] = pixels, (texture, batch)
    texture, batch = held[1]
    shader.bind()
    shader.uniform_sampler("image", texture)
    if through:
        gpu.state.depth_mask_set(False)
        gpu.state.depth_test_set("GREATER")
        gpu.state.blend_set("ALPHA")
        shader.uniform_float("color", (1.0, 1.0, 1.0, _THROUGH))
        batch.draw(shader)
        gpu.state.blend_set("NONE")
        gpu.state.depth_test_set("LESS_EQUAL")
    gpu.state.depth_mask_set(True)
    shader.uniform_float("color", _LIGHT)
    batch.draw(shader)
    gpu.state.depth_mask_set(False)


@contextmanager
def _pulled_forward(steps: int) -> Iterator[None]:
    """So many layers nearer to the eye."""
    with gpu.matrix.push_pop_projection():
        gpu.matrix.load_projection_matrix(bridge.nearer(gpu.matrix.get_projection_matrix(), steps * _NEARER))
        yield


def _draw_lines(name: str, ends: Any, matrix: Any, looks: tuple[tuple[tuple[float, ...], float], ...]) -> None:
    """Straight pieces (k, 2, 3) m, each look over the one before."""
    if len(ends) == 0:
        return
    shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
    held = _batches.get(name)
    if held is None or held[0] is not ends:
        held = _batches[name] = ends, batch_for_shader(shader, "LINES", {"pos": bridge.flat(ends)})
    for layer, (colour, width) in enumerate(looks):
        with _pulled_forward(2 + layer), gpu.matrix.push_pop():
            if matrix is not None:
                gpu.matrix.multiply_matrix(matrix)
            shader.bind()
            shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
            shader.uniform_float("lineWidth", width)
            shader.uniform_float("color", colour)
            held[1].draw(shader)


def _draw_picks(context: bpy.types.Context) -> None:
    job = context.scene.wingfettle
    view = context.space_data.region_3d
    # Once there are variants, what was picked for axes and parts has done its work.
    wanted = PLACES if job.variants else (*PICKS, *PLACES)
    for name, field, words, colour in wanted:
        if job.posed and name in {"road_picks", "centre_picks", "edge_picks", "rear_picks"}:
            continue
        for number, pick in enumerate(getattr(job, name)):
            place = view3d_utils.location_3d_to_region_2d(context.region, view, getattr(pick, field))
            if place is None:
                continue
            x, y = place
            _boxes([((x - 4, y - 4), (x + 4, y + 4), colour)])
            _write(x + 8, y - 5, f"{words} {number + 1}", 12.0 * context.preferences.system.ui_scale, colour)


def _draw(drawing: Drawing) -> None:
    _boxes([(tuple(f.low), tuple(f.high), f.colour) for f in drawing.fields])
    shader = gpu.shader.from_builtin("POLYLINE_UNIFORM_COLOR")
    gpu.state.blend_set("ALPHA")
    for stroke in drawing.strokes:
        places = [(*stroke.start, 0.0), (*stroke.end, 0.0)]
        shader.bind()
        shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
        shader.uniform_float("lineWidth", stroke.width)
        shader.uniform_float("color", stroke.colour)
        batch_for_shader(shader, "LINES", {"pos": places}).draw(shader)
    gpu.state.blend_set("NONE")
    for writing in drawing.writing:
        x, y = writing.place
        _write(x, y, writing.text, writing.height, writing.colour)


def _boxes(boxes: list[tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]]) -> None:
    shader = gpu.shader.from_builtin("FLAT_COLOR")
    places: list[tuple[float, float]] = []
    colours: list[tuple[float, ...]] = []
    faces: list[tuple[int, int, int]] = []
    for (left, low), (right, high), colour in boxes:
        start = len(places)
        places += [(left, low), (right, low), (right, high), (left, high)]
        colours += [colour] * 4
        faces += [(start, start + 1, start + 2), (start, start + 2, start + 3)]
    if not faces:
        return
    gpu.state.blend_set("ALPHA")
    shader.bind()
    batch_for_shader(shader, "TRIS", {"pos": places, "color": colours}, indices=faces).draw(shader)
    gpu.state.blend_set("NONE")


def _write(x: float, y: float, text: str, height: float, colour: tuple[float, ...]) -> None:
    blf.size(0, height)
    blf.enable(0, blf.SHADOW)
    blf.shadow(0, 3, 0.0, 0.0, 0.0, 0.9)
    blf.color(0, *colour)
    blf.position(0, x, y, 0.0)
    blf.draw(0, text)
    blf.disable(0, blf.SHADOW)


def register() -> None:
    for draw, when in ((_draw_flat, "POST_PIXEL"), (_draw_solid, "POST_VIEW")):
        _handles.append(bpy.types.SpaceView3D.draw_handler_add(draw, (), "WINDOW", when))


def unregister() -> None:
    while _handles:
        bpy.types.SpaceView3D.draw_handler_remove(_handles.pop(), "WINDOW")
    _batches.clear()
