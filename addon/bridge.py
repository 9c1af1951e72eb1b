"""The only place where Blender data becomes arrays and arrays become Blender data."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Literal

import bpy
import numpy as np
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Matrix, Vector

from ..core.clearance.colours import clearance_colours
from ..core.clearance.marks import widened
from ..core.clearance.opening import Hinge
from ..core.colour import linear
from ..core.elements.deviation import DeviationSummary
from ..core.elements.element import Element, EndPlate, InnerStation, placed
from ..core.elements.loft import QuadMesh, loft
from ..core.elements.plate_fit import drawn_plate
from ..core.errors import InputError
from ..core.flow.slices import FlowSlice, picture
from ..core.geometry.box import Box
from ..core.geometry.mesh import TriMesh, is_rigid, moved
from ..core.geometry.signed import SignedSurface
from ..core.report.callouts import Colour, Drawing
from ..core.sections.shape import SectionShape
from ..core.units import from_degrees, from_mm, to_degrees, to_mm

ZONE_ATTRIBUTE = "wingfettle_zone_from_1"
"""Zone of each face, the first is 1: faces that are made later get Blender's own 0, which is none."""
_OLD_ZONE_ATTRIBUTE = "wingfettle_zone"
"""What earlier files have: the first zone is 0, none is -1."""
FLAG_ATTRIBUTE = "wingfettle_collides"
COLLISION_COLOUR = (0.75, 0.0, 0.25)
SAME_MESH_M = 1e-5
"""An element's points lie no farther from those of its numbers: they are kept as 32-bit numbers."""
FONT_SIZE = 1.2
"""Size of Blender's own letters over that of the view's, for the same height."""
MARK_M = 0.015
"""How far the paint on colliding faces reaches past them."""


def mesh_of(obj: bpy.types.Object) -> TriMesh:
    """The object's triangles in world axes, one Blender unit a metre."""
    return mesh_where(obj, own_mesh(obj))


def own_mesh(obj: bpy.types.Object) -> TriMesh:
    """The object's triangles in its own axes."""
    data = obj.data
    data.calc_loop_triangles()
    points = np.empty(3 * len(data.vertices), np.float32)
    data.vertices.foreach_get("co", points)
    triangles = np.empty(3 * len(data.loop_triangles), np.int32)
    data.loop_triangles.foreach_get("vertices", triangles)
    return TriMesh(points.reshape(-1, 3).astype(np.float64), triangles.reshape(-1, 3))


_marks: dict[tuple[str, int], str] = {}


def mesh_mark(obj: bpy.types.Object) -> str:
    """Changes whenever the object's own mesh does; read again only after ``forget_marks``."""
    data = obj.data
    key = "mesh", data.session_uid
    if key not in _marks:
        points = np.empty(3 * len(data.vertices), np.float32)
        _attribute(data, "position", "vector", points)
        corners = np.empty(len(data.loops), np.int32)
        _attribute(data, ".corner_vert", "value", corners)
        _marks[key] = _digest(points, corners, np.array(len(data.polygons)))
    return _marks[key]


def zone_mark(obj: bpy.types.Object) -> str:
    """Changes whenever the zones of the object's faces do; read again only after ``forget_marks``."""
    key = "zones", obj.data.session_uid
    if key not in _marks:
        _marks[key] = _digest(_face_zones(obj))
    return _marks[key]


def mount_mark(obj: bpy.types.Object) -> str:
    """Changes whenever what a mount's modifiers make of its mesh does; read again only after ``forget_marks``."""
    key = "mount", obj.session_uid
    if not modifiers_shown(obj):
        return mesh_mark(obj)
    if key not in _marks and _evaluated(obj) is not None:
        mesh = evaluated_mesh(obj)
        _marks[key] = _digest(mesh.points, mesh.triangles)
    return f"{mesh_mark(obj)} {_marks.get(key, 'hidden')}"


def forget_marks(changed: Iterable[bpy.types.ID] | None = None) -> None:
    """Have the marks of these meshes and objects read again; without any, forget all, those of another file too."""
    if changed is None:
        _marks.clear()
        return
    for one in changed:
        # What the modifiers of a hidden mount make is not known; it stays as it was seen last.
        if not isinstance(one, bpy.types.Object):
            _marks.pop(("mesh", one.session_uid), None)
            _marks.pop(("zones", one.session_uid), None)
        elif _evaluated(one) is not None:
            _marks.pop(("mount", one.session_uid), None)


def _digest(*arrays: np.ndarray) -> str:
    found = hashlib.blake2b(digest_size=16)
    for values in arrays:
        found.update(np.ascontiguousarray(values).data)
    return found.hexdigest()


def _attribute(data: bpy.types.Mesh, name: str, field: str, into: np.ndarray) -> None:
    """Read a built-in attribute; a mesh without points or faces has none."""
    if len(into):
        data.attributes[name].data.foreach_get(field, into)


def modifiers_shown(obj: bpy.types.Object) -> bool:
    """Whether modifiers or shape keys show the object otherwise than its mesh is."""
    return any(m.show_viewport for m in obj.modifiers) or obj.data.shape_keys is not None


def evaluated_mesh(obj: bpy.types.Object) -> TriMesh:
    """The object's triangles in its own axes, as its modifiers leave them.

    Raises:
        InputError: it is hidden, so that its modifiers are not worked out.
    """
    if not modifiers_shown(obj):
        return own_mesh(obj)
    seen = _evaluated(obj)
    if seen is None:
        raise InputError(f"“{obj.name}” is hidden, so what its modifiers make of it is not known; show it first.")
    return own_mesh(seen)


def _evaluated(obj: bpy.types.Object) -> bpy.types.Object | None:
    """The object as it is shown, or None where it is hidden."""
    # A hidden object seems evaluated, too, without its modifiers.
    if not obj.visible_get():
        return None
    seen = obj.evaluated_get(bpy.context.view_layer.depsgraph)
    return seen if seen.is_evaluated else None


def refuse_scaled(obj: bpy.types.Object) -> None:
    """Refuse a part that does not only turn and shift.

    Raises:
        InputError: it, or what it hangs on, is scaled or mirrored.
    """
    if is_rigid(np.array(obj.matrix_world)):
        return
    culprit = obj
    while culprit.parent is not None and not is_rigid(np.array(culprit.parent.matrix_world)):
        culprit = culprit.parent
    if culprit != obj:
        raise InputError(
            f"“{obj.name}” hangs on “{culprit.name}”, which is scaled; set the scale of “{culprit.name}” to 1 (Alt S)."
        )
    if obj.wingfettle.role == "ELEMENT":
        raise InputError(
            f"“{obj.name}” is scaled; set its scale to 1 (Alt S) and change span and chord by their numbers."
        )
    raise InputError(f"“{obj.name}” is scaled or mirrored; apply its scale (Ctrl A).")


