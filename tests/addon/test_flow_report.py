"""Flow runs in the report: those beside the file that hold, with picture and clip; what is left out is told."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest

from wingfettle.addon import answers, bridge, flow_kept, report, settings
from wingfettle.core.elements.element import Element
from wingfettle.core.flow.result import FlowRun, PartFlow
from wingfettle.core.flow.slices import FlowSlice
from wingfettle.core.flow.store import folder_beside, store
from wingfettle.core.lift.estimate import air_of
from wingfettle.core.report.png import animated, png_bytes
from wingfettle.core.sections.shape import SectionShape
from wingfettle.core.units import from_kmh

SHAPE = SectionShape(half_thickness=np.full(6, 0.16), mean_line=np.full(6, 0.1), trailing_edge=0.012)
WING = Element("wing", np.array([0.45, 0.0, 1.0]), 1.2, 0.16, 1.0, 0.0, 0.0, 0.03, 0.0, SHAPE, SHAPE)


@pytest.fixture
def wing(scene: bpy.types.Scene) -> bpy.types.Scene:
    """A wing as found and a variant of it, without a car, estimated."""
    found = scene.wingfettle.variants.add()
    found.name, found.elements = settings.AS_FOUND, bridge.collection(scene, "Wing as found")
    bridge.write_element(bridge.new_object("wing (as found)", found.elements), WING)
    bpy.ops.wingfettle.new_variant(name="trial")
    scene.wingfettle.lift_case = "group"
    bpy.ops.wingfettle.estimate_lift()
    return scene


def run_of(scene: bpy.types.Scene, case: str, **change: object) -> FlowRun:
    """A run of the variant as it is now; 90 N up, an interval of 2 N."""
    job, variant = scene.wingfettle, settings.active_variant(scene)
    air = air_of(273.15 + job.temperature_c, job.altitude_m)
    part = PartFlow("wing", np.array([-4.0, 0.0, 90.0]), np.full(3, 2.0), np.ones(3), np.zeros(3), True)
    made = FlowRun(
        variant=variant.name, form="mid-span", case=case, parts=(part,), total=part, confidence=0.95,
        speed_m_s=from_kmh(job.speed_kmh), air_density_kg_m3=air.density_kg_m3, reference_length_m=0.16,
        reference_area_m2=0.19, width_m=1.2, reynolds_run=6e4, reynolds_real=4e5, mach_run=0.1, wall_function=True,
        spacing_m=0.0025, cells=500_000, steps=30_000, steps_left_out=6_000, ending="narrow", time_s=60.0,
        updates_per_s=3e8,
        element="wing" if case == "alone" else "", rests_on="question",
    )  # fmt: skip
    return flow_kept.stamped(replace(made, **change), answers.digest(scene, variant, "flow run"))  # type: ignore[arg-type]


def mean() -> FlowSlice:
    solid = np.zeros((30, 60), bool)
    solid[14:16, 20:30] = True
    speed = np.where(solid, 0.0, 30.0)
    return FlowSlice(-np.arange(60) * 0.01, np.arange(30) * 0.01, speed, 0.0 * speed, np.zeros((2, 30, 60)), solid)


def written(folder: Path) -> tuple[str, dict]:
    bpy.ops.wingfettle.write_report(directory=str(folder))
    page = (folder / "report.html").read_text(encoding="utf-8")
    return page, json.loads((folder / "results.json").read_text(encoding="utf-8"))["variants"][1]


def test_runs_beside_the_file_stand_in_the_report(wing: bpy.types.Scene, tmp_path: Path) -> None:
    blend = tmp_path / "job.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(blend))
    page, figures = written(tmp_path)
    assert "Flow run" not in page
    assert figures["flow_runs"] == []
    beside = folder_beside(blend)
    alone = store(beside, run_of(wing, "alone"), mean(), {})
    group = store(beside, run_of(wing, "group"), mean(), {})
    (beside / "broken.json").write_text("{", encoding="utf-8")
    page, figures = written(tmp_path)
    assert page.count("Which to believe</th>") == 1
    assert [(r["case"], r["parts"][0]["force_n"][2]) for r in figures["flow_runs"]] == [
        ("alone", 90.0),
        ("group", 90.0),
    ]
    assert [one["opinion"]["word"] for one in figures["flow_compared"]] == ["agree", "agree"]
    # No picture was kept: one is made of each mean flow.
    assert page.count("data:image/png") == 2
    assert "alone, mid-span: air clings; speed of the mean flow" in page
    assert "<details" not in page
    # The other kind of the group stands beside it, in the same row of the table.
    freed = store(beside, run_of(wing, "group", wall_function=False), mean(), {})
    page, figures = written(tmp_path)
    assert "group, mid-span: air lets go; speed of the mean flow" in page
    assert [one["walls"] for one in figures["flow_compared"]] == ["air clings", "both bounds"]
    assert [one["walls"] for one in figures["flow_runs"]] == ["air clings", "air clings", "air lets go"]
    for ending in (".json", ".npz"):
        freed.with_suffix(ending).unlink()
    flow_kept.kept_all.clear()
    # One that was kept goes before it, and a clip with it; what is no PNG file is passed over.
    frames = [np.full((12, 20, 3), 40 * k, np.uint8) for k in range(3)]
    group.with_suffix(".png").write_bytes(png_bytes(frames[1]))
    group.with_name(f"{group.stem}-clip.png").write_bytes(animated(frames, 60))
    alone.with_suffix(".png").write_bytes(b"GIF89a")
    page, _ = written(tmp_path)
    assert page.count("<details") == 1
    assert 'viewBox="0 0 20 12"' in page
    assert page.count("data:image/png") == 4
    assert report.left_out(wing) == []


def test_runs_that_do_not_fit_are_left_out_and_told(wing: bpy.types.Scene, tmp_path: Path) -> None:
    blend = tmp_path / "job.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(blend))
    store(folder_beside(blend), run_of(wing, "alone"), None, {})
    store(folder_beside(blend), run_of(wing, "group", speed_m_s=10.0), None, {})
    _, figures = written(tmp_path)
    assert [r["case"] for r in figures["flow_runs"]] == ["alone"]
    (said,) = report.left_out(wing)
    assert "(group, mid-span, air clings) is left out: it is for 36 km/h" in said
    settings.element_objects(settings.active_variant(wing))[0].location.z = 0.02
    bpy.context.view_layer.update()
    bpy.ops.wingfettle.estimate_lift()
    _, figures = written(tmp_path)
    assert figures["flow_runs"] == []
    assert len([one for one in report.left_out(wing) if "has changed since; run it again" in one]) == 2


def test_without_a_saved_file_the_report_is_written(wing: bpy.types.Scene, tmp_path: Path) -> None:
    _, figures = written(tmp_path)
    assert figures["flow_runs"] == figures["flow_sweeps"] == []
