"""Write a case: the scans, what a person would pick and type, and the truth.

Run from the repository's root: ``python -m blend_samples.generate --out DIR --size full --seed 1``.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .car import Car
from .exact import clearance
from .layout import Layout, lay_out
from .scanner import Scan, body_scan, part_scan
from .wing import Wing
from .zones import zone_boxes

Floats = NDArray[np.float64]

CAR_NAME = "Brannock Veller"
SPEED_KMH = 120.0
EYES = [2.05, 0.36, 1.10]
"""Middle between the driver's eyes, m; the scan ends behind the driver, as a person would measure it in the car."""
GLASS = [2.50, 0.0, 1.17]


def generate(folder: Path, size: str, seed: int) -> None:
    """Write body.ply, upper.stl, job.json and truth.json of one case into ``folder``.

    Args:
        folder: made if it does not exist.
        size: "full" (1.0 million triangles in body.ply) or "fast" (150 thousand).
        seed: the same seed and size give the same files.
    """
    rng = np.random.default_rng(seed)
    layout = lay_out(rng)
    poses = {"body": _random_pose(rng), "upper": _random_pose(rng)}
    folder.mkdir(parents=True, exist_ok=True)
    job = _job(layout, seed, poses, rng)
    # The scans come last, so that one seed gives the same case in both sizes.
    write_ply(folder / "body.ply", _posed(body_scan(layout, size, rng), poses["body"]))
    write_stl(folder / "upper.stl", _posed(part_scan(layout, size, rng), poses["upper"]))
    (folder / "job.json").write_text(json.dumps(job, indent=1), encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(_truth(layout, seed, poses), indent=1), encoding="utf-8")


def variants(layout: Layout) -> list[tuple[str, list[Wing]]]:
    """The wing in each variant of the job, exactly."""
    return [
        ("as found", [layout.lower, layout.upper]),
        ("lower turned over", [layout.lower.turned_over(), layout.upper]),
        ("lower left out", [layout.upper]),
        ("wide low", [layout.wide_lower, layout.upper]),
    ]


# -- poses ---------------------------------------------------------------------------------------


def _random_pose(rng: np.random.Generator) -> Floats:
    """(4, 4) from scan coordinates in mm to vehicle axes in m."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    q[:, 0] *= np.sign(np.linalg.det(q))
    pose = np.eye(4)
    pose[:3, :3] = 0.001 * q
    pose[:3, 3] = rng.uniform(-1.5, 1.5, 3)
    return pose


def to_scan(points: Floats, pose: Floats) -> Floats:
    """Vehicle axes in m to scan coordinates in mm."""
    turn = 1000.0 * pose[:3, :3]
    return 1000.0 * (points - pose[:3, 3]) @ turn


def _posed(scan: Scan, pose: Floats) -> Scan:
    return Scan(to_scan(scan.points, pose), scan.triangles)


# -- what the person picks -----------------------------------------------------------------------


def _job(layout: Layout, seed: int, poses: dict[str, Floats], rng: np.random.Generator) -> dict[str, Any]:
    car = layout.car
    return {
        "car": CAR_NAME,
        "seed": seed,
        "scan_unit": "mm",
        "speed_kmh": SPEED_KMH,
        "body_scan": "body.ply",
        "half": "left",
        "centre_line_picks": _centre_line(car, poses["body"], rng),
        "torn_parts": [{"element": "upper", "scan": "upper.stl", "pairs": _pairs(layout, poses, rng)}],
        "places": [
            {"element": "lower", "scan": "body.ply", **_place(layout.lower, car, 0.025)},
            {"element": "upper", "scan": "upper.stl", **_place(layout.upper, car, 0.040)},
        ],
        "zones": zone_boxes(layout),
        "hinge_m": np.round(_hinge(car), 4).tolist(),
        "lid_opens_deg": 70.0,
        "rides": ["lower", "upper"],
        "eyes_m": EYES,
        "mirror_glass_m": GLASS,
        "variants": [
            {"name": "as found"},
            {"name": "lower turned over", "turn_over": ["lower"]},
            {"name": "lower left out", "leave_out": ["lower"]},
            {
                "name": "wide low",
                "set": {
                    "lower": {
                        "chord_mm": layout.wide_chord_mm,
                        "raise_mm": layout.wide_raise_mm,
                        "incidence_deg": layout.wide_incidence_deg,
                    }
                },
            },
        ],
    }


def _centre_line(car: Car, pose: Floats, rng: np.random.Generator) -> list[list[float]]:
    window = car.window_rect
    x = np.array([car.front - 0.10, window.u1 + 0.10, 0.5 * (window.u0 + window.u1), 0.8 * car.lid_length, 0.16])
    points = car.points("top", x, np.zeros(5))
    bumper = car.points("rear", np.zeros(1), np.array([0.39]))
    picks = np.concatenate([points, bumper]) + rng.normal(0.0, 0.0002, (6, 3))
    return np.round(to_scan(picks, pose), 4).tolist()


def _hinge(car: Car) -> Floats:
    """Two points on the axis the boot lid turns about: under the skin, a little ahead of the lid's front edge."""
    at = car.points("top", np.full(2, car.lid_length + 0.015), np.array([-0.45, 0.45]))
    return np.column_stack([at[:, 0], at[:, 1], np.full(2, at[:, 2].min() - 0.010)])


