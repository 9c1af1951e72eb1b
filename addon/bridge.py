"""The only place where Blender data becomes arrays and arrays become Blender data."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np

from ..core.assembly.assembly import Assembly
from ..core.elements.element import Element, EndPlate
from ..core.elements.loft import QuadMesh, loft
from ..core.errors import InputError
from ..core.geometry.box import Box
from ..core.geometry.mesh import TriMesh
from ..core.sections.shape import SectionShape
from ..core.units import from_degrees, from_mm, to_degrees, to_mm

ZONE_ATTRIBUTE = "wingfettle_zone"
FLAG_ATTRIBUTE = "wingfettle_collides"


def mesh_of(obj: bpy.types.Object) -> TriMesh:
    """The object's triangles in world axes, one Blender unit a metre."""
    data = obj.data
    data.calc_loop_triangles()
    points = np.empty(3 * len(data.vertices), np.float32)
    data.vertices.foreach_get("co", points)
    triangles = np.empty(3 * len(data.loop_triangles), np.int32)
    data.loop_triangles.foreach_get("vertices", triangles)
    mesh = TriMesh(points.reshape(-1, 3).astype(np.float64), triangles.reshape(-1, 3))
    matrix = np.array(obj.matrix_world)
    return mesh if np.array_equal(matrix, np.eye(4)) else mesh.transformed(matrix)


def write_triangles(data: bpy.types.Mesh, mesh: TriMesh) -> None:
    """Replace all geometry of ``data``; it is left smooth-shaded."""
    _write(data, mesh.points, [mesh.triangles])


def write_quads(data: bpy.types.Mesh, mesh: QuadMesh) -> None:
    """Replace all geometry of ``data`` with quads and wedges."""
    _write(data, mesh.points, [mesh.quads, mesh.wedges])


def _write(data: bpy.types.Mesh, points: np.ndarray, faces: list[np.ndarray]) -> None:
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


def selected_faces(obj: bpy.types.Object) -> np.ndarray:
    """(m,) bool, the faces that are selected in the mesh."""
    chosen = np.empty(len(obj.data.polygons), bool)
    obj.data.polygons.foreach_get("select", chosen)
    return chosen


def zones_of(obj: bpy.types.Object) -> np.ndarray:
    """(m,) int32, zone of each face, -1 for none."""
    zones = np.full(len(obj.data.polygons), -1, np.int32)
    attribute = obj.data.attributes.get(ZONE_ATTRIBUTE)
    if attribute is not None:
        attribute.data.foreach_get("value", zones)
    return zones


def write_faces(obj: bpy.types.Object, name: str, values: np.ndarray) -> None:
    """Store one integer a face."""
    attribute = obj.data.attributes.get(name) or obj.data.attributes.new(name, "INT", "FACE")
    attribute.data.foreach_set("value", values.astype(np.int32))


def paint_faces(obj: bpy.types.Object, slots: np.ndarray) -> None:
    """Give each face the material slot numbered in ``slots``."""
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
        )
    return Element(
        name=n.element,
        leading_edge=np.array([from_mm(v) for v in n.leading_edge_mm]),
        span_m=from_mm(n.span_mm),
        chord_m=from_mm(n.chord_mm),
        taper=n.taper,
        sweep_rad=from_degrees(n.sweep_deg),
        dihedral_rad=from_degrees(n.dihedral_deg),
        incidence_rad=from_degrees(n.incidence_deg),
        twist_rad=from_degrees(n.twist_deg),
        shape=_shape(n.thickness_weights, n.mean_weights, n.trailing_edge),
        tip_shape=_shape(n.tip_thickness_weights, n.tip_mean_weights, n.tip_trailing_edge),
        end_plate=plate,
    )


def write_element(obj: bpy.types.Object, element: Element) -> None:
    """Store an element's numbers on its object and build its mesh."""
    n = obj.wingfettle
    n.building = True
    n.role, n.element = "ELEMENT", element.name
    n.leading_edge_mm = [to_mm(v) for v in element.leading_edge]
    n.span_mm, n.chord_mm, n.taper = to_mm(element.span_m), to_mm(element.chord_m), element.taper
    n.sweep_deg, n.dihedral_deg = to_degrees(element.sweep_rad), to_degrees(element.dihedral_rad)
    n.incidence_deg, n.twist_deg = to_degrees(element.incidence_rad), to_degrees(element.twist_rad)
    n.thickness_weights, n.mean_weights = element.shape.half_thickness, element.shape.mean_line
    n.trailing_edge = element.shape.trailing_edge
    n.tip_thickness_weights, n.tip_mean_weights = element.tip_shape.half_thickness, element.tip_shape.mean_line
    n.tip_trailing_edge = element.tip_shape.trailing_edge
    n.has_plate = element.end_plate is not None
    if element.end_plate is not None:
        p = element.end_plate
        n.plate_above_mm, n.plate_below_mm = to_mm(p.above_m), to_mm(p.below_m)
        n.plate_ahead_mm, n.plate_behind_mm = to_mm(p.ahead_m), to_mm(p.behind_m)
        n.plate_thickness_mm = to_mm(p.thickness_m)
    n.building = False
    build_element(obj)


