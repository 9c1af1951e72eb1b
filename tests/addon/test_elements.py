"""Elements in the scene: numbers in, mesh out."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest

from wingfettle import addon
from wingfettle.addon import answers, bridge, settings
from wingfettle.addon.operator import JobOperator, JobPanel
from wingfettle.core.elements.element import Element, EndPlate
from wingfettle.core.elements.loft import loft
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
    leading_edge=np.array([0.32, 0.0, 1.12]),
    end_plate=EndPlate(0.03, 0.1, 0.02, 0.02, 0.004),
)


@pytest.fixture
def wing(scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """Both elements as found."""
    variant = scene.wingfettle.variants.add()
    variant.name, variant.elements = "as found", bridge.collection(scene, "Wing as found")
    objects = []
    for element in (LOWER, UPPER):
        obj = bridge.new_object(f"{element.name} (as found)", variant.elements)
        bridge.write_element(obj, element)
        objects.append(obj)
    return objects


def points(obj: bpy.types.Object) -> np.ndarray:
    return bridge.mesh_of(obj).points


def test_numbers_round_trip(wing: list[bpy.types.Object]) -> None:
    # Blender keeps numbers as 32-bit floats: 24 bits, 6e-8 of the value (IEEE 754).
    for obj, element in zip(wing, (LOWER, UPPER), strict=True):
        back = bridge.element_of(obj)
        for key, value in element.__dict__.items():
            if isinstance(value, float):
                assert getattr(back, key) == pytest.approx(value, rel=2e-7)
        assert back.shape.mean_line == pytest.approx(element.shape.mean_line, rel=2e-7)
        assert (back.end_plate is None) == (element.end_plate is None)


def test_mesh_follows_an_edited_number(wing: list[bpy.types.Object]) -> None:
    lower = wing[0]
    before = np.ptp(points(lower), axis=0)
    lower.wingfettle.span_mm = 1400.0
    assert np.ptp(points(lower)[:, 1]) == pytest.approx(1.4, abs=1e-6)
    lower.wingfettle.chord_mm *= 2.0
    assert np.ptp(points(lower)[:, 0]) > 1.5 * before[0]


def test_numbers_that_make_no_solid_leave_the_mesh(wing: list[bpy.types.Object]) -> None:
    upper = wing[1]
    before = points(upper)
    upper.wingfettle.plate_above_mm = upper.wingfettle.plate_below_mm = 0.0
    assert upper.wingfettle.problem
    upper.wingfettle.plate_above_mm, upper.wingfettle.plate_below_mm = 30.0, 100.0
    assert not upper.wingfettle.problem
    assert points(upper) == pytest.approx(before, abs=1e-6)


def test_turned_over_twice_is_as_it_was(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    bpy.ops.wingfettle.new_variant(name="other")
    lower = bpy.data.objects["lower (other)"]
    before = points(lower)
    bpy.ops.wingfettle.turn_over(element="lower")
    turned = points(lower)
    assert np.abs(turned - before).max() > 0.005
    assert turned[:, 0].max() == pytest.approx(before[:, 0].max(), abs=0.002)  # the leading edge stays forward
    bpy.ops.wingfettle.turn_over(element="lower")
    assert np.sort(points(lower), axis=0) == pytest.approx(np.sort(before, axis=0), abs=1e-6)
    bpy.ops.wingfettle.leave_out(element="lower")
    assert "lower (other)" not in bpy.data.objects
    assert "lower (as found)" in bpy.data.objects


def test_the_wing_as_found_is_not_changed(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    with pytest.raises(RuntimeError, match="as it was found"):
        bpy.ops.wingfettle.turn_over(element="lower")


def test_moved_by_hand_is_refused_and_said_in_the_panel(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    wing[0].location.z = 0.1
    bpy.context.view_layer.update()
    with pytest.raises(RuntimeError, match="moved by hand"):
        bpy.ops.wingfettle.estimate_lift()
    answer, problem = answers.shown(scene, settings.active_variant(scene))
    assert answer is None
    assert "moved by hand" in problem


def test_answers_go_stale(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    bpy.ops.wingfettle.estimate_lift()
    variant = settings.active_variant(scene)
    assert answers.of(scene, variant).lift is not None
    arrows = [o for o in variant.elements.objects if o.wingfettle.role == "MARK"]
    assert len(arrows) == 4
    wing[0].wingfettle.incidence_deg += 1.0
    assert answers.of(scene, variant).lift is None
    assert not [o for o in variant.elements.objects if o.wingfettle.role == "MARK"]
    bpy.ops.wingfettle.estimate_lift()
    scene.wingfettle.speed_kmh += 10.0
    assert answers.of(scene, variant).lift is None


def test_file_keeps_the_numbers(scene: bpy.types.Scene, wing: list[bpy.types.Object], tmp_path: Path) -> None:
    path = str(tmp_path / "wing.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.open_mainfile(filepath=path)
    again = bridge.element_of(bpy.data.objects["upper (as found)"])
    assert again.chord_m == pytest.approx(UPPER.chord_m, rel=2e-7)
    assert again.end_plate is not None


def test_faces_that_stay_on_the_body_keep_their_zones(scene: bpy.types.Scene) -> None:
    mesh = loft(LOWER).triangles()
    obj = bridge.new_object("body", scene.collection, mesh)
    zones = np.arange(len(mesh.triangles), dtype=np.int32) % 4 - 1
    bridge.write_faces(obj, bridge.ZONE_ATTRIBUTE, zones)
    keep = np.arange(len(mesh.triangles)) % 3 > 0
    bridge.keep_faces(obj, mesh, keep)
    assert np.array_equal(bridge.zones_of(obj), zones[keep])
    assert bridge.mesh_of(obj).corners == pytest.approx(mesh.corners[keep], abs=1e-6)  # 32-bit floats


def test_a_zone_needs_a_name(scene: bpy.types.Scene) -> None:
    job = scene.wingfettle
    job.body = bridge.new_object("body", scene.collection, loft(LOWER).triangles())
    with pytest.raises(RuntimeError, match="needs a name"):
        bpy.ops.wingfettle.name_zone(name=" ")
    assert len(job.zones) == 0


def test_classes_have_agreeing_names_and_undo() -> None:
    seen = set()
    for module in addon.MODULES:
        for cls in module.CLASSES:
            assert cls not in seen
            seen.add(cls)
            if issubclass(cls, bpy.types.Operator):
                prefix, name = cls.bl_idname.split(".")
                assert (prefix, cls.__name__) == ("wingfettle", f"WINGFETTLE_OT_{name}")
                assert issubclass(cls, JobOperator)
                assert "UNDO" in cls.bl_options
                assert cls.__doc__
            elif issubclass(cls, bpy.types.Panel):
                assert cls.__name__ == cls.bl_idname
                assert issubclass(cls, JobPanel)
            else:
                assert issubclass(cls, bpy.types.PropertyGroup)
    defined = {
        name
        for path in Path(addon.__file__).parent.glob("*.py")
        for name in re.findall(r"^class (WINGFETTLE_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert defined <= {cls.__name__ for cls in seen}


def test_switched_off_leaves_nothing() -> None:
    for _ in range(2):
        addon.register()
        assert hasattr(bpy.types.Scene, "wingfettle")
        addon.unregister()
        assert not hasattr(bpy.types.Scene, "wingfettle")
        assert not hasattr(bpy.types, "WINGFETTLE_PT_scan")
