"""The whole job through the operators, against the truth of the generator (exact surfaces, exact mean lines)."""

from __future__ import annotations

import json
import math
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import bpy
import pytest
import trimesh

from blend_samples import demo
from wingfettle import addon
from wingfettle.addon import bridge


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any], dict[str, Any]]:
    """Output folder, results.json and truth.json of one run; pose, car and wing are not the demo's."""
    out = tmp_path_factory.mktemp("demo")
    results = demo.run(out, "fast", 7, width=160)
    return out, results, json.loads((out / "truth.json").read_text(encoding="utf-8"))


def pairs(done: tuple[Path, dict[str, Any], dict[str, Any]]) -> list[tuple[str, dict[str, Any], dict[str, Any]]]:
    """(variant, mine, truth) for every element of every variant."""
    _, results, truth = done
    assert [v["name"] for v in results["variants"]] == [v["name"] for v in truth["variants"]]
    found = []
    for mine, exact in zip(results["variants"], truth["variants"], strict=True):
        exactly = {e["element"]: e for e in exact["elements"]}
        assert sorted(exactly) == sorted(e["element"] for e in mine["elements"])
        found += [(mine["name"], e, exactly[e["element"]]) for e in mine["elements"]]
    return found


def test_directions(done: Any) -> None:
    # Truth: sign of incidence less the zero-lift angle by Glauert's integral over the exact mean line.
    assert {(m["element"], m["direction"]) for v, m, _ in pairs(done) if v == "as found"} == {
        ("lower", "lift"),
        ("upper", "downforce"),
    }
    for variant, mine, exact in pairs(done):
        assert mine["direction"] == exact["direction"], variant


def test_chord_and_incidence(done: Any) -> None:
    # Truth: farthest point of the exact contour from the middle of its blunt base.
    for variant, mine, exact in pairs(done):
        assert mine["chord_m"] == pytest.approx(exact["chord_m"], abs=0.0005), variant
        assert mine["incidence_rad"] == pytest.approx(exact["incidence_rad"], abs=math.radians(0.1)), variant


def test_clearance(done: Any) -> None:
    # Truth: optimisation over the exact surfaces, no triangles. The bound of 1 mm holds the picks of the torn
    # part's place (0.05 mm), the fit's taper and twist over the half span, and the ragged edge of the painted zones.
    for variant, mine, exact in pairs(done):
        exactly = {z["zone"]: z for z in exact["zones"]}
        assert sorted(exactly) == sorted(z["zone"] for z in mine["zones"])
        for zone in mine["zones"]:
            where = f"{variant}: {mine['element']} to {zone['zone']}"
            assert zone["collides"] == exactly[zone["zone"]]["collides"], where
            assert zone["clearance_m"] == pytest.approx(exactly[zone["zone"]]["clearance_m"], abs=0.001), where
    assert any(z["collides"] for v, m, _ in pairs(done) for z in m["zones"] if v == "wide low")


def test_body_bears_the_marks_of_the_variant_shown(done: Any) -> None:
    bpy.ops.wm.open_mainfile(filepath=str(done[0] / "scene.blend"))
    addon.register()
    try:
        body = bpy.data.objects["Scan of the body"]

        def marked() -> int:
            return sum(f.value for f in body.data.attributes["wingfettle_collides"].data)

        bpy.ops.wingfettle.show_variant(name="wide low")
        bpy.ops.wingfettle.check_clearance()
        assert marked() > 0
        bpy.ops.wingfettle.show_variant(name="lower left out")
        assert marked() == 0
        bpy.ops.wingfettle.show_variant(name="wide low")
        assert marked() > 0
        with pytest.raises(RuntimeError, match="axes are set"):
            bpy.ops.wingfettle.pose_body()
    finally:
        addon.unregister()


def test_forces_have_bands(done: Any) -> None:
    for variant, mine, _ in pairs(done):
        for key in ("lift_alone_n", "lift_group_n"):
            assert mine[key]["low"] <= mine[key]["value"] <= mine[key]["high"]
            assert mine[key]["low"] < mine[key]["high"]
        cutting = any(z["collides"] for z in mine["zones"])
        assert not (cutting and mine["lift_on_car_n"] is not None), variant


def test_report_stands_alone(done: Any) -> None:
    class Links(HTMLParser):
        found: list[str] = []

        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            self.found += [v or "" for k, v in attrs if k in ("src", "href")]

    page = (done[0] / "report.html").read_text(encoding="utf-8")
    links = Links()
    links.feed(page)
    assert links.found
    assert all(link.startswith(("data:image/png;base64,", "#")) for link in links.found)


def test_model_is_closed_and_in_millimetres(done: Any) -> None:
    out, _, truth = done
    solid = trimesh.load(out / "wing.stl")
    assert all(part.is_watertight and part.is_winding_consistent for part in solid.split(only_watertight=False))
    spans = [e["span_m"] for e in truth["elements"].values()]
    assert solid.extents[1] == pytest.approx(1000.0 * max(spans), abs=15.0)  # end plates stand outboard


def test_faces_are_flagged_on_both_sides(done: Any) -> None:
    bpy.ops.wm.open_mainfile(filepath=str(done[0] / "scene.blend"))
    lower = bpy.data.objects["lower (wide low)"].data.attributes["wingfettle_collides"].data
    assert 0 < sum(f.value for f in lower) < len(lower)
    # The scene was saved showing the wing as found, so the body bears no mark of another variant.
    body = bpy.data.objects["Scan of the body"]
    assert sum(f.value for f in body.data.attributes["wingfettle_collides"].data) == 0
    looks = {body.data.materials[p.material_index].name for p in body.data.polygons}
    assert "Collides" not in looks
    assert "Zone boot lid" in looks
    assert not bridge.flagged(bpy.data.objects["lower (as found)"]).any()
