"""What was worked out in this session, by scene and variant; gone when a file is opened or what it rests on changes."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import bpy

from ..core.assembly.assembly import Assembly
from ..core.assembly.part import Matrix, Part
from ..core.clearance.surroundings import Surroundings
from ..core.errors import InputError
from ..core.geometry.index import TriangleIndex
from ..core.geometry.mesh import TriMesh
from ..core.geometry.signed import triangle_areas
from ..core.lift.estimate import PreparedBody, prepare_body
from ..core.scan.scan_mesh import ScanMesh, Zone, share_in_none
from ..core.units import from_mm
from . import bridge, settings


def _zones(job: settings.SceneSettings) -> list[tuple[str, float]]:
    return [(z.name, z.required_mm) for z in job.zones]


def _points(picks: bpy.types.bpy_prop_collection) -> list[tuple[float, ...]]:
    return [tuple(p.point) for p in picks]


def _wind(job: settings.SceneSettings) -> tuple[float, float, float]:
    return job.speed_kmh, job.temperature_c, job.altitude_m


_Cache = TypeVar("_Cache", bound=dict[Any, Any])
_of_file: list[dict[Any, Any]] = []


def of_file(cache: _Cache) -> _Cache:
    """A cache that is emptied whenever another file is opened."""
    _of_file.append(cache)
    return cache


_RESTS: dict[str, Callable[[settings.SceneSettings, list[settings.ObjectNumbers]], Any]] = {
    "clearance": lambda job, numbers: (
        _zones(job),
        job.allowance_mm,
        job.bending and [_wind(job), *((n.mounts_mm, n.modulus_gpa, n.wall_mm) for n in numbers)],
    ),
    "map": lambda job, _: ([z.name for z in job.zones], job.map_reach_mm),
    "lift": lambda job, _: _wind(job),
    "flow": lambda job, _: (_wind(job), job.lift_case),
    "sweeps": lambda job, _: _wind(job),
    "flow run": lambda job, _: _wind(job),
    "opening": lambda job, numbers: (
        [z.name for z in job.zones],
        (job.allowance_mm, job.lid, job.lid_degrees, job.hinge_rms_mm, _points(job.hinge_picks)),
        [n.rides for n in numbers],
    ),
    "slides": lambda job, _: (
        _zones(job),
        (job.allowance_mm, job.slide_aft_mm, job.slide_up_mm, job.slide_turn_deg, job.slide_steps, job.slide_part),
    ),
    "outline": lambda job, _: (),
    "picture": lambda job, _: (),
    "lamps": lambda job, _: (job.market, [(z.name, sorted(z.lamps)) for z in job.zones]),
    "mirror": lambda job, _: (
        (job.market, job.window, [z.name for z in job.zones], tuple(job.mirror_mm)),
        (_points(job.eye_picks), _points(job.mirror_picks)),
    ),
}
"""By kind of answer: what it rests on besides the body, its zones' faces and the variant's parts."""


@dataclass
class _Body:
    """The body scan as arrays; what rests on it is worked out when that is first asked for."""

    state: str
    mesh: TriMesh
    zones: str = ""
    around: Surroundings | None = None
    index: TriangleIndex | None = None
    areas: Any = None
    share: float | None = None
    prepared: PreparedBody | None = None


_answers: dict[tuple[int, str, str], tuple[str, Any]] = of_file({})
_bodies: dict[int, _Body] = of_file({})
_parts: dict[int, tuple[str, Part]] = of_file({})


def forget() -> None:
    """Another file was opened: forget all that was worked out."""
    for cache in _of_file:
        cache.clear()
    bridge.forget_marks()


def look_again(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    """Have what Blender tells to have changed read again; the body at once, so that no redraw has to."""
    changed = [u.id.original for u in depsgraph.updates if u.is_updated_geometry]
    # What is done in Edit Mode reaches the mesh when that is left, and is told then.
    changed = [one for one in changed if not (isinstance(one, bpy.types.Mesh) and one.is_editmode)]
    bridge.forget_marks(changed)
    if scene.wingfettle.body in changed:
        _body_state(scene)


def _place(obj: bpy.types.Object) -> tuple[float, ...]:
    return tuple(round(v, 9) + 0.0 for row in obj.matrix_world for v in row)


def _body_state(scene: bpy.types.Scene) -> str:
    job = scene.wingfettle
    if job.body is None:
        return ""
    return f"{job.body_state} {bridge.mesh_mark(job.body)} {bridge.zone_mark(job.body)} {_place(job.body)}"


def _body(scene: bpy.types.Scene) -> _Body:
    """Read again, and the last one forgotten, when its faces have changed or it was moved."""
    body = scene.wingfettle.body
    if body is None:
        raise InputError("There is no body scan yet; import one.")
    _refuse_modifiers(body)
    state = f"{bridge.mesh_mark(body)} {_place(body)}"
    kept = _bodies.get(scene.session_uid)
    if kept is None or kept.state != state:
        kept = _bodies[scene.session_uid] = _Body(state, bridge.mesh_of(body))
    zones = f"{bridge.zone_mark(body)} {[z.name for z in scene.wingfettle.zones]}"
    if kept.zones != zones:
        kept.zones, kept.around, kept.share = zones, None, None
    return kept


def _refuse_modifiers(obj: bpy.types.Object) -> None:
    if bridge.modifiers_shown(obj):
        raise InputError(
            f"“{obj.name}” has modifiers or shape keys, which are not measured; apply them (Ctrl A), or switch them "
            "off in the viewport."
        )


def body(scene: bpy.types.Scene) -> TriMesh:
    """The body scan in vehicle axes.

    Raises:
        InputError: there is none.
    """
    return _body(scene).mesh


def prepared(scene: bpy.types.Scene) -> Callable[[], PreparedBody | None]:
    """What gives the body's part of the wind's equations, worked out once; to be called beside Blender.

    None is given where there is no body.
    """
    if scene.wingfettle.body is None:
        return lambda: None
    kept = _body(scene)

    def give() -> PreparedBody:
        if kept.prepared is None:
            kept.prepared = prepare_body(kept.mesh)
        return kept.prepared

    return give


def surroundings(scene: bpy.types.Scene) -> Surroundings:
    """The body with its zones, indexed once.

    Raises:
        InputError: there is no body or no zone, or see ``Surroundings.build``.
    """
    job, kept = scene.wingfettle, _body(scene)
    zones = tuple(Zone(z.name, from_mm(z.required_mm), z.reason) for z in job.zones)
    if kept.around is None:
        kept.around = Surroundings.build(ScanMesh(kept.mesh, zones, bridge.zones_of(job.body)))
    elif kept.around.scan.zones != zones:
        kept.around = kept.around.asking(zones)
    return kept.around


def share_in_no_zone(scene: bpy.types.Scene) -> float:
    """The share of the body's area that belongs to no zone, which no clearance is measured to; 0 without a body.

    Raises:
        InputError: the body has modifiers.
    """
    job = scene.wingfettle
    if job.body is None:
        return 0.0
    kept = _body(scene)
    if kept.areas is None:
        kept.areas = triangle_areas(kept.mesh)
    if kept.share is None:
        kept.share = share_in_none(bridge.zones_of(job.body), kept.areas)
    return kept.share


def known_share_in_no_zone(scene: bpy.types.Scene) -> float | None:
    """The same for panels, which must not read the body: None where it was not asked for since the body changed."""
    kept, body = _bodies.get(scene.session_uid), scene.wingfettle.body
    if kept is None or kept.areas is None or body is None or kept.state != f"{bridge.mesh_mark(body)} {_place(body)}":
        return None
    try:
        return share_in_no_zone(scene)
    except InputError:
        return None


def body_index(scene: bpy.types.Scene) -> TriangleIndex:
    """All of the body's faces, in zones or not, indexed.

    Raises:
        InputError: there is no body.
    """
    if scene.wingfettle.zones:
        return surroundings(scene).index
    kept = _body(scene)
    if kept.index is None:
        kept.index = TriangleIndex.build(kept.mesh)
    return kept.index


def zone_faces(scene: bpy.types.Scene, name: str) -> TriMesh:
    """The faces of the zone called ``name``.

    Raises:
        InputError: there is none.
    """
    scan = surroundings(scene).scan
    for number, zone in enumerate(scan.zones):
        if zone.name == name:
            return scan.mesh.subset(scan.zone_of_face == number)
    raise InputError(f"There is no zone “{name}”; select its faces and name them, or choose another.")


def part(obj: bpy.types.Object) -> Part:
    """An element or mount in its own axes; indexed once.

    Raises:
        InputError: an element whose mesh is not that of its numbers, or a mount that is hidden.
    """
    mount = obj.wingfettle.role == "MOUNT"
    key = bridge.mount_mark(obj) if mount else f"{bridge.element_key(obj)} {bridge.mesh_mark(obj)}"
    kept = _parts.get(obj.session_uid)
    if kept is None or kept[0] != key:
        mesh = bridge.evaluated_mesh(obj) if mount else bridge.element_triangles(obj)
        kept = _parts[obj.session_uid] = key, Part.of(obj.name if mount else obj.wingfettle.element, mesh)
    return kept[1]


def parts(variant: settings.VariantItem) -> list[tuple[bpy.types.Object, Part, Matrix | None]]:
    """The variant's elements, then its mounts: object, part and where it was moved to.

    Raises:
        InputError: it has none, one is scaled or has modifiers, see ``part``, or the wing as found was moved.
    """
    objects = settings.element_objects(variant) + settings.mount_objects(variant)
    if not objects:
        raise InputError(f"Variant “{variant.name}” has no elements or mounts.")
    _refuse_parts(variant)
    return [(o, part(o), bridge.pose_of(o)) for o in objects]


def _refuse_parts(variant: settings.VariantItem) -> None:
    """Refuse what parts cannot be measured with, as far as that is told without reading their meshes."""
    for obj in settings.mount_objects(variant):
        bridge.refuse_scaled(obj)
    for obj in settings.element_objects(variant):
        bridge.refuse_scaled(obj)
        _refuse_modifiers(obj)
        if variant.name == settings.AS_FOUND and bridge.pose_of(obj) is not None:
            raise InputError(
                f"The wing as found stays where it was found; put “{obj.wingfettle.element}” back (Alt G, Alt R) "
                "or start a new variant."
            )


def assembly(variant: settings.VariantItem) -> Assembly:
    """The variant's elements as core knows them, where they stand.

    Raises:
        InputError: one was moved in a way that its numbers cannot tell, or the wing as found was moved.
    """
    _refuse_parts(variant)
    return Assembly(variant.name, tuple(bridge.placed_element(o) for o in settings.element_objects(variant)))


def _state(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> str:
    if scene.wingfettle.body is not None:
        _refuse_modifiers(scene.wingfettle.body)
    _refuse_parts(variant)
    elements, mounts = settings.element_objects(variant), settings.mount_objects(variant)
    stand = [(bridge.element_key(o), bridge.mesh_mark(o), _place(o)) for o in elements]
    stand += [(o.name, bridge.mount_mark(o), _place(o)) for o in mounts]
    numbers = [o.wingfettle for o in elements + mounts]
    return f"{_body_state(scene)} {stand} {_RESTS[kind](scene.wingfettle, numbers)}"


@dataclass(frozen=True)
class Ticket:
    """Taken before an answer is worked out: which answer it will be, and the state of all that it rests on."""

    scene: int
    variant: str
    kind: str
    state: str


def ticket(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> Ticket:
    """For an answer of a kind, to be worked out of the scene as it is now; all meshes are looked at again.

    Raises:
        InputError: there is nothing that could be measured, see ``parts``.
    """
    objects = [
        o for o in (scene.wingfettle.body, *settings.element_objects(variant), *settings.mount_objects(variant)) if o
    ]
    bridge.forget_marks(objects + [o.data for o in objects])
    return Ticket(scene.session_uid, variant.name, kind, _state(scene, variant, kind))


def digest(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> str:
    """A short text of all that an answer of a kind rests on; it may be kept with the file.

    Raises:
        InputError: there is nothing that could be measured, see ``parts``.
    """
    return _short(_state(scene, variant, kind))


def digest_of(of: Ticket) -> str:
    """The same of the scene as it was when the ticket was taken."""
    return _short(of.state)


def _short(state: str) -> str:
    return hashlib.blake2b(state.encode(), digest_size=16).hexdigest()


def keep(of: Ticket, value: Any) -> None:
    """Keep an answer; it holds until what it rests on is no longer what it was when the ticket was taken."""
    _answers[of.scene, of.variant, of.kind] = of.state, value


def found(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> Any:
    """The variant's answer of a kind, or None when there is none or something has changed since.

    Raises:
        InputError: there is nothing that could be measured, see ``parts``.
    """
    now = _state(scene, variant, kind)
    state, value = _answers.get((scene.session_uid, variant.name, kind), ("", None))
    return value if state == now else None


def shown(scene: bpy.types.Scene, variant: settings.VariantItem | None, kind: str) -> tuple[Any, str]:
    """For panels, which must not fail: the variant's answer or None, and what is wrong."""
    if variant is None:
        return None, ""
    try:
        return found(scene, variant, kind), ""
    except InputError as problem:
        return None, str(problem)
