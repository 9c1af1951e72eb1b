"""The lift panel through its operators: what the scene holds afterwards, and what the answers rest on."""

from __future__ import annotations

import math
from dataclasses import replace

import bpy
import numpy as np
import pytest

from wingfettle.addon import answers, bridge, lift, settings
from wingfettle.core.elements.element import Element, EndPlate
from wingfettle.core.sections.shape import SectionShape

SHAPE = SectionShape(
    half_thickness=np.array([0.18, 0.17, 0.16, 0.16, 0.15, 0.15]),
    mean_line=np.array([0.20, 0.16, 0.15, 0.14, 0.13, 0.12]),
    trailing_edge=0.012,
)
LOWER = Element("lower", np.array([0.3, 0.0, 1.0]), 1.2, 0.16, 0.9, 0.05, 0.01, 0.03, -0.01, SHAPE, SHAPE)
UPPER = replace(
    LOWER,
    name="upper",
    shape=SHAPE.turned_over(),
    tip_shape=SHAPE.turned_over(),
    incidence_rad=-0.06,
    leading_edge=np.array([0.32, 0.0, 1.4]),
    end_plate=EndPlate(0.03, 0.1, 0.02, 0.02, 0.004),
)


@pytest.fixture
def wing(scene: bpy.types.Scene) -> bpy.types.Scene:
    """Two elements far apart over the road, without a car."""
    variant = scene.wingfettle.variants.add()
    variant.name, variant.elements = "as found", bridge.collection(scene, "Wing as found")
    for element in (LOWER, UPPER):
        bridge.write_element(bridge.new_object(f"{element.name} (as found)", variant.elements), element)
    scene.wingfettle.lift_case = "group"
    return scene


def marks(scene: bpy.types.Scene, word: str) -> list[bpy.types.Object]:
    found = settings.active_variant(scene).elements.objects
    return [o for o in found if o.wingfettle.role == "MARK" and word in o.name]


def test_forces_their_words_and_their_arrows(wing: bpy.types.Scene) -> None:
    bpy.ops.wingfettle.estimate_lift()
    result = answers.found(wing, settings.active_variant(wing), "lift")
    # By camber and incidence (thin-aerofoil theory): bulging upward lifts, bulging downward pushes down.
    assert [(e.element, e.direction) for e in result.elements] == [("lower", "lift"), ("upper", "downforce")]
    assert result.on_car_total_n is None
    assert len(marks(wing, "Force on")) == 4  # an arrow and a label each
    for one in result.elements:
        load = one.load("group")
        assert load.force_n[2] == pytest.approx(load.sides_n.sum(), rel=1e-6)
        assert load.sides_n[0] == pytest.approx(load.sides_n[1], rel=1e-3)  # the same left and right
        # The spanwise load sums to the force; strips are as wide as half way to their neighbours.
        edges = np.concatenate([[load.y_m[0]], 0.5 * (load.y_m[1:] + load.y_m[:-1]), [load.y_m[-1]]])
        assert (load.load_n_m * np.diff(edges)).sum() == pytest.approx(load.force_n[2], rel=0.1)


def test_speed_air_and_altitude_are_told_and_count(wing: bpy.types.Scene) -> None:
    job, variant = wing.wingfettle, settings.active_variant(wing)
    job.speed_mph = 60.0
    assert job.speed_kmh == pytest.approx(96.56064)  # the international mile: 1.609344 km exactly
    bpy.ops.wingfettle.estimate_lift()
    low = answers.found(wing, variant, "lift")
    assert low.speed_m_s == pytest.approx(96.56064 / 3.6, rel=1e-6)
    assert low.air_density_kg_m3 == pytest.approx(1.225, rel=1e-4)  # ISO 2533 at sea level and 15 °C
    job.altitude_m = 2000.0
    assert answers.found(wing, variant, "lift") is None
    bpy.ops.wingfettle.estimate_lift()
    high = answers.found(wing, variant, "lift")
    # ISO 2533: 79495 Pa at 2000 m, so at one temperature density falls to 0.7846 of that at sea level.
    assert high.air_density_kg_m3 / low.air_density_kg_m3 == pytest.approx(0.7846, abs=2e-4)
    ratio = high.elements[0].alone_n.value / low.elements[0].alone_n.value
    assert ratio == pytest.approx(0.7846, abs=0.06)  # below a Reynolds number of 300 000 that counts, too


