"""Scans taken in and looked into: units, doubled points, holes, calling off, memory, and files of every format."""

from __future__ import annotations

import base64
import json
import struct
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from mesh_cases import moebius
from numpy.typing import NDArray

from wingfettle.core.errors import InputError
from wingfettle.core.geometry.mesh import TriMesh, join
from wingfettle.core.scan.file_check import check_numbers
from wingfettle.core.scan.intake import CleanUp, clean, fitting_units, take_in, unit_sentence
from wingfettle.core.scan.topology import consistent, edge_pairs, first_equal, rim_loops

Floats = NDArray[np.float64]


def ball(level: int = 4, radius: float = 0.5) -> TriMesh:
    made = trimesh.creation.icosphere(level, radius)
    return TriMesh(np.array(made.vertices, np.float32).astype(float), np.array(made.faces, np.int32))


def soup(mesh: TriMesh) -> TriMesh:
    """Every face with points of its own."""
    return TriMesh(mesh.corners.reshape(-1, 3), np.arange(3 * len(mesh.triangles), dtype=np.int32).reshape(-1, 3))


# -- units ---------------------------------------------------------------------------------------


def long(extent: float) -> Floats:
    return np.array([[0.0, 0.0, 0.0], [extent, 0.3 * extent, 0.2 * extent]])


@pytest.mark.parametrize(
    ("extent", "units", "words"),
    [
        (1843.0, ["mm"], "Longest side 1843 scan units: millimetres make it 1.84 m, the size of half a car's rear; no"),
        (70.0, ["in", "cm"], "inches make it 1.78 m, the size of half a car's rear; centimetres (0.70 m) would be"),
        (1.1, ["m"], "metres make it 1.10 m, the size of a wing or a part of one; no other unit fits."),
        (420.0, ["cm", "mm", "in"], "the size of a car; millimetres (0.42 m) or inches (10.67 m) would be possible"),
        (1e6, [], "no usual unit makes that a car or a part of one"),
    ],
)  # inch: exact by definition
def test_the_guess_and_its_rivals_are_told(extent: float, units: list[str], words: str) -> None:
    assert fitting_units(long(extent)) == units
    assert words in unit_sentence(long(extent))


def test_one_is_told_as_one() -> None:
    assert CleanUp(1, 1, 1, 1, 1, 1, 1, 0.5, 1).sentence == (
        "Merged 1 doubled point; removed 1 face in 1 speck, 1 duplicate and 1 empty face; turned 1 flipped one; left "
        "alone: 1 hole or border (1 open edge, the longest 0.50 m round)."
    )
    assert CleanUp(2, 2, 0, 0, 2, 0, 0, 0.0, 3).sentence == (
        "Merged 3 doubled points; removed 2 faces in 2 specks, 0 duplicate and 0 empty faces; turned 2 flipped ones; "
        "left alone: 0 holes and borders (0 open edges)."
    )


# -- doubled points ------------------------------------------------------------------------------


def test_equal_rows_are_those_of_numpy() -> None:
    rng = np.random.default_rng(2)
    rows = rng.integers(0, 40, (20000, 3)).astype(np.uint32) * np.uint32(104729)
    _, where, back = np.unique(rows, axis=0, return_index=True, return_inverse=True)
    assert np.array_equal(first_equal(rows), where[back.ravel()])
    assert len(first_equal(rows[:0])) == 0


def test_unwelded_faces_are_welded_again() -> None:
    whole = ball()
    mended, kept, counts = clean(soup(whole))
    assert counts.welded == 3 * len(whole.triangles) - len(whole.points)
    assert f"Merged {counts.welded} doubled points" in counts.sentence
    assert (counts.specks, counts.duplicates, counts.without_area, counts.open_edges, counts.holes) == (0, 0, 0, 0, 0)
    assert np.array_equal(kept, np.arange(len(whole.triangles)))
    assert np.array_equal(mended.corners, whole.corners)
    assert trimesh.Trimesh(mended.points, mended.triangles, process=False).is_watertight