def write_triangles(data: bpy.types.Mesh, mesh: TriMesh) -> None:
    """Replace all geometry of ``data``; it is left smooth-shaded."""
    _write(data, mesh.points, [mesh.triangles])


def keep_faces(obj: bpy.types.Object, scan: TriMesh, keep: np.ndarray) -> None:
    """Leave only the faces of ``scan``, the object's mesh, where ``keep`` is true; they stay in their zones."""
    zones = zones_of(obj)[keep]
    write_triangles(obj.data, scan.subset(keep))
    write_zones(obj, zones)


def write_quads(data: bpy.types.Mesh, mesh: QuadMesh) -> None:
    """Replace all geometry of ``data`` with quads and wedges."""
    _write(data, mesh.points, [mesh.quads, mesh.wedges])


def _write(data: bpy.types.Mesh, points: np.ndarray, faces: list[np.ndarray]) -> None:
    forget_marks([data])
    data.clear_geometry()
    data.vertices.add(len(points))
    data.vertices.foreach_set("co", points.astype(np.float32).ravel())
    corners = np.concatenate([f.ravel() for f in faces]).astype(np.int32)
    sizes = np.concatenate([np.full(len(f), f.shape[1], np.int32) for f in faces])
    data.loops.add(len(corners))
    data.loops.foreach_set("vertex_index", corners)
    data.polygons.add(len(sizes))
    data.polygons.foreach_set("loop_start", np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int32))
    data.update(calc_edges=True)
    data.shade_smooth()


def new_object(name: str, collection: bpy.types.Collection, mesh: TriMesh | None = None) -> bpy.types.Object:
    """A mesh object in ``collection``, at the origin."""
    obj = bpy.data.objects.new(name, bpy.data.meshes.new(name))
    collection.objects.link(obj)
    if mesh is not None:
        write_triangles(obj.data, mesh)
    return obj


def collection(scene: bpy.types.Scene, name: str) -> bpy.types.Collection:
    """The scene's collection called ``name``, made if there is none."""
    found = scene.collection.children.get(name)
    if found is None:
        found = bpy.data.collections.new(name)
        scene.collection.children.link(found)
    return found


def material(name: str, colour: tuple[float, float, float], roughness: float = 0.5) -> bpy.types.Material:
    """A plain material, made once."""
    found = bpy.data.materials.get(name)
    if found is None:
        found = bpy.data.materials.new(name)
        found.use_nodes = True
        found.diffuse_color = (*colour, 1.0)
        shader = next(n for n in found.node_tree.nodes if n.type == "BSDF_PRINCIPLED")
        shader.inputs["Base Color"].default_value = (*colour, 1.0)
        shader.inputs["Roughness"].default_value = roughness
    return found


def _face_of(obj: bpy.types.Object) -> np.ndarray | None:
    """(m,) the mesh's face that each of its triangles is cut from; None where all faces are triangles."""
    data = obj.data
    data.calc_loop_triangles()
    if len(data.loop_triangles) == len(data.polygons):
        return None
    number = np.empty(len(data.loop_triangles), np.int32)
    data.loop_triangle_polygons.foreach_get("value", number)
    return number


def _by_triangle(obj: bpy.types.Object, values: np.ndarray) -> np.ndarray:
    """One value a triangle (m,) of one a face of the mesh."""
    number = _face_of(obj)
    return values if number is None else values[number]


def _by_face(obj: bpy.types.Object, values: np.ndarray) -> np.ndarray:
    """One value a face of the mesh of one a triangle (m,): the largest."""
    number = _face_of(obj)
    return values if number is None else np.maximum.reduceat(values, np.flatnonzero(np.diff(number, prepend=-1)))


def whole_faces(obj: bpy.types.Object, chosen: np.ndarray) -> np.ndarray:
    """(m,) bool, all triangles of the faces that have one in ``chosen`` (m,)."""
    return _by_triangle(obj, _by_face(obj, np.asarray(chosen, bool)))


def faces_words(obj: bpy.types.Object, chosen: np.ndarray) -> str:
    """How many faces of the mesh the triangles ``chosen`` (m,) are, in words."""
    count = int(_by_face(obj, np.asarray(chosen, bool)).sum())
    return f"{count} face{'s' * (count != 1)}"


def selected_faces(obj: bpy.types.Object) -> np.ndarray:
    """(m,) bool, the triangles whose faces are selected in the mesh."""
    chosen = np.empty(len(obj.data.polygons), bool)
    obj.data.polygons.foreach_get("select", chosen)
    return _by_triangle(obj, chosen)


def select_faces(obj: bpy.types.Object, chosen: np.ndarray) -> None:
    """Select just the faces of the mesh that these triangles (m,) are cut from."""
    data = obj.data
    data.vertices.foreach_set("select", np.zeros(len(data.vertices), bool))
    data.edges.foreach_set("select", np.zeros(len(data.edges), bool))
    data.polygons.foreach_set("select", _by_face(obj, np.asarray(chosen, bool)))
    data.update()


def zones_of(obj: bpy.types.Object) -> np.ndarray:
    """(m,) int32, zone of each triangle, -1 for none."""
    return _by_triangle(obj, _face_zones(obj))


def _face_zones(obj: bpy.types.Object) -> np.ndarray:
    """(faces of the mesh,) int32, -1 for none."""
    zones = np.zeros(len(obj.data.polygons), np.int32)
    for name, first in ((ZONE_ATTRIBUTE, 1), (_OLD_ZONE_ATTRIBUTE, 0)):
        attribute = obj.data.attributes.get(name)
        if attribute is not None:
            attribute.data.foreach_get("value", zones)
            return zones - first
    return zones - 1


def write_zones(obj: bpy.types.Object, zones: np.ndarray) -> None:
    """Store the zone of each triangle (m,), -1 for none, on the mesh's faces, and show them by it."""
    of_faces = _by_face(obj, zones)
    forget_marks([obj.data])
    old = obj.data.attributes.get(_OLD_ZONE_ATTRIBUTE)
    if old is not None:
        obj.data.attributes.remove(old)
    write_faces(obj, ZONE_ATTRIBUTE, of_faces + 1)
    paint_faces(obj, of_faces + 1)


def write_faces(obj: bpy.types.Object, name: str, values: np.ndarray) -> None:
    """Store one integer a face of the mesh."""
    attribute = obj.data.attributes.get(name) or obj.data.attributes.new(name, "INT", "FACE")
    attribute.data.foreach_set("value", values.astype(np.int32))