def build_element(obj: bpy.types.Object) -> None:
    """Rebuild the object's mesh from its numbers; the materials stay."""
    write_quads(obj.data, loft(element_of(obj)))


def element_triangles(obj: bpy.types.Object) -> TriMesh:
    """The element's skin in full precision, from its numbers."""
    return loft(element_of(obj)).triangles()


def assembly_of(name: str, objects: list[bpy.types.Object]) -> Assembly:
    """The variant made of these element objects.

    Raises:
        InputError: an object was moved or scaled by hand, so that its numbers no longer say where it is.
    """
    for obj in objects:
        if not np.allclose(np.array(obj.matrix_world), np.eye(4), atol=1e-6):
            raise InputError(f"“{obj.name}” was moved by hand; set its leading edge in the Wing panel instead.")
    return Assembly(name, tuple(element_of(o) for o in objects))


def read_bytes(path: str) -> bytes:
    """A picture's bytes."""
    return Path(path).read_bytes()


def _shape(thickness: object, mean: object, trailing_edge: float) -> SectionShape:
    return SectionShape(
        half_thickness=np.array(thickness, float), mean_line=np.array(mean, float), trailing_edge=trailing_edge
    )


def flag_element(obj: bpy.types.Object, hits: np.ndarray, warning: bpy.types.Material) -> None:
    """Mark the element's faces whose triangles collide: an attribute, and the second material."""
    quads = _four_cornered(obj)
    flagged = np.concatenate([hits[: 2 * quads].reshape(-1, 2).any(axis=1), hits[2 * quads :]])
    _flag(obj, flagged, warning)


def flag_body(obj: bpy.types.Object, hits: list[np.ndarray], warning: bpy.types.Material) -> None:
    """Mark the body's faces numbered in any of ``hits``."""
    flagged = np.zeros(len(obj.data.polygons), bool)
    for numbers in hits:
        flagged[numbers] = True
    _flag(obj, flagged, warning)


def _flag(obj: bpy.types.Object, flagged: np.ndarray, warning: bpy.types.Material) -> None:
    if warning.name not in obj.data.materials:
        obj.data.materials.append(warning)
    write_faces(obj, FLAG_ATTRIBUTE, flagged)
    paint_faces(obj, np.where(flagged, obj.data.materials.find(warning.name), 0))


def _four_cornered(obj: bpy.types.Object) -> int:
    sizes = np.empty(len(obj.data.polygons), np.int32)
    obj.data.polygons.foreach_get("loop_total", sizes)
    return int((sizes == 4).sum())


def studio(scene: bpy.types.Scene, camera_matrix: np.ndarray, width: int, samples: int) -> None:
    """One camera, one sun and a pale sky; Cycles on the processor, so that it renders anywhere."""
    camera = scene.camera
    if camera is None:
        camera = scene.camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
        scene.collection.objects.link(camera)
        sun = bpy.data.objects.new("Sun", bpy.data.lights.new("Sun", "SUN"))
        sun.data.energy, sun.data.angle = 2.5, 0.15
        sun.rotation_euler = (0.7, -0.5, 0.4)
        scene.collection.objects.link(sun)
        scene.world = scene.world or bpy.data.worlds.new("World")
        scene.world.use_nodes = True
        sky = next(n for n in scene.world.node_tree.nodes if n.type == "BACKGROUND")
        sky.inputs["Color"].default_value = (0.75, 0.80, 0.88, 1.0)
        sky.inputs["Strength"].default_value = 0.6
    camera.matrix_world = camera_matrix.T
    camera.data.lens = 45.0
    scene.render.engine = "CYCLES"
    scene.cycles.device = "CPU"
    scene.cycles.samples = samples
    scene.cycles.use_denoising = True
    scene.cycles.max_bounces = 4
    scene.view_settings.view_transform = "Standard"
    scene.render.use_persistent_data = True
    scene.render.resolution_x, scene.render.resolution_y = width, width * 5 // 8
    scene.render.resolution_percentage = 100
    scene.render.image_settings.file_format = "PNG"