def test_only_points_equal_in_single_precision_are_welded() -> None:
    whole = ball()
    apart = soup(whole)
    far = TriMesh(apart.points + [700.0, 0.0, 0.0], apart.triangles)  # coordinates here step by 0.06 mm in float32
    shifted = far.points.copy()
    shifted[0] += [0.0, 2e-6, 0.0]
    assert clean(far)[2].welded == clean(TriMesh(shifted, apart.triangles))[2].welded + 1
    signed = apart.points.copy()
    signed[signed == 0.0] *= -1.0
    both = np.where(np.arange(len(signed))[:, None] % 2 == 0, signed, apart.points)
    assert clean(TriMesh(both, apart.triangles))[2].welded == clean(apart)[2].welded


def test_a_scan_of_doubled_points_in_millimetres_is_the_same_scan() -> None:
    whole = ball()
    millimetres = TriMesh((soup(whole).points * 1000.0).astype(np.float32).astype(float), soup(whole).triangles)
    mended = clean(take_in(millimetres, "mm", "The scan"))[0]
    assert len(mended.points) == len(whole.points)


# -- holes and one-sided surfaces ----------------------------------------------------------------


def test_holes_are_counted_with_the_length_of_the_longest() -> None:
    # Exact: a square of 1.2 m, with square holes in it that add up edge by edge.
    n = 61
    y, x = np.divmod(np.arange(n * n), n)
    k = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
    left = np.ones(len(k), bool)
    for low, size in ((5, 4), (20, 1), (40, 10)):
        inside = (x[k] >= low) & (x[k] < low + size) & (y[k] >= low) & (y[k] < low + size)
        left &= ~inside
    k = k[left]
    faces = np.concatenate([np.column_stack([k, k + 1, k + n]), np.column_stack([k + 1, k + n + 1, k + n])])
    sheet = TriMesh(0.02 * np.column_stack([x, y, np.zeros(n * n)]), faces.astype(np.int32))
    _, _, counts = clean(sheet)
    assert (counts.holes, counts.open_edges) == (4, 4 * (60 + 4 + 1 + 10))
    assert counts.longest_rim_m == pytest.approx(4.8)
    assert "left alone: 4 holes and borders (300 open edges, the longest 4.80 m round)." in counts.sentence


def test_rims_are_those_of_trimesh() -> None:
    rng = np.random.default_rng(5)
    whole = ball(3)
    torn = whole.subset(rng.random(len(whole.triangles)) > 0.02)
    library = trimesh.Trimesh(torn.points, torn.triangles, process=False)
    single = library.edges_sorted[trimesh.grouping.group_rows(library.edges_sorted, require_count=1)]
    groups = trimesh.graph.connected_components(single)
    lengths = rim_loops(torn.points, edge_pairs(torn.triangles)[3])
    assert len(lengths) == len(groups) > 3
    step = np.linalg.norm(np.diff(torn.points[single], axis=1), axis=2)
    assert lengths.sum() == pytest.approx(step.sum())
    assert (np.diff(lengths) <= 0.0).all()


@pytest.mark.parametrize("seed", range(5))
def test_a_one_sided_strip_with_flipped_faces_keeps_one_seam(seed: int) -> None:
    # Exact: the faces of a Moebius strip form one ring, whose edges can all but one be made to agree.
    strip = moebius(200)
    flipped = np.random.default_rng(seed).random(400) < 0.4
    triangles = strip.triangles.copy()
    triangles[flipped] = triangles[flipped][:, ::-1]
    mended, _, counts = clean(TriMesh(strip.points, triangles))
    assert (~edge_pairs(mended.triangles)[2]).sum() == 1
    assert counts.holes == 1  # the strip has a single border