def paint_faces(obj: bpy.types.Object, slots: np.ndarray) -> None:
    """Give each face of the mesh the material slot numbered in ``slots``."""
    obj.data.polygons.foreach_set("material_index", slots.astype(np.int32))
    obj.data.update()


def place_box(empty: bpy.types.Object) -> Box:
    """The box that a cube empty shows."""
    middle = np.array(empty.matrix_world.translation)
    reach = np.abs(np.array(empty.matrix_world.to_scale())) * empty.empty_display_size
    return Box(middle - reach, middle + reach)


def picks(items: bpy.types.bpy_prop_collection, name: str) -> np.ndarray:
    """(n, 3) m, the property ``name`` of each item."""
    return np.array([getattr(i, name) for i in items], float).reshape(-1, 3)


def pick(items: bpy.types.bpy_prop_collection) -> np.ndarray | None:
    """(3,) m, the first pick, or none."""
    return np.array(items[0].point, float) if len(items) else None


def move_picks(items: bpy.types.bpy_prop_collection, name: str, matrix: np.ndarray) -> None:
    """Move the property ``name`` of each item by a (4, 4) matrix."""
    for item, place in zip(items, moved(picks(items, name), matrix), strict=True):
        setattr(item, name, place)


def ends_of_axis(hinge: Hinge) -> tuple[np.ndarray, np.ndarray]:
    """Two points on the axis, half a metre apart."""
    return hinge.point - 0.25 * hinge.axis, hinge.point + 0.25 * hinge.axis


def both_ways(reach: float, steps: int) -> np.ndarray:
    """(2 steps + 1,) even steps from ``-reach`` to ``reach``, exactly 0 in the middle."""
    return reach / steps * np.arange(-steps, steps + 1)


def quarter_chord(obj: bpy.types.Object) -> np.ndarray:
    """(3,) m, an element's quarter-chord point at mid-span, where it stands."""
    own = element_of(obj).station(0.0).place(np.array([[0.25, 0.0]]))
    return moved(own, np.array(obj.matrix_world))[0]


def middle_of(objects: list[bpy.types.Object]) -> np.ndarray:
    """(3,) m, the middle of the box about these objects."""
    points = np.concatenate([moved(evaluated_mesh(o).points, np.array(o.matrix_world)) for o in objects])
    return 0.5 * (points.min(axis=0) + points.max(axis=0))


def same(places: np.ndarray, values: Any) -> bool:
    """Whether places (n, 3) are these 3 n values."""
    return places.size == len(values) and np.array_equal(places.ravel(), np.array(values, float))


def show_picture(name: str, pixels: np.ndarray) -> None:
    """Keep a picture (h, w, 3) uint8 sRGB, top row first, as an image that can be looked at."""
    height, width = pixels.shape[:2]
    image = bpy.data.images.get(name)
    if image is None or tuple(image.size) != (width, height):
        if image is not None:
            bpy.data.images.remove(image)
        image = bpy.data.images.new(name, width, height)
    values = np.ones((height, width, 4), np.float32)
    values[:, :, :3] = pixels[::-1] / 255.0
    image.pixels.foreach_set(values.ravel())
    image.update()
    image.pack()
    image.preview_ensure()
    image.preview.reload()


def array(values: Any) -> np.ndarray:
    """A vector of Blender's as an array."""
    return np.array(values, float)


def nearer(projection: Any, share: float) -> Any:
    """A projection whose pictures lie ``share`` of the depth range nearer to the eye."""
    matrix = np.array(projection)
    matrix[2] -= share * matrix[3]
    return Matrix(matrix.tolist())


def shade_views(context: bpy.types.Context, colour: str) -> None:
    """Have the 3D views show meshes by their materials, or by their colour attribute."""
    for area in context.screen.areas if context.screen is not None else ():
        if area.type == "VIEW_3D":
            shading = area.spaces.active.shading
            shading.type, shading.color_type = "SOLID", colour


def stream_plane(meshes: list[TriMesh], body: TriMesh | None) -> tuple[tuple[float, np.ndarray], Box, Any]:
    """Where streamlines begin (x, heights), the box they stay in, and what of it lies inside the body.

    They run from the wing's height down to the road, half a metre ahead of the foremost point of the wing.
    """
    points = np.concatenate([m.points for m in meshes])
    low, high = points.min(axis=0), points.max(axis=0)
    x = high[0] + 0.5
    heights = np.linspace(0.05, high[2] + 0.6, 45)
    box = Box(np.array([low[0] - 1.2, -2.0, 0.0]), np.array([x + 1.0, 2.0, high[2] + 1.2]))
    if body is None:
        return (x, heights), box, None
    surface = SignedSurface.build(body)

    def inside(at: np.ndarray) -> np.ndarray:
        return np.nan_to_num(surface.distance(at, 0.3).distance_m, nan=1.0) < 0.0

    return (x, heights), box, inside


def slice_corners(one: FlowSlice) -> np.ndarray:
    """(4, 3) m, corners of a slice's picture in the plane y = 0, in the order of its texture: (0, 0), (1, 0), (1, 1),
    (0, 1)."""
    (left, right), (low, high) = _ends(one.x_m), _ends(one.z_m)
    return np.array([[left, 0.0, low], [right, 0.0, low], [right, 0.0, high], [left, 0.0, high]])


def _ends(middles: np.ndarray) -> tuple[float, float]:
    """Outer edges of the first and the last cell in a row of two or more."""
    half = 0.5 * (middles[1] - middles[0])
    return float(middles[0] - half), float(middles[-1] + half)


