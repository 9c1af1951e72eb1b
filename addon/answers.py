"""What was worked out in this session, by variant; gone when Blender closes or the numbers change."""

from __future__ import annotations

from dataclasses import dataclass

import bpy

from ..core.assembly.assembly import Assembly
from ..core.clearance.result import ElementClearance
from ..core.errors import InputError
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
    """The body scan as arrays; the index is made when the first clearance asks for it."""

    mesh: TriMesh
    index: TriangleIndex | None = None


_answers: dict[str, Answer] = {}
_bodies: dict[str, Body] = {}


def body(scene: bpy.types.Scene) -> Body:
    """The body scan; read again, and the last one forgotten, when its faces or zones have changed."""
    job = scene.wingfettle
    if job.body_state not in _bodies:
        _bodies.clear()
        _bodies[job.body_state] = Body(bridge.mesh_of(job.body))
    return _bodies[job.body_state]


def of(scene: bpy.types.Scene, variant: settings.VariantItem) -> Answer:
    """The variant's answer; an empty one when anything it rests on has changed since.

    Raises:
        InputError: an element was moved by hand.
    """
    job = scene.wingfettle
    zones = [(z.name, z.required_mm) for z in job.zones]
    state = f"{job.speed_kmh} {job.body_state} {zones} {assembly(variant)!r}"
    held = _answers.get(variant.name)
    if held is None or held.state != state:
        held = _answers[variant.name] = Answer(state)
    return held


def shown(scene: bpy.types.Scene, variant: settings.VariantItem | None) -> tuple[Answer | None, str]:
    """For panels, which must not fail: the variant's answer, or none and why."""
    if variant is None:
        return None, ""
    try:
        return of(scene, variant), ""
    except InputError as problem:
        return None, str(problem)


def assembly(variant: settings.VariantItem) -> Assembly:
    """The variant as core knows it."""
    return bridge.assembly_of(variant.name, settings.element_objects(variant))