def _pairs(layout: Layout, poses: dict[str, Floats], rng: np.random.Generator) -> list[dict[str, Any]]:
    """Screws along the head of each bracket; those on the right are known by the mirror image of the left ones."""
    screws = layout.bracket.top[[2, 16, 30]]
    out = []
    for mirrored in (False, True):
        for screw in screws:
            on_part = screw * [1.0, -1.0 if mirrored else 1.0, 1.0]
            picks = np.array([on_part, screw]) + rng.normal(0.0, 0.00005, (2, 3))
            out.append(
                {
                    "on_part": np.round(to_scan(picks[:1], poses["upper"])[0], 4).tolist(),
                    "on_body": np.round(to_scan(picks[1:], poses["body"])[0], 4).tolist(),
                    "mirrored": mirrored,
                }
            )
    return out


def _place(wing: Wing, car: Car, pad: float) -> dict[str, list[float]]:
    """A box round the element, kept off the deck below it."""
    eta, s = np.meshgrid(np.linspace(-1.0, 1.0, 41), np.linspace(-1.0, 1.0, 121))
    points = wing.skin(eta.ravel(), s.ravel())
    if wing.plate is not None:
        a, b = np.meshgrid(np.linspace(-1.0, 1.0, 15), np.linspace(-1.0, 1.0, 15))
        plate = wing.plate_point(a.ravel(), b.ravel(), np.ones(a.size))
        points = np.concatenate([points, plate, plate * [1.0, -1.0, 1.0]])
    low, high = points.min(axis=0), points.max(axis=0)
    x, y = np.meshgrid(np.linspace(max(low[0] - pad, 0.07), high[0] + pad, 41), np.linspace(0.0, high[1] + pad, 41))
    room = low[2] - float(car.deck(x.ravel(), y.ravel())[:, 2].max())
    low = low - [pad, pad, min(pad, 0.5 * room)]
    high = high + pad
    return {
        "centre_m": np.round(0.5 * (low + high), 4).tolist(),
        "size_m": np.round(high - low, 4).tolist(),
    }


# -- the truth -----------------------------------------------------------------------------------


def _truth(layout: Layout, seed: int, poses: dict[str, Floats]) -> dict[str, Any]:
    found: dict[Wing, list[dict[str, Any]]] = {}
    out = []
    for name, wings in variants(layout):
        elements = []
        for wing in wings:
            if wing not in found:
                found[wing] = _clearances(layout.car, wing)
            elements.append(
                {
                    "element": wing.name,
                    "direction": wing.direction,
                    "chord_m": wing.chord_m,
                    "incidence_rad": wing.incidence_rad,
                    "zones": found[wing],
                }
            )
        out.append({"name": name, "elements": elements})
    sheet = layout.bracket
    hinge = layout.car.deck(np.array([layout.car.lid_length]), np.zeros(1))[0]
    return {
        "car": CAR_NAME,
        "seed": seed,
        "variants": out,
        "elements": {w.name: _numbers(w) for w in (layout.lower, layout.upper)},
        "pose": {name: pose.tolist() for name, pose in poses.items()},
        "hinge": {"point_m": hinge.tolist(), "axis": [0.0, 1.0, 0.0]},
        "brackets": {
            "y_m": [sheet.y_m, -sheet.y_m],
            "sheet_m": sheet.sheet_m,
            "foot_m": sheet.root[[0, -1]].tolist(),
            "head_m": sheet.top[[0, -1]].tolist(),
        },
    }


def _clearances(car: Car, wing: Wing) -> list[dict[str, Any]]:
    out = []
    for panel in car.panels:
        distance, collides = clearance(wing, car, panel)
        names = [panel.name] if panel.both_sides else [panel.name, panel.name.replace("left", "right")]
        out += [{"zone": name, "clearance_m": distance, "collides": collides} for name in names]
    return out


def _numbers(wing: Wing) -> dict[str, Any]:
    section = wing.section
    out: dict[str, Any] = {
        "leading_edge_m": list(wing.leading_edge),
        "span_m": wing.span_m,
        "chord_m": wing.chord_m,
        "taper": wing.taper,
        "sweep_rad": wing.sweep_rad,
        "dihedral_rad": wing.dihedral_rad,
        "incidence_rad": wing.incidence_rad,
        "twist_rad": wing.twist_rad,
        "zero_lift_rad": section.zero_lift_rad,
        "thickness": section.greatest_thickness,
        "camber": section.greatest_camber,
        "trailing_edge_m": section.trailing_edge_over_chord * wing.chord_m,
    }
    if wing.plate is not None:
        out["end_plate"] = dict(vars(wing.plate))
    return out


# -- files ---------------------------------------------------------------------------------------


def write_ply(path: Path, scan: Scan) -> None:
    """Binary little-endian PLY with shared points."""
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"element vertex {len(scan.points)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(scan.triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(scan.triangles), np.dtype([("n", "u1"), ("v", "<i4", (3,))]))
    faces["n"], faces["v"] = 3, scan.triangles
    path.write_bytes(header.encode() + scan.points.astype("<f4").tobytes() + faces.tobytes())


def write_stl(path: Path, scan: Scan) -> None:
    """Binary STL."""
    corners = scan.points[scan.triangles]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-300)[:, None]
    rows = np.zeros(len(corners), np.dtype([("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")]))
    rows["n"], rows["c"] = normal, corners
    path.write_bytes(b"hand-held scan, mm".ljust(80) + np.uint32(len(corners)).tobytes() + rows.tobytes())


def main() -> None:
    parser = argparse.ArgumentParser(description="Write the demo scans, the job and the truth.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--size", choices=("full", "fast"), default="full")
    parser.add_argument("--seed", type=int, default=1)
    a = parser.parse_args()
    generate(a.out, a.size, a.seed)
    print(f"{CAR_NAME}, seed {a.seed}: scans, job and truth are in {a.out}")


if __name__ == "__main__":
    main()