def test_sheets_that_meet_in_one_edge_each_agree_in_themselves() -> None:
    # Three sheets on one line: no way to face makes all three agree there (exact), so each is mended alone.
    flat = trimesh.creation.box((1.0, 1.0, 0.0)).subdivide().subdivide()
    half = TriMesh(np.array(flat.vertices, float) + [0.5, 0.0, 0.0], np.array(flat.faces, np.int32))
    middle = half.corners.mean(axis=1)
    sheet = clean(half.subset(np.abs(middle[:, 2]) < 1e-9), 1)[0]
    sheets = []
    for k in range(3):
        turn = trimesh.transformations.rotation_matrix(2.0 * np.pi * k / 3.0, [0.0, 1.0, 0.0])
        points = sheet.transformed(turn).points
        points[np.abs(sheet.points[:, 0]) < 1e-9] = sheet.points[np.abs(sheet.points[:, 0]) < 1e-9]
        sheets.append(TriMesh(points, sheet.triangles))
    fan = join(sheets)
    triangles = fan.triangles.copy()
    flipped = np.random.default_rng(0).random(len(triangles)) < 0.3
    triangles[flipped] = triangles[flipped][:, ::-1]
    mended, _, counts = clean(TriMesh(fan.points, triangles), 1)
    assert counts.welded > 0
    joint = edge_pairs(mended.triangles)
    assert joint[2].all()
    again, turned = consistent(mended.points, mended.triangles)
    assert turned == 0
    assert np.array_equal(again, mended.triangles)


# -- calling off, memory -------------------------------------------------------------------------


class CalledOff(Exception):
    pass


def test_every_tick_may_call_it_off_and_nothing_has_changed() -> None:
    mesh = soup(ball())
    before = mesh.points.copy(), mesh.triangles.copy()
    heard: list[tuple[float, str]] = []
    clean(mesh, tick=lambda share, doing: heard.append((share, doing)))
    shares = [share for share, _ in heard]
    assert shares == sorted(shares)
    assert 0.0 <= shares[0] <= shares[-1] <= 1.0
    assert len({doing for _, doing in heard}) >= 6

    for last in range(0, len(heard), 3):
        left = last

        def tick(_share: float, _doing: str) -> None:
            nonlocal left
            left -= 1
            if left < 0:
                raise CalledOff

        with pytest.raises(CalledOff):
            clean(mesh, tick=tick)
    with pytest.raises(CalledOff):
        take_in(mesh, "m", "The scan", tick=tick)
    assert np.array_equal(mesh.points, before[0])
    assert np.array_equal(mesh.triangles, before[1])


def test_a_million_faces_are_cleaned_in_little_memory() -> None:
    # What is needed at once grows with the faces, so 3 GB for 5 million are 600 bytes a face.
    script = """
import numpy as np
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.scan.intake import clean, take_in
n = 708
x, y = np.meshgrid(np.linspace(0.0, 1800.0, n), np.linspace(0.0, 1800.0, n), indexing="ij")
points = np.column_stack([x.ravel(), y.ravel(), (40.0 * np.sin(x / 90.0) * np.cos(y / 70.0)).ravel()])
k = (np.arange(n - 1)[:, None] * n + np.arange(n - 1)).ravel()
triangles = np.concatenate([np.column_stack([k, k + n, k + 1]), np.column_stack([k + n, k + n + 1, k + 1])])
mesh = TriMesh(points, triangles.astype(np.int32))
del triangles, k, x, y
def held(what):
    lines = [line.split() for line in open("/proc/self/status")]
    return next(int(line[1]) * 1024 for line in lines if line and line[0] == what)
before = held("VmRSS:")
clean(take_in(mesh, "mm", "The scan"))
print(len(mesh.triangles), held("VmHWM:") - before)
"""
    # Not the process's own count: that begins with what the tests themselves hold (getrusage(2), from memory).
    if not Path("/proc/self/status").exists():
        pytest.skip("the memory in use is read from /proc")
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    faces, used = map(int, done.stdout.split())
    assert faces > 990_000
    assert used / faces < 600


# -- files ---------------------------------------------------------------------------------------

BAD = [float("nan"), float("inf"), -float("inf")]


