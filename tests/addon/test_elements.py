"""Elements in the scene: numbers in, mesh out."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest
import trimesh

from wingfettle import addon
from wingfettle.addon import answers, bridge, sections, settings
from wingfettle.addon.operator import JobOperator, JobPanel
from wingfettle.core.elements.element import Element, EndPlate
from wingfettle.core.elements.loft import loft
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.sections.shape import SectionShape

FIRST_FORM = Path(__file__).parent / "data" / "first_form.blend"
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


def test_the_wing_as_found_moved_by_hand_is_refused_and_said_in_the_panel(
    scene: bpy.types.Scene, wing: list[bpy.types.Object]
) -> None:
    wing[0].location.z = 0.1
    bpy.context.view_layer.update()
    with pytest.raises(RuntimeError, match="put “lower” back"):
        bpy.ops.wingfettle.estimate_lift()
    answer, problem = answers.shown(scene, settings.active_variant(scene), "lift")
    assert answer is None
    assert "put “lower” back" in problem


def test_a_move_by_hand_counts_and_can_be_written(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    bpy.ops.wingfettle.new_variant(name="raised")
    variant = settings.active_variant(scene)
    obj = settings.element_objects(variant)[1]
    obj.location, obj.rotation_euler = (0.02, 0.0, 0.05), (0.0, 0.03, 0.0)
    bpy.context.view_layer.update()
    before = points(obj)
    # Positive about y turns the nose down (ISO 8855 axes).
    assert answers.assembly(variant).elements[1].incidence_rad == pytest.approx(UPPER.incidence_rad - 0.03, abs=1e-6)
    bpy.ops.wingfettle.write_move(object=obj.name)
    bpy.context.view_layer.update()
    assert obj.matrix_world.is_identity
    assert points(obj) == pytest.approx(before, abs=1e-6)
    obj.rotation_euler = (0.1, 0.0, 0.0)
    bpy.context.view_layer.update()
    with pytest.raises(RuntimeError, match="about y only"):
        bpy.ops.wingfettle.write_move(object=obj.name)


def test_answers_go_stale(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    bpy.ops.wingfettle.estimate_lift()
    variant = settings.active_variant(scene)
    assert answers.found(scene, variant, "lift") is not None
    arrows = [o for o in variant.elements.objects if o.wingfettle.role == "MARK"]
    assert len(arrows) == 4
    wing[0].wingfettle.incidence_deg += 1.0
    assert answers.found(scene, variant, "lift") is None
    assert not [o for o in variant.elements.objects if o.wingfettle.role == "MARK"]
    bpy.ops.wingfettle.estimate_lift()
    scene.wingfettle.speed_kmh += 10.0
    assert answers.found(scene, variant, "lift") is None


def test_file_keeps_the_numbers(scene: bpy.types.Scene, wing: list[bpy.types.Object], tmp_path: Path) -> None:
    path = str(tmp_path / "wing.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.open_mainfile(filepath=path)
    again = bridge.element_of(bpy.data.objects["upper (as found)"])
    assert again.chord_m == pytest.approx(UPPER.chord_m, rel=2e-7)
    assert again.end_plate is not None


def test_files_of_the_first_form_open_and_link(scene: bpy.types.Scene) -> None:
    # Saved by version 0.1.0 in Blender 4.2, with the weights as 32-bit numbers.
    bpy.ops.wm.open_mainfile(filepath=str(FIRST_FORM))
    upper = bridge.element_of(bpy.data.objects["upper (as found)"])
    assert upper.chord_m == pytest.approx(LOWER.chord_m, rel=2e-7)
    assert upper.shape.mean_line == pytest.approx(SHAPE.mean_line, rel=2e-7)
    assert upper.tip_shape.mean_line == pytest.approx(SHAPE.turned_over().mean_line, rel=2e-7)
    assert upper.end_plate is not None
    assert upper.inner == ()
    bpy.data.objects["upper (as found)"].wingfettle.chord_mm = 170.0
    assert not bpy.data.objects["upper (as found)"].wingfettle.problem
    bpy.ops.wingfettle.new_variant(name="other")
    copy = bpy.data.objects["upper (other)"]
    assert copy.wingfettle.section  # written in the form of today
    assert bridge.element_of(copy).shape.mean_line == pytest.approx(upper.shape.mean_line, rel=1e-12)


def test_elements_can_be_linked_from_another_file(
    scene: bpy.types.Scene, wing: list[bpy.types.Object], tmp_path: Path
) -> None:
    path = str(tmp_path / "wing.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    before = points(wing[1])
    bpy.ops.wm.read_factory_settings(use_empty=True)
    with bpy.data.libraries.load(path, link=True) as (there, here):
        here.objects = [name for name in there.objects if name.startswith("upper")]
    linked = here.objects[0]
    assert linked.library is not None
    assert bridge.element_of(linked).end_plate is not None
    assert points(linked) == pytest.approx(before, abs=1e-6)


def choose(obj: bpy.types.Object) -> None:
    settings.choose_only(bpy.context, obj)


def test_a_station_changes_nothing_until_its_numbers_do(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    lower = wing[0]
    choose(lower)
    before = bridge.element_of(lower)
    bpy.ops.wingfettle.add_station(place_percent=40.0)
    eta = np.linspace(-1.0, 1.0, 21)
    for one, other in zip(before.planform(eta), bridge.element_of(lower).planform(eta), strict=True):
        assert other == pytest.approx(one, abs=2e-7)
    station = lower.wingfettle.inner[lower.wingfettle.inner_chosen]
    station.chord_percent, station.turn_deg, station.up_mm = 150.0, 3.0, 10.0
    _, chord, incidence = bridge.element_of(lower).planform(np.array([-0.4, 0.0, 0.4]))
    _, straight, level = before.planform(np.array([-0.4, 0.0, 0.4]))
    assert chord / straight == pytest.approx([1.5, 1.0, 1.5], rel=1e-6)
    assert np.degrees(incidence - level) == pytest.approx([3.0, 0.0, 3.0], abs=1e-4)
    assert np.ptp(points(lower)[:, 0]) > 1.3 * before.chord_m
    # A station goes along when the whole element is changed.
    lower.wingfettle.chord_mm *= 2.0
    assert bridge.element_of(lower).planform(np.array([0.4]))[1] == pytest.approx(2.0 * chord[2], rel=1e-6)
    with pytest.raises(RuntimeError, match="station"):
        bpy.ops.wingfettle.add_station(place_percent=40.0)
    bpy.ops.wingfettle.remove_station()
    assert len(lower.wingfettle.inner) == 0
    assert bridge.element_of(lower).planform(np.array([0.4]))[1] == pytest.approx(2.0 * straight[2], rel=1e-6)


def test_a_station_keeps_its_name_when_others_come_and_go(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    lower = wing[0]
    choose(lower)
    numbers = lower.wingfettle
    for place in (40.0, 80.0):
        bpy.ops.wingfettle.add_station(place_percent=place)
    # Two sections of their own, or nothing but the place would tell them apart.
    for station, thicker in zip(numbers.inner, (1.1, 1.2), strict=True):
        plain = json.loads(station.section)
        plain["half_thickness"] = [thicker * w for w in plain["half_thickness"]]
        station.section, station.section_name = json.dumps(plain), f"{thicker}"
    bpy.ops.wingfettle.add_station(place_percent=60.0)
    assert [s.section_name for s in numbers.inner] == ["1.1", "blended", "1.2"]
    numbers.inner_chosen = 0
    bpy.ops.wingfettle.remove_station()
    assert [s.section_name for s in numbers.inner] == ["blended", "1.2"]
    numbers.inner[0].place_percent = 90.0  # now beyond the other
    numbers.inner_chosen = 1
    assert bridge.chosen_station(lower) == 0
    bpy.ops.wingfettle.new_variant(name="other")
    copied = bpy.data.objects["lower (other)"].wingfettle.inner
    assert [(round(s.place_percent), s.section_name) for s in copied] == [(80, "1.2"), (90, "blended")]
    choose(lower)
    bpy.ops.wingfettle.remove_station()
    assert [s.section_name for s in numbers.inner] == ["blended"]


@pytest.mark.parametrize("order", ["ROUND", "SIDES"])
def test_a_section_goes_out_to_a_file_and_comes_in_again(
    scene: bpy.types.Scene, wing: list[bpy.types.Object], tmp_path: Path, order: str
) -> None:
    path = str(tmp_path / "section.txt")
    choose(wing[1])
    orders = {"ROUND": sections.ROUND, "SIDES": sections.SIDES}
    bpy.ops.wingfettle.write_section(filepath=path, where="MIDDLE", order=orders[order])
    with pytest.raises(RuntimeError, match="as it was found"):
        bpy.ops.wingfettle.read_section(filepath=path)
    bpy.ops.wingfettle.new_variant(name="other")
    lower = bpy.data.objects["lower (other)"]
    choose(lower)
    bpy.ops.wingfettle.read_section(filepath=path)
    x = np.linspace(0.0, 1.0, 50)
    # The leading edge is looked for between two points of the list: a tenth of a per mille of the chord.
    for one, other in zip(bridge.element_of(lower).shape.surfaces(x), UPPER.shape.surfaces(x), strict=True):
        assert one == pytest.approx(other, abs=1e-4)
    assert bridge.element_of(lower).incidence_rad == pytest.approx(LOWER.incidence_rad, rel=1e-6)
    assert lower.wingfettle.section_name
    before = points(lower)
    (tmp_path / "bad.txt").write_text("one\n1 0\n0.5 oops\n0 0\n")
    with pytest.raises(RuntimeError, match="bad.txt"):
        bpy.ops.wingfettle.read_section(filepath=str(tmp_path / "bad.txt"))
    with pytest.raises(RuntimeError, match="cannot be read"):
        bpy.ops.wingfettle.read_section(filepath=str(tmp_path / "gone.txt"))
    assert np.array_equal(points(lower), before)


def test_a_section_that_makes_no_solid_leaves_numbers_and_mesh(
    scene: bpy.types.Scene, wing: list[bpy.types.Object], tmp_path: Path
) -> None:
    bpy.ops.wingfettle.new_variant(name="other")
    lower = bpy.data.objects["lower (other)"]
    choose(lower)
    lower.wingfettle.skin_mm = 2.0
    before, kept = points(lower), lower.wingfettle.section
    x = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 30)))
    z = 0.02 * np.sqrt(x) * (1.0 - x)  # 1.2 mm thick on this chord, less than two skins
    sides = [*zip(x[::-1], z[::-1], strict=True), *zip(x[1:], -z[1:], strict=True)]
    (tmp_path / "thin.txt").write_text("thin\n" + "".join(f"{a:.6f} {b:.6f}\n" for a, b in sides))
    with pytest.raises(RuntimeError, match="too thin"):
        bpy.ops.wingfettle.read_section(filepath=str(tmp_path / "thin.txt"))
    assert lower.wingfettle.section == kept
    assert np.array_equal(points(lower), before)


def test_a_drawn_curve_becomes_the_end_plates(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    curve = bpy.data.curves.new("drawn", "CURVE")
    curve.dimensions = "3D"
    spline = curve.splines.new("POLY")
    drawn = [(0.40, 0.5, 1.05), (0.12, 0.5, 1.02), (0.10, 0.5, 1.20), (0.30, 0.5, 1.22)]
    spline.points.add(len(drawn) - 1)
    for point, place in zip(spline.points, drawn, strict=True):
        point.co = (*place, 1.0)
    spline.use_cyclic_u = True
    drawing = bpy.data.objects.new("drawn", curve)
    scene.collection.objects.link(drawing)
    upper = wing[1]
    choose(upper)
    drawing.select_set(True)
    bpy.ops.wingfettle.plate_from_curve()
    found = points(upper)
    plate = found[found[:, 1] > 0.5 * UPPER.span_m + 0.002]  # the outer face, beyond the tip
    for place in drawn:
        assert np.hypot(*(plate[:, [0, 2]] - np.array(place)[[0, 2]]).T).min() < 1e-5
    assert len(plate) == len(drawn)


def test_deviation_is_painted_on_scan_and_element(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    upper = wing[1]
    skin = bridge.element_mesh(upper)
    normals = trimesh.Trimesh(skin.points, skin.triangles, process=False).vertex_normals
    shifted = skin.points + 0.003 * (skin.points[:, 1] > 0.0)[:, None] * normals
    scan = bridge.new_object("Scan of upper", scene.collection, TriMesh(shifted, skin.triangles))
    scan.wingfettle.role, scan.wingfettle.element = "SCANNED", "upper"
    choose(upper)
    bpy.ops.wingfettle.map_deviation()
    told = json.loads(upper.wingfettle.deviation)
    assert 0.4 < told["within"] < 0.6  # the right half meets, the left stands 3 mm out
    assert told["highest"]["deviation_m"] == pytest.approx(0.003, abs=3e-4)
    for obj in (upper, scan):
        colours = obj.data.color_attributes["Deviation"]
        assert len(colours.data) == len(obj.data.vertices)
        assert obj.data.color_attributes.active_color == colours
    rgba = np.empty(4 * len(scan.data.vertices), np.float32)
    scan.data.color_attributes["Deviation"].data.foreach_get("color", rgba)
    light = rgba.reshape(-1, 4)[:, :3].sum(axis=1)
    left = skin.points[:, 1] > 0.02
    assert light[left].mean() < 0.6 * light[skin.points[:, 1] < -0.02].mean()
    assert upper.hide_get()  # two surfaces so near each other would flicker
    upper.wingfettle.chord_mm += 1.0
    assert not upper.wingfettle.deviation  # it no longer holds
    assert not upper.hide_get()
    bpy.ops.wingfettle.show_deviation()
    assert scan.hide_get()
    with pytest.raises(RuntimeError, match="no deviation map"):
        bpy.ops.wingfettle.show_deviation()


def test_hollow_and_rounded_elements_are_made(scene: bpy.types.Scene, wing: list[bpy.types.Object]) -> None:
    lower = wing[0]
    solid = len(lower.data.polygons)
    lower.wingfettle.skin_mm = 2.0
    assert not lower.wingfettle.problem
    assert len(lower.data.polygons) > solid
    made = trimesh.Trimesh(*(lambda m: (m.points, m.triangles))(bridge.element_mesh(lower)))
    assert made.is_watertight
    lower.wingfettle.rounded_tips = True
    assert not lower.wingfettle.problem
    lower.wingfettle.skin_mm = 40.0
    assert "skin" in lower.wingfettle.problem.lower()
    lower.wingfettle.skin_mm = 0.0
    lower.wingfettle.least_edge_mm = 3.0
    assert not lower.wingfettle.problem
    assert bridge.element_of(lower).station(0.5).shape.trailing_edge * 0.16 * 0.95 == pytest.approx(0.003, abs=1e-6)


def test_faces_that_stay_on_the_body_keep_their_zones(scene: bpy.types.Scene) -> None:
    mesh = loft(LOWER).triangles()
    obj = bridge.new_object("body", scene.collection, mesh)
    zones = np.arange(len(mesh.triangles), dtype=np.int32) % 4 - 1
    bridge.write_zones(obj, zones)
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


NOTHING_TO_UNDO = {
    *("flow_ahead", "flow_start", "flow_pause", "flow_stop"),
    *("post_runs", "work_off", "work_off_beside", "take_in", "retry_runs", "look_again"),
}
"""They compute, or read and write files, and leave the scene as it is."""


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
                assert ("UNDO" in cls.bl_options) != (name in NOTHING_TO_UNDO)
                assert cls.__doc__
            elif issubclass(cls, bpy.types.Panel):
                assert cls.__name__ == cls.bl_idname
                assert issubclass(cls, JobPanel)
            elif issubclass(cls, bpy.types.UIList):
                assert cls.__name__.startswith("WINGFETTLE_UL_")
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
