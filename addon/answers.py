"""What was worked out in this session, by variant; gone when Blender closes or the numbers change."""

from __future__ import annotations

from dataclasses import dataclass, field

import bpy

from ..core.assembly.assembly import Assembly
from ..core.clearance.result import ElementClearance
from ..core.geometry.index import TriangleIndex
from ..core.geometry.mesh import TriMesh
from ..core.lift.result import LiftEstimate
from . import bridge, settings


@dataclass
class Answer:
    """One variant's results and the state of the scene they hold for."""

    state: str
    clearance: tuple[ElementClearance, ...] = ()
    lift: LiftEstimate | None = None


@dataclass
class Body:
    """The body scan as arrays, read once for each state of the scene."""

    state: str
    mesh: TriMesh
    index: TriangleIndex | None = field(default=None)


_answers: dict[str, Answer] = {}
_bodies: dict[str, Body] = {}


def body(scene: bpy.types.Scene) -> Body:
    """The body scan; read again when its faces or zones have changed."""
    obj = scene.wingfettle.body
    state = f"{obj.data.name} {len(obj.data.polygons)} {[z.name for z in scene.wingfettle.zones]}"
    held = _bodies.get("body")
    if held is None or held.state != state:
        held = _bodies["body"] = Body(state, bridge.mesh_of(obj))
    return held


def forget() -> None:
    """Forget the body and all answers, for instance when zones are painted anew."""
    _answers.clear()
    _bodies.clear()


def of(scene: bpy.types.Scene, variant: settings.VariantItem) -> Answer:
    """The variant's answer; an empty one when its numbers have changed since."""
    state = f"{scene.wingfettle.speed_kmh} {assembly(variant)!r}"
    held = _answers.get(variant.name)
    if held is None or held.state != state:
        held = _answers[variant.name] = Answer(state)
    return held


def assembly(variant: settings.VariantItem) -> Assembly:
    """The variant as core knows it."""
    return bridge.assembly_of(variant.name, settings.element_objects(variant))
