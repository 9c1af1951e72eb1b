"""The whole job on the generated scan, through the add-on's own operators, without a window."""

from __future__ import annotations

import argparse
import json
import math
import time
from pathlib import Path
from typing import Any

import bpy
import numpy as np

from wingfettle import addon
from wingfettle.addon import bridge

from .generate import generate


class Teller:
    """Prints each step with the time it took."""

    def __init__(self) -> None:
        self.start = self.last = time.perf_counter()

    def __call__(self, text: str) -> None:
        now = time.perf_counter()
        print(f"{now - self.start:6.1f} s (+{now - self.last:5.1f})  {text}", flush=True)
        self.last = now


def run(out: Path, size: str, seed: int, width: int = 1280) -> dict[str, Any]:
    """Generate the sample in ``out``, do the job, write all results there.

    Returns:
        The content of results.json.
    """
    tell = Teller()
    out.mkdir(parents=True, exist_ok=True)
    generate(out, size, seed)
    job = json.loads((out / "job.json").read_text(encoding="utf-8"))
    tell(f"scan of the {job['car']}, seed {seed}")
    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon.register()
    try:
        _work(job, out, width, tell)
    finally:
        addon.unregister()
    print((out / "comparison.txt").read_text(encoding="utf-8"))
    for name in ("report.html", "results.json", "truth.json", "wing.stl", "scene.blend"):
        print(out / name)
    return json.loads((out / "results.json").read_text(encoding="utf-8"))


def _work(job: dict[str, Any], out: Path, width: int, tell: Teller) -> None:
    scene = bpy.context.scene
    scene.name = job["car"]
    settings = scene.wingfettle
    settings.unit, settings.half, settings.speed_kmh = job["scan_unit"], job["half"], job["speed_kmh"]
    ops = bpy.ops.wingfettle
    ops.import_scan(filepath=str(out / job["body_scan"]))
    tell("body scan taken in and cleaned")
    for point in job["centre_line_picks"]:
        scene.cursor.location = [0.001 * v for v in point]
        ops.pick_point(purpose="CENTRE")
    for torn in job["torn_parts"]:
        for pair in torn["pairs"]:
            scene.cursor.location = [0.001 * v for v in pair["on_part"]]
            ops.pick_pair(side="PART")
            scene.cursor.location = [0.001 * v for v in pair["on_body"]]
            ops.pick_pair(side="MIRROR" if pair.get("mirrored") else "BODY")
    ops.pose_body()
    tell("road, centre plane, vehicle axes, mirrored")
    for torn in job["torn_parts"]:
        ops.import_scan(filepath=str(out / torn["scan"]), part=torn["element"])
        ops.place_part(part=torn["element"])
        tell(f"torn part “{torn['element']}” in its place")
    for place in job["places"]:
        scene.cursor.location = place["centre_m"]
        ops.add_place(element=place["element"])
        bpy.data.objects[f"Place of {place['element']}"].scale = place["size_m"]
        ops.measure(element=place["element"])
        tell(f"“{place['element']}” measured and rebuilt")
        ops.map_deviation()
        ops.show_deviation()
        tell(f"“{place['element']}” compared with its scan")
    middles = bridge.mesh_of(settings.body).corners.mean(axis=1)
    for zone in job["zones"]:
        _select(settings.body, middles, zone["boxes"])
        ops.name_zone(name=zone["name"], required_mm=zone["required_mm"])
    tell("zones painted")
    for variant in job["variants"][1:]:
        ops.new_variant(name=variant["name"])
        for element in variant.get("turn_over", []):
            ops.turn_over(element=element)
        for element in variant.get("leave_out", []):
            ops.leave_out(element=element)
        for element, numbers in variant.get("set", {}).items():
            _set(f"{element} ({variant['name']})", numbers)
    for variant in settings.variants.keys():
        ops.show_variant(name=variant)
        ops.check_clearance()
        tell(f"clearance of “{variant}”")
        ops.estimate_lift()
        tell(f"lift of “{variant}”")
    _look_around(job, tell)
    ops.show_variant(name=job["variants"][0]["name"])
    ops.render_variants(directory=str(out), width=width)
    ops.show_variant(name=job["variants"][-1]["name"])
    ops.render_clearance(directory=str(out), width=width)
    ops.show_variant(name=job["variants"][0]["name"])
    tell("pictures")
    ops.write_report(directory=str(out))
    bpy.ops.wm.save_as_mainfile(filepath=str(out / "scene.blend"), compress=True)
    tell("report written")


def _look_around(job: dict[str, Any], tell: Teller) -> None:
    """Lid, room to move, lamps, mirror, outline and edges of every variant."""
    scene, ops = bpy.context.scene, bpy.ops.wingfettle
    settings = scene.wingfettle
    settings.lid_degrees = job["lid_opens_deg"]
    for purpose, points in (("HINGE", job["hinge_m"]), ("EYE", [job["eyes_m"]]), ("MIRROR", [job["mirror_glass_m"]])):
        for point in points:
            scene.cursor.location = point
            ops.pick_point(purpose=purpose)
    for number, variant in enumerate(settings.variants):
        for obj in variant.elements.objects:
            obj.wingfettle.rides = obj.wingfettle.element in job["rides"]
        ops.show_variant(name=variant.name)
        ops.open_lid()
        tell(f"lid opened under “{variant.name}”")
        if number == 0:
            ops.search_room()
            tell(f"room to move of “{variant.name}”")
            settings.sweep_steps, settings.sweep_reach = 2, 40.0
            ops.what_if()
            tell(f"what if the upper element of “{variant.name}” stood higher or lower")
        ops.check_lamps()
        ops.look_back()
        ops.check_outline()
        tell(f"lamps, mirror, outline and edges of “{variant.name}”")


def _set(name: str, numbers: dict[str, float]) -> None:
    """Type the variant's numbers into the element's fields."""
    fields = bpy.data.objects[name].wingfettle
    for key, value in numbers.items():
        if key == "raise_mm":
            fields.leading_edge_mm[2] += value
        else:
            setattr(fields, key, value)


def _select(body: bpy.types.Object, middles: np.ndarray, boxes: list[dict[str, Any]]) -> None:
    """Select the faces a person would paint: those whose middle (m, 3) lies in one of the boxes."""
    low = np.min([box["min"] for box in boxes], axis=0)
    high = np.max([box["max"] for box in boxes], axis=0)
    near = np.flatnonzero(((middles >= low) & (middles <= high)).all(axis=1))
    some = middles[near]
    inside = np.zeros(len(near), bool)
    for box in boxes:
        inside |= ((some >= box["min"]) & (some <= box["max"])).all(axis=1)
    chosen = np.zeros(len(middles), bool)
    chosen[near[inside]] = True
    body.data.polygons.foreach_set("select", chosen)


def main() -> None:
    """Read the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=Path("out/demo"))
    parser.add_argument("--size", choices=("full", "fast"), default="full")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    out = arguments.out.resolve()
    found = run(out, arguments.size, arguments.seed)
    truth = json.loads((out / "truth.json").read_text(encoding="utf-8"))
    print("\nAgainst the generator's truth (as found):")
    for mine, exact in zip(found["variants"][0]["elements"], truth["variants"][0]["elements"], strict=True):
        chord = 1000.0 * (mine["chord_m"] - exact["chord_m"])
        angle = math.degrees(mine["incidence_rad"] - exact["incidence_rad"])
        print(
            f"  {mine['element']}: {mine['direction']} (truth {exact['direction']}), "
            f"chord {chord:+.3f} mm, incidence {angle:+.4f}°"
        )


if __name__ == "__main__":
    main()
