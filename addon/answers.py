"""What was worked out in this session, by variant; gone when Blender closes or what it rests on changes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import bpy

from ..core.assembly.assembly import Assembly
from ..core.assembly.part import Matrix, Part
from ..core.clearance.surroundings import Surroundings
from ..core.errors import InputError
from ..core.geometry.index import TriangleIndex
from ..core.geometry.mesh import TriMesh
from ..core.lift.estimate import PreparedBody, prepare_body
from ..core.scan.scan_mesh import ScanMesh, Zone
from ..core.units import from_mm
from . import bridge, settings


def _zones(job: settings.SceneSettings) -> list[tuple[str, float]]:
    return [(z.name, z.required_mm) for z in job.zones]


def _points(picks: bpy.types.bpy_prop_collection) -> list[tuple[float, ...]]:
    return [tuple(p.point) for p in picks]


def _wind(job: settings.SceneSettings) -> tuple[float, float, float]:
    return job.speed_kmh, job.temperature_c, job.altitude_m


_RESTS: dict[str, Callable[[settings.SceneSettings, list[settings.ObjectNumbers]], Any]] = {
    "clearance": lambda job, numbers: (
        _zones(job),
        job.allowance_mm,
        job.bending and [job.speed_kmh, *((n.mounts_mm, n.modulus_gpa, n.wall_mm) for n in numbers)],
    ),
    "map": lambda job, _: ([z.name for z in job.zones], job.map_reach_mm),
    "lift": lambda job, _: _wind(job),
    "flow": lambda job, _: (_wind(job), job.lift_case),
    "sweeps": lambda job, _: _wind(job),
    "opening": lambda job, numbers: (
        [z.name for z in job.zones],
        (job.lid, job.lid_degrees, _points(job.hinge_picks)),
        [n.rides for n in numbers],
    ),
    "slides": lambda job, _: (
        _zones(job),
        (job.slide_aft_mm, job.slide_up_mm, job.slide_turn_deg, job.slide_steps, job.slide_part),
    ),
    "outline": lambda job, _: (),
    "lamps": lambda job, _: (job.market, [(z.name, sorted(z.lamps)) for z in job.zones]),
    "mirror": lambda job, _: (
        (job.market, job.window, [z.name for z in job.zones], tuple(job.mirror_mm)),
        (_points(job.eye_picks), _points(job.mirror_picks)),
    ),
}
"""By kind of answer: what it rests on besides the body, its zones' faces and the variant's parts."""


@dataclass
class _Body:
    """The body scan as arrays; it is indexed when that is first asked for."""

    mesh: TriMesh
    around: Surroundings | None = None
    prepared: PreparedBody | None = None


_answers: dict[tuple[str, str], tuple[str, Any]] = {}
_bodies: dict[str, _Body] = {}
_parts: dict[str, tuple[str, Part]] = {}


def _body(scene: bpy.types.Scene) -> _Body:
    """Read again, and the last one forgotten, when its faces or zones have changed."""
    job = scene.wingfettle
    if job.body is None:
        raise InputError("There is no body scan yet; import one.")
    if job.body_state not in _bodies:
        _bodies.clear()
        _bodies[job.body_state] = _Body(bridge.mesh_of(job.body))
    return _bodies[job.body_state]


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
        kept.around = replace(kept.around, scan=replace(kept.around.scan, zones=zones))
    return kept.around


def body_index(scene: bpy.types.Scene) -> TriangleIndex:
    """All of the body's faces, in zones or not, indexed.

    Raises:
        InputError: there is no body.
    """
    return surroundings(scene).index if scene.wingfettle.zones else TriangleIndex.build(body(scene))


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
    """An element or mount in its own axes; indexed once."""
    mount = obj.wingfettle.role == "MOUNT"
    key = bridge.fingerprint(obj) if mount else bridge.element_key(obj)
    kept = _parts.get(obj.name)
    if kept is None or kept[0] != key:
        mesh = bridge.own_mesh(obj) if mount else bridge.element_triangles(obj)
        kept = _parts[obj.name] = key, Part.of(obj.name if mount else obj.wingfettle.element, mesh)
    return kept[1]


def parts(variant: settings.VariantItem) -> list[tuple[bpy.types.Object, Part, Matrix | None]]:
    """The variant's elements, then its mounts: object, part and where it was moved to.

    Raises:
        InputError: it has none.
    """
    objects = settings.element_objects(variant) + settings.mount_objects(variant)
    if not objects:
        raise InputError(f"Variant “{variant.name}” has no elements or mounts.")
    return [(o, part(o), bridge.pose_of(o)) for o in objects]


def assembly(variant: settings.VariantItem) -> Assembly:
    """The variant's elements as core knows them, where they stand.

    Raises:
        InputError: one was moved in a way that its numbers cannot tell, or the wing as found was moved.
    """
    objects = settings.element_objects(variant)
    if variant.name == settings.AS_FOUND:
        for obj in objects:
            if bridge.pose_of(obj) is not None:
                raise InputError(
                    f"The wing as found stays where it was found; put “{obj.wingfettle.element}” back (Alt G, Alt R) "
                    "or start a new variant."
                )
    return Assembly(variant.name, tuple(bridge.placed_element(o) for o in objects))


def _state(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> str:
    mounts = [(o.name, bridge.fingerprint(o), o.matrix_world[:]) for o in settings.mount_objects(variant)]
    numbers = [o.wingfettle for o in settings.element_objects(variant) + settings.mount_objects(variant)]
    job = scene.wingfettle
    return f"{job.body_state} {assembly(variant)!r} {mounts} {_RESTS[kind](job, numbers)}"


@dataclass(frozen=True)
class Ticket:
    """Taken before an answer is worked out: which answer it will be, and the state of all that it rests on."""

    variant: str
    kind: str
    state: str


def ticket(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> Ticket:
    """For an answer of a kind, to be worked out of the scene as it is now.

    Raises:
        InputError: see ``assembly``.
    """
    return Ticket(variant.name, kind, _state(scene, variant, kind))


def keep(of: Ticket, value: Any) -> None:
    """Keep an answer; it holds until what it rests on is no longer what it was when the ticket was taken."""
    _answers[of.variant, of.kind] = of.state, value


def found(scene: bpy.types.Scene, variant: settings.VariantItem, kind: str) -> Any:
    """The variant's answer of a kind, or None when there is none or something has changed since.

    Raises:
        InputError: see ``assembly``.
    """
    now = _state(scene, variant, kind)
    state, value = _answers.get((variant.name, kind), ("", None))
    return value if state == now else None


def shown(scene: bpy.types.Scene, variant: settings.VariantItem | None, kind: str) -> tuple[Any, str]:
    """For panels, which must not fail: the variant's answer or None, and what is wrong."""
    if variant is None:
        return None, ""
    try:
        return found(scene, variant, kind), ""
    except InputError as problem:
        return None, str(problem)