def refused(path: Path, count: int) -> None:
    with pytest.raises(InputError, match=f"{path.name}” has {count} point{'s' * (count > 1)} whose coordinates"):
        check_numbers(path)


def text_of(points: Floats, kind: str) -> str:
    rows = [" ".join(f"{v:g}" for v in p) for p in points]
    if kind == "obj":
        return "# inf and nan in a comment\n" + "".join(f"v {r}\nvn nan nan nan\n" for r in rows) + "f 1 2 3\n"
    if kind == "ply":
        head = "ply\nformat ascii 1.0\nelement vertex {}\nproperty float nx\nproperty float x\nproperty float y\n"
        head += "property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
        return head.format(len(rows)) + "".join(f"nan {r}\n" for r in rows) + "3 0 1 2\n"
    facets = [
        "facet normal nan nan nan\nouter loop\n" + "".join(f"vertex {r}\n" for r in rows[k : k + 3])
        for k in range(0, len(rows), 3)
    ]
    return "solid info about nanotubes\n" + "endloop\nendfacet\n".join(facets) + "endloop\nendfacet\nendsolid\n"


@pytest.mark.parametrize("kind", ["obj", "ply", "stl"])
def test_text_files_with_coordinates_that_are_no_numbers_are_refused(tmp_path: Path, kind: str) -> None:
    points = np.random.default_rng(0).normal(size=(300, 3))
    path = tmp_path / f"scan.{kind}"
    # Normals that are no numbers, as exporters write for faces without area, do no harm.
    path.write_text(text_of(points, kind))
    check_numbers(path)
    points[[5, 17, 18], [0, 1, 2]] = BAD
    path.write_text(text_of(points, kind))
    refused(path, 3)
    for other in ({"nan": "NaN", "inf": "Infinity"}, {"nan ": "-1.#IND ", "inf": "1.#INF"}, {"nan ": "-nan(ind) "}):
        text = text_of(points, kind)
        for usual, word in other.items():
            text = text.replace(usual, word)
        path.write_text(text)
        refused(path, 3)


def test_long_text_files_are_read_in_blocks(tmp_path: Path) -> None:
    path = tmp_path / "long.obj"
    line = b"v 1.00000000 2.00000000 3.00000000\n"
    path.write_bytes(line * 600_000 + b"v 1 nan 3\n" + line * 400_000 + b"v 1 2 inf")
    refused(path, 2)


def glb(document: dict[str, Any], data: bytes) -> bytes:
    text = json.dumps(document).encode()
    text += b" " * (-len(text) % 4)
    data += b"\0" * (-len(data) % 4)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(data), b"BIN\0") + data
    return struct.pack("<4sII", b"glTF", 2, 12 + len(chunks)) + chunks


def described(accessor: dict[str, Any], views: list[dict[str, Any]], size: int) -> dict[str, Any]:
    return {
        "asset": {"version": "2.0"},
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}, {"attributes": {"POSITION": 0}}]}],
        "accessors": [{"componentType": 5126, "type": "VEC3", **accessor}],
        "bufferViews": [{"buffer": 0, **view} for view in views],
        "buffers": [{"byteLength": size}],
    }