def test_pressure_is_painted_shown_and_hidden(wing: bpy.types.Scene) -> None:
    with pytest.raises(RuntimeError, match="paint it first"):
        bpy.ops.wingfettle.show_pressure()
    bpy.ops.wingfettle.paint_pressure()
    assert wing.wingfettle.show_pressure
    for obj in settings.element_objects(settings.active_variant(wing)):
        attribute = obj.data.color_attributes[lift.PRESSURE]
        assert len(attribute.data) == len(obj.data.vertices)
        colours = np.empty(4 * len(attribute.data), np.float32)
        attribute.data.foreach_get("color", colours)
        assert np.ptp(colours.reshape(-1, 4)[:, 0]) > 0.2  # suction on one side, pressure on the other
        assert obj.data.color_attributes.active_color.name == lift.PRESSURE
    bpy.ops.wingfettle.show_pressure()
    assert not wing.wingfettle.show_pressure


def test_streamlines_and_load_are_drawn_once(wing: bpy.types.Scene) -> None:
    with pytest.raises(RuntimeError, match="Estimate the lift"):
        bpy.ops.wingfettle.draw_span_load()
    bpy.ops.wingfettle.estimate_lift()
    for _ in range(2):
        bpy.ops.wingfettle.draw_span_load()
    assert len(marks(wing, "Load of")) == 2
    for _ in range(2):
        bpy.ops.wingfettle.draw_streamlines()
    (lines,) = marks(wing, "Streamlines")
    assert len(lines.data.splines) > 20
    points = np.array([p.co[:3] for s in lines.data.splines for p in s.points])
    assert np.abs(points[:, 1]).max() < 1e-3  # a plane of symmetry is left by no line
    assert points[:, 2].min() >= 0.0
    wing.wingfettle.speed_kmh += 1.0
    settings.element_objects(settings.active_variant(wing))[0].wingfettle.chord_mm += 1.0
    assert not marks(wing, "")


def test_what_if_leaves_pictures_and_words(wing: bpy.types.Scene) -> None:
    job, variant = wing.wingfettle, settings.active_variant(wing)
    job.sweep_what, job.sweep_steps, job.sweep_reach = "speed", 1, 36.0
    bpy.ops.wingfettle.what_if()
    job.sweep_what, job.sweep_element, job.sweep_reach = "incidence", "upper", 2.0
    bpy.ops.wingfettle.what_if()
    sweeps = answers.found(wing, variant, "sweeps")
    assert set(sweeps) == {"speed", "incidence upper"}
    assert sweeps["speed"].values == pytest.approx([-10.0, 0.0, 10.0])
    upper = [b[1].value for b in zip(*sweeps["incidence upper"].bands, strict=True)]
    assert upper[0] < upper[1] < upper[2]  # nose down pushes down more
    assert sweeps["incidence upper"].values[2] == pytest.approx(math.radians(2.0))
    assert "What if: speed" in bpy.data.images
    job.sweep_element = "nobody"
    with pytest.raises(RuntimeError, match="nobody"):
        bpy.ops.wingfettle.what_if()
    assert set(answers.found(wing, variant, "sweeps")) == {"speed", "incidence upper"}


def test_on_the_car_needs_a_car(wing: bpy.types.Scene) -> None:
    wing.wingfettle.lift_case = "on car"
    with pytest.raises(RuntimeError, match="no body scan"):
        bpy.ops.wingfettle.paint_pressure()