def thinned(one: FlowSlice, most: int) -> FlowSlice:
    """A slice with no more than ``most`` points along its longer side: every second, third, ... is taken."""
    step = max(1, -(-max(len(one.x_m), len(one.z_m)) // most))
    at = np.s_[::step, ::step]
    return FlowSlice(
        one.x_m[::step], one.z_m[::step], one.speed_m_s[at], one.pressure[at], one.velocity_m_s[:, ::step, ::step],
        one.solid[at],
    )  # fmt: skip


def texture_values(pixels: np.ndarray) -> np.ndarray:
    """Flat float32 in 0..1 of a picture (h, w, 4) uint8, as the graphics card takes it."""
    return np.ascontiguousarray(pixels, np.float32).ravel() / np.float32(255.0)


def png_rows(pixels: np.ndarray) -> np.ndarray:
    """(h, w, 3) uint8, top row first, of a slice's picture (h, w, 4) whose first row is the lowest."""
    return np.ascontiguousarray(pixels[::-1, :, :3])


def slice_colours(what: Literal["speed", "pressure"], low: float, high: float, wind_m_s: float) -> np.ndarray:
    """sRGB (64, 4) in 0..1 of even steps from ``low`` to ``high`` (m/s, or pressure coefficients), as in slices."""
    steps = np.linspace(low, high, 64)[:, None]
    still = np.zeros_like(steps)
    ramp = FlowSlice(steps[:, 0], steps[:, 0], steps, steps, np.stack([still, still]), np.zeros_like(steps, bool))
    return picture(ramp, what, wind_m_s)[:, 0] / 255.0


def picture_plane(name: str, pixels: np.ndarray, corners: np.ndarray, into: bpy.types.Collection) -> bpy.types.Object:
    """An upright plane that shows a picture as it is, whatever the light.

    Args:
        name: of the object and its image.
        pixels: (h, w, 4) uint8 sRGB, the lowest row first.
        corners: (4, 3) m, see ``slice_corners``.
        into: its collection.
    """
    height, width = pixels.shape[:2]
    image = bpy.data.images.new(name, width, height)
    image.pixels.foreach_set(texture_values(pixels))
    image.update()
    image.pack()
    obj = new_object(name, into)
    _write(obj.data, corners, [np.arange(4, dtype=np.int32).reshape(1, 4)])
    places = obj.data.uv_layers.new(name="Picture")
    places.data.foreach_set("uv", np.array([0, 0, 1, 0, 1, 1, 0, 1], np.float32))
    look = bpy.data.materials.new(name)
    look.use_nodes = True
    tree = look.node_tree
    tree.nodes.clear()
    shown, light, out = (tree.nodes.new(f"ShaderNode{kind}") for kind in ("TexImage", "Emission", "OutputMaterial"))
    shown.image = image
    tree.links.new(shown.outputs["Color"], light.inputs["Color"])
    tree.links.new(light.outputs["Emission"], out.inputs["Surface"])
    obj.data.materials.append(look)
    _only_seen(obj)
    return obj


def remove_picture_plane(obj: bpy.types.Object) -> None:
    """Remove a plane made by ``picture_plane`` with its mesh, material and image, if nothing else uses them."""
    mesh = obj.data
    looks = [look for look in mesh.materials if look is not None]
    images = [node.image for look in looks for node in look.node_tree.nodes if node.type == "TEX_IMAGE" and node.image]
    bpy.data.objects.remove(obj)
    for kind, blocks in ((bpy.data.meshes, [mesh]), (bpy.data.materials, looks), (bpy.data.images, images)):
        for block in [b for b in blocks if b.users == 0]:
            kind.remove(block)


def values_near(points: np.ndarray, at: np.ndarray, values: np.ndarray, share_of_span: float = 0.0) -> np.ndarray:
    """(n,) for each of points (n, 3) m in vehicle axes the value where a surface is nearest.

    Args:
        at: (k, 3) m in vehicle axes, or (k, 2) of a contour, x aft and z up: then only points within the middle
            ``share_of_span`` of the span have a value, all others nan.
        values: (k,).
    """
    places, known = points, np.ones(len(points), bool)
    if at.shape[1] == 2:
        low, high = points[:, 1].min(), points[:, 1].max()
        known = np.abs(points[:, 1] - 0.5 * (low + high)) <= 0.5 * share_of_span * (high - low)
        places = points[:, [0, 2]] * [-1.0, 1.0]
    elif len(at) == len(points) and np.allclose(at, points, atol=SAME_MESH_M):
        return np.asarray(values, float)
    found = np.full(len(points), np.nan)
    for rows in np.array_split(np.flatnonzero(known), max(1, len(points) * len(at) // 2_000_000)):
        apart = ((places[rows, None] - at) ** 2).sum(axis=2)
        found[rows] = values[apart.argmin(axis=1)]
    return found


def slice_wind(one: FlowSlice) -> tuple[Any, Any, Box, np.ndarray]:
    """For streamlines in a slice: the wind at points (n, 3), which of them lie in a part, the box and the seeds."""
    turn = 1 if one.x_m[1] > one.x_m[0] else -1
    x, wind, solid = one.x_m[::turn], one.velocity_m_s[:, :, ::turn], one.solid[:, ::turn]

    def places(points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        column = np.clip((points[:, 0] - x[0]) / (x[1] - x[0]), 0.0, len(x) - 1.001)
        row = np.clip((points[:, 2] - one.z_m[0]) / (one.z_m[1] - one.z_m[0]), 0.0, len(one.z_m) - 1.001)
        return column, row

    def velocity(points: np.ndarray) -> np.ndarray:
        column, row = places(points)
        i, j = column.astype(int), row.astype(int)
        right, up = column - i, row - j
        found = np.zeros((len(points), 3))
        for axis, values in zip((0, 2), wind, strict=True):
            low = values[j, i] * (1.0 - right) + values[j, i + 1] * right
            high = values[j + 1, i] * (1.0 - right) + values[j + 1, i + 1] * right
            found[:, axis] = low * (1.0 - up) + high * up
        return found

    def inside(points: np.ndarray) -> np.ndarray:
        column, row = places(points)
        return np.asarray(solid[np.rint(row).astype(int), np.rint(column).astype(int)])

    box = Box(np.array([x[0], -1.0, one.z_m[0]]), np.array([x[-1], 1.0, one.z_m[-1]]))
    count = 40
    heights = one.z_m[0] + (one.z_m[-1] - one.z_m[0]) * (np.arange(count) + 0.5) / count
    return velocity, inside, box, np.column_stack([np.full(count, x[-2]), np.zeros(count), heights])


def polylines(name: str, lines: list[np.ndarray], radius: float, into: bpy.types.Collection) -> bpy.types.Object:
    """Round wires along lines (m, 3) m; those of one point are left out."""
    curve = bpy.data.curves.new(name, "CURVE")
    curve.dimensions, curve.bevel_depth, curve.bevel_resolution = "3D", radius, 1
    for line in lines:
        if len(line) < 2:
            continue
        spline = curve.splines.new("POLY")
        spline.points.add(len(line) - 1)
        spline.points.foreach_set("co", np.column_stack([line, np.ones(len(line))]).astype(np.float32).ravel())
    obj = bpy.data.objects.new(name, curve)
    into.objects.link(obj)
    return obj


def load_curve(y: np.ndarray, load: np.ndarray, centre: np.ndarray, scale: float) -> tuple[np.ndarray, np.ndarray]:
    """The curve (k, 3) m of a spanwise load over the element, and the line of no load under it."""
    base = np.column_stack([np.full(len(y), centre[0]), y, np.full(len(y), centre[2] + 0.12)])
    return base + np.outer(scale * load, [0.0, 0.0, 1.0]), base[[0, -1]]


def map_arrays(mesh: TriMesh, distance: np.ndarray, reach_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points, triangles and colours of a clearance map, as the graphics card takes them."""
    colours = clearance_colours(distance, reach_m, srgb=True)
    # Faces out of reach keep the look they have.
    near = (distance <= reach_m)[mesh.triangles].any(axis=1)
    return mesh.points.astype(np.float32), mesh.triangles[near], colours.astype(np.float32)


def flat(ends: np.ndarray) -> np.ndarray:
    """(2 k, 3) float32 of lines (k, 2, 3)."""
    return ends.reshape(-1, 3).astype(np.float32)


def hinge_line(items: bpy.types.bpy_prop_collection) -> np.ndarray:
    """(1, 2, 3) m, the line through two picks, a metre and more across the car."""
    first, second = picks(items, "point")
    along = (second - first) / max(float(np.linalg.norm(second - first)), 1e-9)
    return np.array([[first - 0.4 * along, second + 0.4 * along]])


def flags(items: bpy.types.bpy_prop_collection, name: str) -> np.ndarray:
    """(n,) bool, the property ``name`` of each item."""
    return np.array([getattr(i, name) for i in items], bool)


def element_of(obj: bpy.types.Object) -> Element:
    """The element whose numbers an object carries."""
    n = obj.wingfettle
    plate = None
    if n.has_plate:
        plate = EndPlate(
            from_mm(n.plate_above_mm),
            from_mm(n.plate_below_mm),
            from_mm(n.plate_ahead_mm),
            from_mm(n.plate_behind_mm),
            from_mm(n.plate_thickness_mm),
            np.array(json.loads(n.plate_outline)) if n.plate_outline else None,
        )
    straight = Element(
        name=n.element,
        leading_edge=np.array([from_mm(v) for v in n.leading_edge_mm]),
        span_m=from_mm(n.span_mm),
        chord_m=from_mm(n.chord_mm),
        taper=n.taper,
        sweep_rad=from_degrees(n.sweep_deg),
        dihedral_rad=from_degrees(n.dihedral_deg),
        incidence_rad=from_degrees(n.incidence_deg),
        twist_rad=from_degrees(n.twist_deg),
        shape=_shape(n.section) if n.section else _first_form(n, ""),
        tip_shape=_shape(n.tip_section) if n.tip_section else _first_form(n, "tip_"),
        end_plate=plate,
        rounded_tips=n.rounded_tips,
        least_edge_m=from_mm(n.least_edge_mm),
        skin_m=from_mm(n.skin_mm),
    )
    inner = tuple(_inner_station(straight, s) for s in _in_order(n.inner))
    return replace(straight, inner=inner)


def write_element(obj: bpy.types.Object, element: Element, source: str = "") -> None:
    """Store an element's numbers on its object and build its mesh.

    Args:
        obj: its object.
        element: the numbers.
        source: where its sections come from, in a word or two; empty leaves what was said before.

    Raises:
        InputError: the numbers make no solid; the object is left as it was.
    """
    n = obj.wingfettle
    mesh = loft(element, n.quads_along_section, n.quads_along_span)
    n.building, n.deviation, n.problem = True, "", ""
    n.role, n.element = "ELEMENT", element.name
    n.leading_edge_mm = [to_mm(v) for v in element.leading_edge]
    n.span_mm, n.chord_mm, n.taper = to_mm(element.span_m), to_mm(element.chord_m), element.taper
    n.sweep_deg, n.dihedral_deg = to_degrees(element.sweep_rad), to_degrees(element.dihedral_rad)
    n.incidence_deg, n.twist_deg = to_degrees(element.incidence_rad), to_degrees(element.twist_rad)
    n.section, n.tip_section = _shape_text(element.shape), _shape_text(element.tip_shape)
    n.section_name, n.tip_section_name = source or n.section_name, source or n.tip_section_name
    old = [(s.section, s.section_name) for s in _in_order(n.inner)]
    n.inner.clear()
    for number, station in enumerate(element.inner):
        _write_station(n.inner.add(), element, station)
        made = n.inner[-1]
        # A station that came or went shifts the others: then each is known by its section.
        kept = old[number][1] if len(old) == len(element.inner) else dict(old).get(made.section, "blended")
        made.section_name = source or kept
    n.rounded_tips = element.rounded_tips
    n.least_edge_mm, n.skin_mm = to_mm(element.least_edge_m), to_mm(element.skin_m)
    n.has_plate = element.end_plate is not None
    if element.end_plate is not None:
        p = element.end_plate
        n.plate_above_mm, n.plate_below_mm = to_mm(p.above_m), to_mm(p.below_m)
        n.plate_ahead_mm, n.plate_behind_mm = to_mm(p.ahead_m), to_mm(p.behind_m)
        n.plate_thickness_mm = to_mm(p.thickness_m)
        n.plate_outline = "" if p.outline is None else json.dumps(p.outline.tolist())
    n.building = False
    _show(obj, mesh)


def _in_order(stations: bpy.types.bpy_prop_collection) -> list[bpy.types.PropertyGroup]:
    """From mid-span outwards, however they were typed."""
    return sorted(stations, key=lambda s: s.place_percent)


def chosen_station(obj: bpy.types.Object) -> int:
    """Number of the station chosen in the list among the inner ones, counted from mid-span outwards."""
    n = obj.wingfettle
    if n.inner_chosen >= len(n.inner):
        return n.inner_chosen
    return sum(s.place_percent < n.inner[n.inner_chosen].place_percent for s in n.inner)


def _inner_station(straight: Element, numbers: bpy.types.PropertyGroup) -> InnerStation:
    eta = 0.01 * numbers.place_percent
    _, chord, incidence = straight.planform(np.array([eta]))
    return InnerStation(
        eta=eta,
        chord_m=0.01 * numbers.chord_percent * float(chord[0]),
        incidence_rad=float(incidence[0]) + from_degrees(numbers.turn_deg),
        offset_m=np.array([from_mm(numbers.aft_mm), from_mm(numbers.up_mm)]),
        shape=_shape(numbers.section),
    )


def _write_station(numbers: bpy.types.PropertyGroup, element: Element, station: InnerStation) -> None:
    _, chord, incidence = replace(element, inner=()).planform(np.array([station.eta]))
    numbers.place_percent = 100.0 * station.eta
    numbers.chord_percent = 100.0 * station.chord_m / float(chord[0])
    numbers.turn_deg = to_degrees(station.incidence_rad - float(incidence[0]))
    numbers.aft_mm, numbers.up_mm = (to_mm(v) for v in station.offset_m)
    numbers.section = _shape_text(station.shape)


def copy_element(source: bpy.types.Object, copy: bpy.types.Object) -> None:
    """Give ``copy`` the element of ``source`` and what was found out about it."""
    for told in (
        *("section_name", "tip_section_name", "measured", "findings", "covered"),
        *("rides", "mounts_mm", "modulus_gpa", "wall_mm", "quads_along_section", "quads_along_span"),
    ):
        setattr(copy.wingfettle, told, getattr(source.wingfettle, told))
    write_element(copy, element_of(source))
    for made, found in zip(copy.wingfettle.inner, _in_order(source.wingfettle.inner), strict=True):
        made.section_name = found.section_name


def build_element(obj: bpy.types.Object) -> None:
    """Rebuild the object's mesh from its numbers."""
    _show(obj, _lofted(obj))


def _show(obj: bpy.types.Object, mesh: QuadMesh) -> None:
    """Make ``mesh`` the object's; what was completed, not measured, has a look of its own."""
    write_quads(obj.data, mesh)
    _dress(obj)
    paint_faces(obj, _completed(obj, mesh))


def _dress(obj: bpy.types.Object) -> None:
    """See that slot 1 is the look of completed faces; slot 0 may be a paint of the user's own."""
    looks = obj.data.materials
    if not looks:
        looks.append(material("Rebuilt wing", (0.80, 0.42, 0.10), 0.3))
    if len(looks) == 1:
        looks.append(_completed_look())
    elif looks[1] != _completed_look():  # a file of the first form had collisions there
        looks.append(looks[1])
        looks[1] = _completed_look()


def tell_completed_apart(obj: bpy.types.Object, apart: bool) -> None:
    """Let completed faces look their own way, or like the measured ones."""
    obj.data.materials[1] = _completed_look() if apart else obj.data.materials[0]


def _completed_look() -> bpy.types.Material:
    return material("Completed wing", (0.62, 0.68, 0.74), 0.3)


def _completed(obj: bpy.types.Object, mesh: QuadMesh) -> np.ndarray:
    covered = obj.wingfettle.covered
    if not covered:
        return np.zeros(len(mesh.face_eta), np.int32)
    measured = [(mesh.face_eta >= low) & (mesh.face_eta <= high) for low, high in json.loads(covered)]
    return (~np.any(measured, axis=0)).astype(np.int32)


def _lofted(obj: bpy.types.Object) -> QuadMesh:
    n = obj.wingfettle
    return loft(element_of(obj), n.quads_along_section, n.quads_along_span)


def with_drawn_plate(element: Element, drawn: bpy.types.Object) -> Element:
    """The element with end plates of the form that a flat curve, or a mesh of one face, has seen from the side."""
    drawing = drawn.evaluated_get(bpy.context.evaluated_depsgraph_get())
    mesh = drawing.to_mesh()
    points = np.array([v.co for v in mesh.vertices]).reshape(-1, 3)
    if len(mesh.polygons) == 1:
        points = points[list(mesh.polygons[0].vertices)]
    drawing.to_mesh_clear()
    return drawn_plate(element, moved(points, np.array(drawn.matrix_world)))


def element_mesh(obj: bpy.types.Object) -> TriMesh:
    """The element's triangles, cavities too, whose points are those of the object's mesh in their order."""
    return _lofted(obj).triangles()


def write_colours(obj: bpy.types.Object, name: str, colours: np.ndarray) -> None:
    """Store a colour (n, 4) a point, linear light, and make it the one that is shown."""
    data = obj.data
    attribute = data.color_attributes.get(name) or data.color_attributes.new(name, "FLOAT_COLOR", "POINT")
    attribute.data.foreach_set("color", colours.astype(np.float32).ravel())
    data.color_attributes.active_color = attribute
    data.color_attributes.render_color_index = data.color_attributes.active_color_index
    data.update()


def plain_deviation(summary: DeviationSummary) -> dict[str, Any]:
    """The summary as JSON can keep it, m."""
    plain = asdict(summary)
    plain["histogram"] = {k: np.asarray(v).tolist() for k, v in plain["histogram"].items()}
    for end in ("lowest", "highest"):
        plain[end]["place"] = plain[end]["place"].tolist()
    return plain | {"sentence": summary.sentence}


def element_key(obj: bpy.types.Object) -> str:
    """Changes whenever the element's own form does."""
    n = obj.wingfettle
    return f"{element_of(obj)!r} {n.quads_along_section} {n.quads_along_span}"


def element_triangles(obj: bpy.types.Object) -> TriMesh:
    """The element's outer skin in full precision, from its numbers.

    Raises:
        InputError: the object's own mesh is another: it was edited by hand, or its move was applied to it.
    """
    mesh, data = _lofted(obj), obj.data
    points = np.empty(3 * len(data.vertices), np.float32)
    _attribute(data, "position", "vector", points)
    same = len(points) == mesh.points.size and len(data.polygons) == len(mesh.face_eta)
    if not same or not np.abs(points.reshape(-1, 3) - mesh.points).max() < SAME_MESH_M:
        raise InputError(
            f"The mesh of “{obj.name}” is not that of its numbers: it was edited, or its move applied to it; undo "
            "that, or change a number to rebuild it."
        )
    return mesh.outer_triangles()


def pose_of(obj: bpy.types.Object) -> np.ndarray | None:
    """(4, 4) where the object was moved to by hand; None where it was not."""
    matrix = np.array(obj.matrix_world)
    return None if np.allclose(matrix, np.eye(4), atol=1e-6) else matrix


def put_back(obj: bpy.types.Object) -> None:
    """Undo what an object was moved by hand."""
    obj.matrix_world = np.eye(4)


def placed_element(obj: bpy.types.Object) -> Element:
    """The element where its object stands.

    Raises:
        InputError: it was scaled, or turned about another axis than the car's y.
    """
    refuse_scaled(obj)
    element, pose = element_of(obj), pose_of(obj)
    return element if pose is None else placed(element, pose)


def in_picture(scene: bpy.types.Scene, place: np.ndarray) -> np.ndarray | None:
    """(2,) px in the scene camera's picture, or None where a place lies behind the camera."""
    seen = world_to_camera_view(scene, scene.camera, Vector(place))
    return np.array([seen.x, seen.y]) * frame_of(scene) if seen.z > 0.0 else None


def frame_of(scene: bpy.types.Scene) -> np.ndarray:
    """(2,) px, width and height of the scene's pictures."""
    share = 0.01 * scene.render.resolution_percentage
    return share * np.array([scene.render.resolution_x, scene.render.resolution_y])


def put_before_camera(scene: bpy.types.Scene, drawing: Drawing) -> list[bpy.types.Object]:
    """Objects that show ``drawing`` right before the scene's camera, hidden by nothing; the caller removes them."""
    camera = scene.camera
    corners = np.array([tuple(c) for c in camera.data.view_frame(scene=scene)])
    depth = 4.0 * camera.data.clip_start
    if camera.data.type == "PERSP":
        corners *= depth / abs(corners[0, 2])
    else:
        corners[:, 2] = -depth
    low, across, up = corners[2], corners[1] - corners[2], corners[3] - corners[2]
    frame = frame_of(scene)
    across, up = across / frame[0], up / frame[1]

    def there(places: np.ndarray, layer: int) -> np.ndarray:
        return (low + places[:, :1] * across + places[:, 1:] * up) * (1.0 - 0.002 * layer)

    faces: dict[tuple[Colour, int], list[np.ndarray]] = {}
    for number, field in enumerate(drawing.fields):
        (x0, y0), (x1, y1) = field.low, field.high
        layer = min(number, 1)
        faces.setdefault((field.colour, layer), []).append(
            there(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]), layer)
        )
    for number, stroke in enumerate(drawing.strokes):
        run = stroke.end - stroke.start
        aside = 0.5 * stroke.width * np.array([-run[1], run[0]]) / max(float(np.hypot(*run)), 1e-9)
        ring = np.array([stroke.start - aside, stroke.end - aside, stroke.end + aside, stroke.start + aside])
        faces.setdefault((stroke.colour, 2 + number % 2), []).append(there(ring, 2 + number % 2))
    made = []
    for (colour, layer), rings in faces.items():
        obj = new_object(f"Drawing {layer}", scene.collection)
        quads = np.arange(4 * len(rings), dtype=np.int32).reshape(-1, 4)
        _write(obj.data, np.concatenate(rings), [quads])
        obj.data.materials.append(_glow(colour))
        made.append(obj)
    for writing in drawing.writing:
        curve = bpy.data.curves.new("Writing", "FONT")
        curve.body = writing.text
        curve.size = FONT_SIZE * writing.height * float(np.linalg.norm(up)) * (1.0 - 0.008)
        curve.materials.append(_glow(writing.colour))
        obj = bpy.data.objects.new("Writing", curve)
        scene.collection.objects.link(obj)
        obj.location = there(np.array([writing.place]), 4)[0]
        made.append(obj)
    for obj in made:
        obj.matrix_world = camera.matrix_world @ Matrix.Translation(obj.location)
        _only_seen(obj)
    return made


def _glow(colour: Colour) -> bpy.types.Material:
    """Shows a colour (sRGB) as it is, whatever the light."""
    name = "Drawn " + " ".join(f"{c:.2f}" for c in colour)
    found = bpy.data.materials.get(name)
    if found is None:
        found = bpy.data.materials.new(name)
        found.use_nodes = True
        tree = found.node_tree
        tree.nodes.clear()
        light, out = tree.nodes.new("ShaderNodeEmission"), tree.nodes.new("ShaderNodeOutputMaterial")
        light.inputs["Color"].default_value = (*linear(np.array(colour[:3])), 1.0)
        tree.links.new(light.outputs["Emission"], out.inputs["Surface"])
    return found


def wearing_map(
    obj: bpy.types.Object, mesh: TriMesh, colours: np.ndarray, hits: np.ndarray | None, into: bpy.types.Collection
) -> bpy.types.Object:
    """A stand-in for the object where it stands, to be rendered in its place; the caller removes it.

    Args:
        obj: an element, a mount or the body.
        mesh: its triangles in its own axes.
        colours: (points, 4) linear light.
        hits: (triangles,) bool, those that collide; they and their neighbours have the look of collisions. None
            where that is not looked at.
        into: where the stand-in goes.
    """
    made = new_object(f"Clearance of {obj.name}", into, mesh)
    made.data.set_sharp_from_angle(angle=from_degrees(35.0))
    made.matrix_world = obj.matrix_world.copy()
    write_colours(made, "Clearance", colours)
    for look in (_map_look(), _collision_look()):
        made.data.materials.append(look)
    if hits is not None:
        paint_faces(made, widened(mesh, hits, MARK_M))
    return made


def mesh_where(obj: bpy.types.Object, mesh: TriMesh) -> TriMesh:
    """A mesh in the object's own axes, moved to where the object stands."""
    matrix = np.array(obj.matrix_world)
    return mesh if np.array_equal(matrix, np.eye(4)) else mesh.transformed(matrix)


def _map_look() -> bpy.types.Material:
    """The colours of a clearance map, half of them as they are and half as lit, so that form and legend both read."""
    found = bpy.data.materials.get("Clearance colours")
    if found is None:
        found = material("Clearance colours", (0.8, 0.8, 0.8))
        tree = found.node_tree
        shader = next(n for n in tree.nodes if n.type == "BSDF_PRINCIPLED")
        attribute, half = tree.nodes.new("ShaderNodeVertexColor"), tree.nodes.new("ShaderNodeVectorMath")
        attribute.layer_name = "Clearance"
        half.operation, half.inputs["Scale"].default_value = "SCALE", 0.5
        tree.links.new(attribute.outputs["Color"], half.inputs[0])
        for socket in ("Base Color", "Emission Color"):
            tree.links.new(half.outputs["Vector"], shader.inputs[socket])
        shader.inputs["Emission Strength"].default_value = 1.0
    return found


def line_in_picture(
    scene: bpy.types.Scene, ends: np.ndarray, matrix: Any, width: float, nearer_px: float, colour: Colour
) -> bpy.types.Object:
    """A wire along straight pieces, for the scene camera's picture; the caller removes it.

    Args:
        scene: whose camera looks.
        ends: (k, 2, 3) m.
        matrix: where they are moved to, or None.
        width: px.
        nearer_px: how far it is pulled towards the eye.
        colour: sRGB.
    """
    if matrix is not None:
        ends = moved(ends.reshape(-1, 3), np.array(matrix)).reshape(-1, 2, 3)
    camera = scene.camera
    eye = np.array(camera.matrix_world.translation)
    to_eye = eye - ends
    far = np.linalg.norm(to_eye, axis=2, keepdims=True)
    corners = np.array([tuple(c) for c in camera.data.view_frame(scene=scene)])
    point = np.ptp(corners[:, 0]) / frame_of(scene)[0]  # m a px, at the depth of the frame
    if camera.data.type == "PERSP":
        point *= float(far.mean()) / abs(corners[0, 2])
    lifted = ends + to_eye / far * (nearer_px * point)
    made = polylines("Border", list(lifted), 0.5 * width * point, scene.collection)
    made.data.materials.append(_glow(colour))
    _only_seen(made)
    return made


def _only_seen(obj: bpy.types.Object) -> None:
    """Let an object throw no shadow and no light on others."""
    obj.visible_shadow = obj.visible_diffuse = obj.visible_glossy = False


def read_bytes(path: str) -> bytes:
    """A picture's bytes."""
    return Path(path).read_bytes()


def _shape(text: str) -> SectionShape:
    plain = json.loads(text)
    return SectionShape(
        half_thickness=np.array(plain["half_thickness"], float),
        mean_line=np.array(plain["mean_line"], float),
        trailing_edge=float(plain["trailing_edge"]),
    )


def _shape_text(shape: SectionShape) -> str:
    plain = {
        "half_thickness": shape.half_thickness.tolist(),
        "mean_line": shape.mean_line.tolist(),
        "trailing_edge": shape.trailing_edge,
    }
    return json.dumps(plain)


def _first_form(numbers: bpy.types.PropertyGroup, which: str) -> SectionShape:
    """The shape as files of the first form kept it."""
    return SectionShape(
        half_thickness=np.array(getattr(numbers, f"{which}thickness_weights"), float),
        mean_line=np.array(getattr(numbers, f"{which}mean_weights"), float),
        trailing_edge=getattr(numbers, f"{which}trailing_edge"),
    )


def flag_element(obj: bpy.types.Object, hits: np.ndarray | None) -> None:
    """Store which of the element's faces collide (none: no face), and paint them and their neighbours."""
    mesh = _lofted(obj)
    if len(mesh.face_eta) != len(obj.data.polygons):  # edited by hand
        return
    _dress(obj)
    plain = np.zeros(len(mesh.face_eta), bool)
    around = plain if hits is None else mesh.faces_hit(widened(mesh.outer_triangles(), hits, MARK_M))
    _flag(obj, plain if hits is None else mesh.faces_hit(hits), around, _completed(obj, mesh))


def flag_body(obj: bpy.types.Object, mesh: TriMesh | None, hits: list[np.ndarray]) -> None:
    """The same for the body's triangles numbered in any of ``hits``; others keep their zone's material.

    Args:
        obj: the body.
        mesh: its triangles; may be left out where nothing is hit.
        hits: (k,) each.
    """
    zones = _face_zones(obj)
    if mesh is None or not any(len(numbers) for numbers in hits):
        nothing = np.zeros(len(zones), bool)
        _flag(obj, nothing, nothing, zones + 1)
        return
    flagged = np.zeros(len(mesh.triangles), bool)
    flagged[np.concatenate(hits)] = True
    _flag(obj, _by_face(obj, flagged), _by_face(obj, widened(mesh, flagged, MARK_M)), zones + 1)


def flagged(obj: bpy.types.Object) -> np.ndarray:
    """(faces of the mesh,) bool, whether they are stored as colliding."""
    found = np.zeros(len(obj.data.polygons), np.int32)
    attribute = obj.data.attributes.get(FLAG_ATTRIBUTE)
    if attribute is not None:
        attribute.data.foreach_get("value", found)
    return found > 0


def paint_zone(obj: bpy.types.Object, zone: int, colour: bpy.types.Material) -> None:
    """Give zone number ``zone`` its material; slot 0 is the plain body, zone k has slot k + 1."""
    while len(obj.data.materials) < zone + 2:
        obj.data.materials.append(colour)
    obj.data.materials[zone + 1] = colour
    paint_faces(obj, _face_zones(obj) + 1)


def drop_zone_look(obj: bpy.types.Object, zone: int) -> None:
    """Take the material slot of a zone away; those of later zones move down."""
    if len(obj.data.materials) > zone + 1:
        obj.data.materials.pop(index=zone + 1)


def label(
    name: str, text: str, place: np.ndarray, into: bpy.types.Collection, look: bpy.types.Material
) -> bpy.types.Object:
    """Upright writing, 35 mm high, to be read from behind the car."""
    curve = bpy.data.curves.new(name, "FONT")
    curve.body, curve.size, curve.align_x, curve.extrude = text, 0.035, "CENTER", 0.0005
    curve.materials.append(look)
    obj = bpy.data.objects.new(name, curve)
    into.objects.link(obj)
    obj.matrix_world = np.array(
        [[0, 0, -1, place[0]], [-1, 0, 0, place[1]], [0, 1, 0, place[2]], [0, 0, 0, 1]], float
    ).T
    return obj


def _collision_look() -> bpy.types.Material:
    """Checks a hundredth of the picture wide, so that the mark is a pattern and not a hue alone at any distance."""
    found = material("Collides", COLLISION_COLOUR)
    tree = found.node_tree
    if tree.nodes.get("Window checks") is None:  # new, or of a file whose checks were too fine to be seen
        shader = next(n for n in tree.nodes if n.type == "BSDF_PRINCIPLED")
        checks, place = tree.nodes.new("ShaderNodeTexChecker"), tree.nodes.new("ShaderNodeTexCoord")
        even = tree.nodes.new("ShaderNodeVectorMath")
        checks.name, even.operation = "Window checks", "MULTIPLY"
        even.inputs[1].default_value = (1.0, 0.625, 0.0)
        checks.inputs["Scale"].default_value = 100.0
        checks.inputs["Color1"].default_value = (*COLLISION_COLOUR, 1.0)
        checks.inputs["Color2"].default_value = (1.0, 1.0, 1.0, 1.0)
        tree.links.new(place.outputs["Window"], even.inputs[0])
        tree.links.new(even.outputs["Vector"], checks.inputs["Vector"])
        tree.links.new(checks.outputs["Color"], shader.inputs["Base Color"])
    return found


def _flag(obj: bpy.types.Object, hit: np.ndarray, marked: np.ndarray, slots: np.ndarray) -> None:
    """Store ``hit`` and paint ``marked``, the rest by ``slots`` (one value a face); what is so already stays."""
    if (hit != flagged(obj)).any():
        write_faces(obj, FLAG_ATTRIBUTE, hit)
    if marked.any():
        warning = _collision_look()
        if warning.name not in obj.data.materials:
            obj.data.materials.append(warning)
        slots = np.where(marked, obj.data.materials.find(warning.name), slots)
    painted = np.empty(len(slots), np.int32)
    obj.data.polygons.foreach_get("material_index", painted)
    if (painted != slots).any():
        paint_faces(obj, slots)
