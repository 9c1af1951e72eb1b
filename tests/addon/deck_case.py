"""A made-up deck with a wing of two elements over it, whose answers follow from trigonometry."""

from __future__ import annotations

from dataclasses import replace

import bpy
import numpy as np
import pytest
import trimesh

from wingfettle.addon import bridge, settings
from wingfettle.core.elements.element import Element, EndPlate
from wingfettle.core.geometry.mesh import TriMesh, join
from wingfettle.core.sections.shape import SectionShape

SHAPE = SectionShape(
    half_thickness=np.array([0.18, 0.17, 0.16, 0.16, 0.15, 0.15]),
    mean_line=np.array([0.20, 0.16, 0.15, 0.14, 0.13, 0.12]),
    trailing_edge=0.012,
)
LOWER = Element("lower", np.array([0.45, 0.0, 1.0]), 1.2, 0.16, 1.0, 0.0, 0.0, 0.03, 0.0, SHAPE, SHAPE)
UPPER = replace(
    LOWER, name="upper", leading_edge=np.array([0.45, 0.0, 1.12]), end_plate=EndPlate(0.03, 0.1, 0, 0, 0.004)
)
DECK, WALL, HINGE = 0.9, 1.0, 0.9
"""Height of the deck, place of the upright window behind it, place of the hinge, m."""


def grid(u: np.ndarray, v: np.ndarray, place) -> TriMesh:
    uu, vv = np.meshgrid(u, v, indexing="ij")
    number = np.arange(uu.size).reshape(uu.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    return TriMesh(place(uu.ravel(), vv.ravel()), faces.astype(np.int32))


@pytest.fixture
def car(scene: bpy.types.Scene) -> bpy.types.Scene:
    """The made-up deck in an empty scene."""
    return make_car(scene)


def make_car(scene: bpy.types.Scene) -> bpy.types.Scene:
    """A deck, an upright window ahead of it, a rear wall with a lamp, and a wing of two elements over it."""
    y = np.linspace(-0.8, 0.8, 33)
    deck = grid(np.linspace(0.0, WALL, 21), y, lambda u, v: np.column_stack([u, v, np.full(u.shape, DECK)]))
    window = grid(np.linspace(DECK, 1.4, 11), y, lambda u, v: np.column_stack([np.full(u.shape, WALL), v, u]))
    rear = grid(np.linspace(0.5, DECK, 9), y, lambda u, v: np.column_stack([0 * u, v, u]))
    body = bridge.new_object("Scan of the body", scene.collection, join([deck, window, rear]))
    job = scene.wingfettle
    body.wingfettle.role, job.body, job.posed = "BODY", body, True
    settings.body_changed(scene)
    middles = bridge.mesh_of(body).corners.mean(axis=1)
    x, across, z = middles.T
    zones = {
        "boot lid": (z > DECK - 1e-6) & (x < HINGE) & (x > 0),
        "rear window": x > WALL - 1e-6,
        "tail lamp left": (x < 1e-6) & (z > 0.7) & (across > 0.5),
    }
    for name, chosen in zones.items():
        bridge.select_faces(body, chosen)
        bpy.ops.wingfettle.name_zone(name=name)
    variant = job.variants.add()
    variant.name, variant.elements = "as found", bridge.collection(scene, "Wing as found")
    for element in (LOWER, UPPER):
        bridge.write_element(bridge.new_object(f"{element.name} (as found)", variant.elements), element)
    bpy.ops.wingfettle.new_variant(name="trial")
    return scene


def lowest(element: Element) -> float:
    return float(element.surfaces(np.linspace(-1, 1, 9), np.linspace(0, 1, 401))[1][..., 2].min())


def zone(results, part: str, name: str):
    return next(z for c in results if c.part == part for z in c.zones if z.zone == name)


def box(scene: bpy.types.Scene, low, high) -> bpy.types.Object:
    low, high = np.array(low), np.array(high)
    made = trimesh.creation.box(high - low)
    mesh = TriMesh(made.vertices + 0.5 * (low + high), made.faces.astype(np.int32))
    obj = bridge.new_object("mount", scene.collection, mesh)
    settings.choose_only(bpy.context, obj)
    return obj