def test_a_glb_of_trimesh_is_looked_into(tmp_path: Path) -> None:
    whole = ball(2)
    whole.points[:] += np.random.default_rng(8).normal(0.0, 1e-3, whole.points.shape)
    sound = bytes(trimesh.Trimesh(whole.points, whole.triangles, process=False).export(file_type="glb"))
    path = tmp_path / "phone.glb"
    path.write_bytes(sound)
    check_numbers(path)
    needle = whole.points[40].astype("<f4").tobytes()
    assert sound.count(needle) == 1
    path.write_bytes(sound.replace(needle, struct.pack("<3f", 0.0, float("nan"), 0.0)))
    refused(path, 1)
    for size in (10, 19, 100, len(sound) // 2, len(sound) - 1):
        path.write_bytes(sound[:size])
        with pytest.raises(InputError, match="“phone.glb” is cut short"):
            check_numbers(path)
    path.write_bytes(b"PK" + sound)
    with pytest.raises(InputError, match="“phone.glb” is no binary glTF"):
        check_numbers(path)


def test_gltf_buffers_are_found_beside_and_inside(tmp_path: Path) -> None:
    points = np.random.default_rng(1).normal(size=(50, 3)).astype("<f4")
    document = described({"bufferView": 0, "count": 50}, [{"byteLength": 600}], 600)
    path = tmp_path / "scan.gltf"
    for bad in (0, 2):
        points[:bad] = np.nan
        data = points.tobytes()
        document["buffers"][0]["uri"] = "data:application/octet-stream;base64," + base64.b64encode(data).decode()
        path.write_text(json.dumps(document))
        refused(path, bad) if bad else check_numbers(path)
        document["buffers"][0]["uri"] = "my%20data.bin"
        path.write_text(json.dumps(document))
        with pytest.raises(InputError, match="keeps its points in “my data.bin”, which is not beside it"):
            check_numbers(path)
        (tmp_path / "my data.bin").write_bytes(data)
        refused(path, bad) if bad else check_numbers(path)
        (tmp_path / "my data.bin").write_bytes(data[:-1])
        with pytest.raises(InputError, match="“scan.gltf” is cut short"):
            check_numbers(path)
        (tmp_path / "my data.bin").unlink()
    path.write_text(json.dumps(document)[:-30])
    with pytest.raises(InputError, match="“scan.gltf” cannot be read as glTF.*cut short"):
        check_numbers(path)
    for broken in ("[]", '{"meshes": [{"primitives": [{"attributes": {"POSITION": 3}}]}]}', '{"meshes": [{}]}'):
        path.write_text(broken)
        with pytest.raises(InputError, match="export the scan again"):
            check_numbers(path)


def test_interleaved_and_sparse_points_are_looked_into(tmp_path: Path) -> None:
    rows = np.zeros(20, np.dtype([("normal", "<f4", 3), ("point", "<f4", 3), ("colour", "u1", 4)]))
    rows["normal"] = np.nan
    rows["point"][[3, 4]] = np.inf
    path = tmp_path / "scan.glb"
    view = {"byteOffset": 8, "byteLength": 560, "byteStride": 28}
    data = b"\xff" * 8 + rows.tobytes()
    document = described({"bufferView": 0, "byteOffset": 12, "count": 20}, [view], 568)
    path.write_bytes(glb(document, data))
    refused(path, 2)
    # Sparse values put in numbers for one of the two, and none for another point.
    index, value = np.array([3, 7], "<u2"), np.array([[0.0, 1.0, 2.0], [0.0, np.nan, 0.0]], "<f4")
    data += index.tobytes() + value.tobytes()
    views = [view, {"byteOffset": 568, "byteLength": 4}, {"byteOffset": 572, "byteLength": 24}]
    sparse = {"count": 2, "indices": {"bufferView": 1, "componentType": 5123}, "values": {"bufferView": 2}}
    accessor = {"bufferView": 0, "byteOffset": 12, "count": 20, "sparse": sparse}
    path.write_bytes(glb(described(accessor, views, 596), data))
    refused(path, 2)
    del accessor["bufferView"]
    path.write_bytes(glb(described(accessor, views, 596), data))
    refused(path, 1)


def test_compressed_primitives_are_left_to_the_importer(tmp_path: Path) -> None:
    path = tmp_path / "scan.glb"
    document = described({"bufferView": 0, "count": 4}, [{"byteLength": 48}], 48)
    data = np.full((4, 3), np.nan, "<f4").tobytes()
    path.write_bytes(glb(document, data))
    refused(path, 4)
    for primitive in document["meshes"][0]["primitives"]:
        primitive["extensions"] = {"KHR_draco_mesh_compression": {}}
    path.write_bytes(glb(document, data))
    check_numbers(path)
