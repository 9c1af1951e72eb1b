"""The view through the interior mirror, against closed forms, published numbers and trimesh's ray tracer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from wingfettle.core.assembly.part import Part
from wingfettle.core.errors import InputError
from wingfettle.core.geometry.index import TriangleIndex
from wingfettle.core.geometry.mesh import TriMesh, join
from wingfettle.core.sight import mirror as room
from wingfettle.core.sight.mirror import FIELDS, FieldRule, InteriorMirror, eye_images, field_corners, mirror_view

R46, FMVSS = FIELDS
HALF_EYES = 0.5 * 0.065
# Eyes straight behind the glass and level with it: images 0.6 m ahead of the glass, at the eyes' height.
STRAIGHT = InteriorMirror(np.array([2.0, 0.0, 1.2]), np.array([2.6, 0.0, 1.2]), 0.9, 0.4)
IMAGE_X, HEIGHT, APART = 3.2, 1.2, 0.6
TO_FIELD = IMAGE_X - (2.0 - 60.0)
USUAL = InteriorMirror(np.array([2.0, 0.36, 1.15]), np.array([2.5, 0.02, 1.25]), 0.9, 0.4, np.array([-50.0, 0.0, 1.0]))


def plate(x: float, y: tuple[float, float], z: tuple[float, float]) -> TriMesh:
    """A rectangle across the car at ``x``."""
    points = [[x, y[0], z[0]], [x, y[1], z[0]], [x, y[1], z[1]], [x, y[0], z[1]]]
    return TriMesh(np.array(points, float), np.array([[0, 1, 2], [0, 2, 3]], np.int32))


def bar(low: float, high: float, x: float = 0.2) -> TriMesh:
    return plate(x, (-6.0, 6.0), (low, high))


def wall(x: float, half: float, low: float, high: float) -> tuple[TriangleIndex, np.ndarray]:
    """A wall across the car with a pane in it, and which faces are the pane."""
    frame = [
        plate(x, (-9.0, -half), (0.0, 3.0)), plate(x, (half, 9.0), (0.0, 3.0)),
        plate(x, (-half, half), (0.0, low)), plate(x, (-half, half), (high, 3.0)),
    ]  # fmt: skip
    return TriangleIndex.build(join([*frame, plate(x, (-half, half), (low, high))])), np.arange(10) >= 8


NOTHING = TriangleIndex.build(plate(90.0, (0.0, 0.1), (0.0, 0.1)))


def look(*meshes: TriMesh, mirror=STRAIGHT, rule=R46, body=NOTHING, window=None, **options):
    parts = [Part.of(f"part {k}", mesh) for k, mesh in enumerate(meshes)]
    options = {"picture_width": 2, **options}
    return mirror_view(mirror, body, window, parts, [None] * len(parts), rule, **options)


def strip_share(slope: float, less: float) -> float:
    """Share of the field within ``slope`` D - ``less`` of its middle, at distance D from the images.

    By hand: at the level where the triangle has v of its width the road is TO_FIELD / v away, and the area goes as 2 v.
    """
    half = 0.5 * R46.width_m
    full = min(slope * TO_FIELD / (half + less), 1.0)
    return full**2 + 2.0 * slope * TO_FIELD / half * (1.0 - full) - less / half * (1.0 - full**2)


# -- eyes and field ------------------------------------------------------------------------------


@settings(deadline=None, max_examples=30)
@given(
    eyes=st.tuples(st.floats(1.5, 2.2), st.floats(-0.5, 0.5), st.floats(0.9, 1.3)),
    aim=st.tuples(st.floats(-60.0, 0.0), st.floats(-2.0, 2.0), st.floats(0.0, 3.0)),
)
def test_images_obey_the_law_of_reflection(eyes, aim):
    """Euclid: the glass' middle throws the aim to the eyes at equal angles, over a path as long as a straight one."""
    mirror = InteriorMirror(np.array(eyes), np.array([2.5, 0.0, 1.2]), 0.24, 0.06, np.array(aim))
    images = eye_images(mirror)
    away = mirror.centre - mirror.aim
    distance = np.linalg.norm(mirror.eyes - mirror.centre)
    assert images[0] == pytest.approx(mirror.centre + away / np.linalg.norm(away) * distance, abs=1e-12)
    # trimesh's reflection in the plane halfway between the eyes' middle and its image takes every ocular point along.
    plane = images[0] - mirror.eyes
    matrix = trimesh.transformations.reflection_matrix(0.5 * (images[0] + mirror.eyes), plane)
    ocular = mirror.eyes + [[0.0, 0.0, 0.0], [0.0, HALF_EYES, 0.0], [0.0, -HALF_EYES, 0.0]]
    assert images == pytest.approx(trimesh.transform_points(ocular, matrix), abs=1e-12)


def test_fields_meet_the_published_numbers():
    """Full angle 18.9246° at 60 m, 21.512 m wide at 61 m, road 1.1458° and 1.1270° below an eye at 1.2 m (computed by
    the collector of the reference values); paragraphs and the 15 % as in the regulations."""
    for rule, angle, below in ((R46, 18.9246, 1.1458), (FMVSS, 20.0, 1.1270)):
        left, right, horizon = field_corners(STRAIGHT, rule) - STRAIGHT.eyes
        assert np.degrees(np.arctan2(left[1], -left[0]) - np.arctan2(right[1], -right[0])) == pytest.approx(
            angle, abs=5e-5
        )
        assert np.degrees(np.arctan2(-left[2], -left[0])) == pytest.approx(below, abs=5e-5)
        assert horizon[2] == 0.0
        assert left[0] == horizon[0] == -rule.from_m
    assert FMVSS.width_m == pytest.approx(21.512, abs=5e-4)
    assert (R46.width_m, R46.allowed) == (20.0, 0.15)
    assert "15.2.4.1" in R46.paragraph
    assert "S5.1.1" in FMVSS.paragraph
    assert all("from memory" in rule.paragraph for rule in FIELDS)


def test_everything_is_seen_where_nothing_is_in_the_way():
    for mirror in (STRAIGHT, USUAL):
        for rule in FIELDS:
            view = look(mirror=mirror, rule=rule)
            assert (view.in_glass, view.by_car, view.by_parts, view.each) == (1.0, 0.0, 0.0, ())
            assert "rear window is not painted" in view.sentence
            assert "Seats, head restraints" in view.sentence


# -- what hides ----------------------------------------------------------------------------------


@settings(deadline=None, max_examples=25)
@given(
    low=st.floats(0.9, 1.17), thick=st.floats(0.002, 0.1), x=st.floats(-0.5, 1.0), aside=st.floats(-0.4, 0.4),
    samples=st.sampled_from([400, 4000]),
)  # fmt: skip
def test_a_bar_hides_the_band_of_similar_triangles(low, thick, x, aside, samples):
    """Mirror and eyes level: the bar at ``x`` hides from each image what lies between its shadow's ends."""
    mirror = replace(STRAIGHT, eyes=np.array([2.0, aside, 1.2]))
    images = eye_images(mirror)
    assert images[:, 2] == pytest.approx(1.2, abs=1e-12)
    high = min(low + thick, 1.19999)
    # (near, far) x on the road of the shadow's ends, from each ocular point; hidden is what lies in both.
    shadow = [[image[0] - (image[0] - x) * HEIGHT / (HEIGHT - z) for z in (low, high)] for image in images[1:]]
    near, far = min(s[0] for s in shadow), max(s[1] for s in shadow)
    begin = images[0, 0] - field_corners(mirror, R46)[0, 0]
    above = [min(begin / (images[0, 0] - at), 1.0) ** 2 for at in (near, far)]
    view = look(bar(low, high, x), mirror=mirror, samples=samples)
    assert view.in_glass == 1.0
    assert view.by_parts == pytest.approx(max(above[0] - above[1], 0.0), abs=view.error)
    assert dict(view.each)["part 0"] == view.by_parts


@pytest.mark.parametrize("eyes_apart", [0.0, 0.065])
@pytest.mark.parametrize("half", [0.01, 0.02, 0.06, 0.15])
def test_a_post_hides_less_from_two_eyes(monkeypatch, half, eyes_apart):
    monkeypatch.setattr(room, "EYES_APART_M", eyes_apart)
    distance, offset = 2.0, 0.5 * eyes_apart
    view = look(plate(IMAGE_X - distance, (-half, half), (0.0, 2.0)))
    # Both eyes' shadows overlap over (half - offset) D / distance + offset to either side; narrower than the eyes are
    # apart they do not overlap from there on, which is long before the field.
    exact = strip_share((half - offset) / distance, -offset) if half > offset else 0.0
    assert view.by_parts == pytest.approx(exact, abs=view.error)
    if half > offset:
        assert view.by_parts > 0.0
    else:
        assert view.by_parts == 0.0


@pytest.mark.parametrize("half_height", [0.004, 0.008, 0.0115, 0.05])
def test_a_low_glass_shows_the_far_road(half_height):
    """It reaches down to where the road is HEIGHT APART / half_height away."""
    exact = min(half_height / APART * TO_FIELD / HEIGHT, 1.0) ** 2
    view = look(mirror=replace(STRAIGHT, height_m=2.0 * half_height))
    assert view.in_glass == pytest.approx(exact, abs=view.error)
    assert (view.by_car, view.by_parts) == (0.0, 0.0)


@pytest.mark.parametrize("half_width", [0.035, 0.05, 0.06])
def test_a_narrow_glass_shows_the_middle(half_width):
    """The left image sees to the right edge and beyond what the right one sees: wider by half the eyes' distance."""
    view = look(mirror=replace(STRAIGHT, width_m=2.0 * half_width))
    assert view.in_glass < 1.0
    assert view.in_glass == pytest.approx(strip_share((half_width + HALF_EYES) / APART, HALF_EYES), abs=view.error)


@pytest.mark.parametrize(("half", "low"), [(0.2, 0.5), (0.3, 0.5), (0.4, 0.5), (2.0, 1.17)])
def test_a_window_smaller_than_the_field(half, low):
    distance = 2.4
    body, window = wall(IMAGE_X - distance, half, low, 1.5)
    view = look(body=body, window=window)
    across = strip_share((half + HALF_EYES) / distance, HALF_EYES)
    down = min((HEIGHT - low) / distance * TO_FIELD / HEIGHT, 1.0) ** 2
    assert 1.0 in (round(across, 3), down)  # so that their product is the share in both
    assert view.in_glass == 1.0
    assert view.by_car == pytest.approx(1.0 - across * down, abs=view.error)
    assert view.by_parts == 0.0
    assert "not painted" not in view.sentence


def test_parts_count_only_where_the_car_does_not_hide():
    body, window = wall(0.8, 0.22, 0.5, 1.5)
    free = look(body=body, window=window)
    view = look(bar(1.15, 1.175), body=body, window=window)
    bare = look(bar(1.15, 1.175))
    assert view.by_car == free.by_car > 0.1
    assert bare.by_parts - view.by_car < view.by_parts < bare.by_parts


def test_parts_alone_and_together():
    upper, lower = bar(1.15, 1.18), bar(1.1, 1.16)
    view = look(upper, lower, bar(0.2, 0.3))
    shares = dict(view.each)
    assert [name for name, _ in view.each] == sorted(shares, key=lambda name: -shares[name])
    assert shares["part 0"] == look(upper).by_parts
    assert shares["part 1"] == look(lower).by_parts
    assert shares["part 2"] == 0.0
    assert view.by_parts == look(bar(1.1, 1.18)).by_parts < shares["part 0"] + shares["part 1"]
    assert "more than the 15 %" in view.sentence


def test_a_gap_of_the_scan_counts_as_the_car():
    """Half of the window was not scanned; what is seen is the other half, and a little past it with the other eye."""
    sides = [plate(0.8, (-9.0, -0.6), (0.0, 3.0)), plate(0.8, (0.6, 9.0), (0.0, 3.0))]
    halves = [plate(0.8, (-0.6, 0.0), (0.5, 1.5)), plate(0.8, (0.0, 0.6), (0.5, 1.5))]
    half = look(body=TriangleIndex.build(join([*sides, halves[0]])), window=np.arange(6) >= 4)
    whole = look(body=TriangleIndex.build(join([*sides, *halves])), window=np.arange(8) >= 4)
    # The left eye sees past the middle line at 2.4 m by its own offset, shrunk: HALF_EYES D / 2.4 less HALF_EYES.
    assert half.by_car == pytest.approx(0.5 - 0.5 * strip_share(HALF_EYES / 2.4, HALF_EYES), abs=half.error)
    assert "gaps of the scan" in half.sentence
    assert whole.by_car == 0.0
    assert "gaps of the scan" not in whole.sentence


def test_the_window_is_looked_through_in_layers():
    """Scanned on several sheets, and with the mirror's own housing before the glass."""
    body, window = wall(0.8, 0.22, 0.5, 1.5)
    panes = [plate(x, (-0.22, 0.22), (0.5, 1.5)) for x in (0.79, 0.795, 0.8)]
    sides = [
        plate(0.8, (-9.0, -0.22), (0.0, 3.0)), plate(0.8, (0.22, 9.0), (0.0, 3.0)),
        plate(0.8, (-0.22, 0.22), (0.0, 0.5)), plate(0.8, (-0.22, 0.22), (1.5, 3.0)),
        plate(2.58, (-1.0, 1.0), (0.0, 2.0)),
    ]  # fmt: skip
    layers = look(body=TriangleIndex.build(join([*sides, *panes])), window=np.arange(16) >= 10)
    assert layers.by_car == look(body=body, window=window).by_car > 0.1


# -- against other tools -------------------------------------------------------------------------


def clipped_area(corners: np.ndarray, normal: np.ndarray, offset: float) -> float:
    """Area of the polygon (n, 2) where ``normal`` . p <= ``offset`` (I. Sutherland and G. Hodgman, 1974)."""
    out = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        da, db = a @ normal - offset, b @ normal - offset
        if da <= 0.0:
            out.append(a)
        if da * db < 0.0:
            out.append(a + (b - a) * da / (da - db))
    if len(out) < 3:
        return 0.0
    x, y = np.array(out).T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def test_sampling_error_is_as_stated(monkeypatch):
    """For one eye a half plane that cuts the field anyhow hides exactly a polygon."""
    monkeypatch.setattr(room, "EYES_APART_M", 0.0)
    rng = np.random.default_rng(5)
    off = []
    for samples in (500, 4000):
        for _ in range(15):
            triangle = field_corners(STRAIGHT, R46)[:, 1:]
            through = rng.dirichlet([1.0, 1.0, 1.0]) @ triangle
            turn = rng.uniform(-np.pi, np.pi)
            normal = np.array([np.cos(turn) * 0.08, np.sin(turn)])
            normal /= np.linalg.norm(normal)
            along = np.array([-normal[1], normal[0]])
            # A plate beside the field's plane, scaled down toward the image to 2.2 m from it.
            big = np.array([through - 90 * along, through + 90 * along, through + 90 * along - 90 * normal])
            big = np.vstack([big, through - 90 * along - 90 * normal])
            scale = 2.2 / TO_FIELD
            points = np.column_stack([np.full(4, IMAGE_X - 2.2), [0.0, HEIGHT] + scale * (big - [0.0, HEIGHT])])
            hides = TriMesh(points, np.array([[0, 1, 2], [0, 2, 3]], np.int32))
            exact = clipped_area(triangle, normal, float(normal @ through)) / (0.5 * R46.width_m * HEIGHT)
            view = look(hides, samples=samples)
            assert view.error == pytest.approx(samples**-0.75)
            off.append(abs(view.by_parts - exact) / view.error)
    assert max(off) < 1.0
    assert 4000**-0.75 < 0.002


def scene(seed: int) -> tuple[TriMesh, np.ndarray, list[TriMesh]]:
    """A cabin with a sloping window, a boot, and two crooked bodies behind; which faces are the window."""
    rng = np.random.default_rng(seed)
    cabin = trimesh.creation.box(extents=(2.4, 1.5, 0.9)).subdivide().subdivide().subdivide()
    middles = cabin.triangles_center
    shear = np.eye(4)
    shear[0, 2] = 0.5
    shear[:3, 3] = [1.9, 0.03, 0.95]
    cabin.apply_transform(shear)
    pane = (middles[:, 0] < -1.19) & (np.abs(middles[:, 1]) < 0.3) & (middles[:, 2] > -0.1) & (middles[:, 2] < 0.42)
    boot = trimesh.creation.box(extents=(1.2, 1.6, 0.5))
    boot.apply_translation([0.2, 0.0, 0.75])
    parts = []
    for _ in range(2):
        wing = trimesh.creation.icosphere(2, 0.5)
        wing.apply_scale([0.3, 1.1, rng.uniform(0.03, 0.1)])
        wing.apply_transform(trimesh.transformations.rotation_matrix(rng.uniform(-0.2, 0.2), [1, 0, 0]))
        wing.apply_translation([rng.uniform(-0.4, 0.2), rng.uniform(-0.5, 0.5), rng.uniform(1.17, 1.24)])
        parts.append(TriMesh(np.array(wing.vertices), np.array(wing.faces, np.int32)))
    body = [TriMesh(np.array(m.vertices), np.array(m.faces, np.int32)) for m in (cabin, boot)]
    return join(body), np.concatenate([pane, np.zeros(len(boot.faces), bool)]), parts


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_shares_agree_with_another_ray_tracer(seed):
    """trimesh (with rtree) finds all crossings; the field is split in 70 x 70 small triangles here."""
    body, window, parts = scene(seed)
    mirror = InteriorMirror(
        np.array([2.1, 0.35, 1.16]), np.array([2.6, 0.03, 1.22]), 0.12, 0.055, np.array([-40, 0, 1])
    )
    view = look(*parts, mirror=mirror, body=TriangleIndex.build(body), window=window)

    to_eyes, to_aim = (v / np.linalg.norm(v) for v in (mirror.eyes - mirror.centre, mirror.aim - mirror.centre))
    matrix = trimesh.transformations.reflection_matrix(mirror.centre, to_eyes + to_aim)
    ocular = mirror.eyes + [[0.0, 0.0, 0.0], [0.0, HALF_EYES, 0.0], [0.0, -HALF_EYES, 0.0]]
    images = trimesh.transform_points(ocular, matrix)
    n = 70
    row = np.sqrt(np.arange(n * n) + 0.5).astype(int)  # row r holds 2 r + 1 small triangles
    place = np.arange(n * n) - row**2
    down = (row + np.where(place % 2 == 0, 2 / 3, 1 / 3)) / n
    aside = (place - row) / n
    z = images[0, 2] * (1.0 - down)
    x = mirror.eyes[0] - 60.0
    y = images[0, 1] * (1.0 - down) + aside * 10.0
    share = images[0, 2] / (images[0, 2] - z)
    road = images[0] + (np.column_stack([np.full(n * n, x), y, z]) - images[0]) * share[:, None]

    normal = (to_eyes + to_aim) / np.linalg.norm(to_eyes + to_aim)
    level = np.cross(normal, [0.0, 0.0, 1.0])
    level /= np.linalg.norm(level)
    tracers = [trimesh.Trimesh(m.points, m.triangles, process=False) for m in (body, *parts)]
    shown, free = np.zeros((2, n * n), bool), np.zeros((2, n * n), bool)
    hidden = np.zeros((2, 2, n * n), bool)
    for eye in range(2):
        way = road - images[1 + eye]
        start = images[1 + eye] + way * (((mirror.centre - images[1 + eye]) @ normal) / (way @ normal))[:, None]
        off = start - mirror.centre
        shown[eye] = (np.abs(off @ level) <= 0.06) & (np.abs(off @ np.cross(level, normal)) <= 0.0275)
        through, stopped = np.zeros(n * n, bool), np.zeros(n * n, bool)
        for k, tracer in enumerate(tracers):
            _, ray, face = tracer.ray.intersects_location(start, way)
            if k == 0:
                through[ray[window[face]]] = True
                stopped[ray[~window[face]]] = True
            else:
                hidden[k - 1, eye, ray] = True
        free[eye] = shown[eye] & through & ~stopped
    otherwise = free.any(axis=0)
    by_parts = float(otherwise.mean() - (free & ~hidden.any(axis=0)).any(axis=0).mean())
    assert 0.02 < by_parts < 0.9
    assert otherwise.mean() < shown.any(axis=0).mean() <= 1.0
    near = 0.006  # both ways of sampling: 2 % of a side of the triangle across a level edge at the worst, less on most
    assert view.in_glass == pytest.approx(shown.any(axis=0).mean(), abs=near)
    assert view.by_car == pytest.approx(shown.any(axis=0).mean() - otherwise.mean(), abs=near)
    assert view.by_parts == pytest.approx(by_parts, abs=near)
    for k in range(2):
        alone = float((otherwise & ~(free & ~hidden[k]).any(axis=0)).mean())
        assert dict(view.each)[f"part {k}"] == pytest.approx(alone, abs=near)


def test_left_and_right_are_alike():
    body, window, parts = scene(4)

    def turned(mesh: TriMesh) -> TriMesh:
        return TriMesh(mesh.points * [1.0, -1.0, 1.0], mesh.triangles[:, ::-1])

    other = replace(USUAL, eyes=USUAL.eyes * [1, -1, 1], centre=USUAL.centre * [1, -1, 1], aim=USUAL.aim * [1, -1, 1])
    one = look(*parts, mirror=USUAL, body=TriangleIndex.build(body), window=window, picture_width=160)
    two = look(
        *map(turned, parts), mirror=other, body=TriangleIndex.build(turned(body)), window=window, picture_width=160
    )
    assert 0.0 < one.by_parts < 1.0
    assert (two.in_glass, two.by_car) == pytest.approx((one.in_glass, one.by_car), abs=1e-3)
    assert two.by_parts == pytest.approx(one.by_parts, abs=1e-3)
    # Hatching leans the same way in both, so compare where there is none: nearly all pixels are alike.
    same = np.abs(two.picture[:, ::-1].astype(int) - one.picture).max(axis=2) < 12
    assert same.mean() > 0.95


def test_a_pose_moves_the_part():
    mesh = bar(0.0, 0.03, 0.0)
    pose = trimesh.transformations.rotation_matrix(0.2, [1, 0, 0])
    pose[:3, 3] = [0.2, 0.1, 1.14]
    part = Part.of("wing", mesh)
    moved = mirror_view(STRAIGHT, NOTHING, None, [part], [pose], R46, picture_width=2)
    assert moved.by_parts == look(mesh.transformed(pose)).by_parts > 0.0


# -- the picture ---------------------------------------------------------------------------------


def test_the_picture_is_a_mirror_image():
    """A post on the car's left stands on the left; its edges and the horizon lie where similar triangles put them."""
    mirror = replace(STRAIGHT, width_m=0.24, height_m=0.06)
    distance, near, far = 3.0, 0.2, 0.3
    view = look(plate(IMAGE_X - distance, (near, far), (0.0, 2.0)), mirror=mirror, picture_width=640)
    assert view.picture.shape == (160, 640, 3)
    assert view.picture.dtype == np.uint8
    # An own bare view tells what changed: 320 px are 0.12 m on the glass.
    changed = np.abs(view.picture.astype(int) - look(mirror=mirror, picture_width=640).picture).max(axis=2) > 30
    column = np.flatnonzero(changed.all(axis=0))
    edges = [320 - y / distance * APART / 0.12 * 320 for y in (far, near)]
    assert [column.min(), column.max() + 1] == pytest.approx(edges, abs=1.5)
    sky = view.picture[:79, 500].astype(int)
    assert (sky[:, 2] > sky[:, 0]).all()
    assert (view.picture[81:, 639, 2].astype(int) <= view.picture[81:, 639, 0]).all()


def test_the_field_is_tinted_where_the_rule_wants_it():
    mirror = replace(STRAIGHT, width_m=0.24, height_m=0.06)
    picture = look(mirror=mirror, picture_width=640).picture.astype(int)
    green = picture[..., 1] - picture[..., 0] > 12
    rows, columns = np.nonzero(green)
    lower = 80 + HEIGHT / TO_FIELD * APART / 0.03 * 80
    half = 10.0 / TO_FIELD * APART / 0.12 * 320
    assert [rows.min(), rows.max() + 1] == pytest.approx([80.0, lower], abs=2.0)
    assert [columns.min(), columns.max() + 1] == pytest.approx([320 - half, 320 + half], abs=3.0)
    inside = green & (picture[..., 1] > 150)  # without the dark outline
    assert inside.sum() < half * (lower - 80.0) < green.sum()
    assert inside.sum() == pytest.approx(half * (lower - 80.0), rel=0.15)


def test_the_car_and_gaps_are_grey():
    body, window = wall(0.8, 0.3, 0.5, 1.5)
    picture = look(body=body, window=window, picture_width=60).picture.astype(int)
    grey = np.ptp(picture, axis=2).max(axis=0) < 12
    assert grey[0]
    assert grey[-1]
    assert (picture[:, 0].max(axis=1) < picture[:, 30].max(axis=1)).all()


# -- bad input -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"width_m": 0.0}, "give it a size"),
        ({"height_m": -0.1}, "give it a size"),
        ({"centre": np.array([1.9, 0.0, 1.2])}, "behind the eyes"),
        ({"aim": np.array([5.0, 0.0, 1.2])}, "aimed ahead"),
        ({"eyes": np.array([2.0, 0.0, -1.2])}, "above the road"),
        ({"eyes": np.array([2.0, np.nan, 1.2])}, "numbers"),
    ],
)
def test_mirrors_that_cannot_be(change, words):
    mirror = replace(STRAIGHT, **change)
    for ask in (lambda: look(mirror=mirror), lambda: eye_images(mirror), lambda: field_corners(mirror, R46)):
        with pytest.raises(InputError, match=words):
            ask()


def test_other_bad_input():
    body, window = wall(0.8, 0.3, 0.5, 1.5)
    with pytest.raises(InputError, match="9 faces of a body with 10"):
        look(body=body, window=window[:9])
    with pytest.raises(InputError, match="No face of the body is painted"):
        look(body=body, window=np.zeros(10, bool))
    with pytest.raises(InputError, match="ask for more"):
        look(samples=0)
    with pytest.raises(InputError, match="each part needs one"):
        mirror_view(STRAIGHT, NOTHING, None, [], [None], R46)
    rule = FieldRule("here", "1", 0.0, 20.0, 0.1)
    with pytest.raises(InputError, match="strip"):
        look(rule=rule)
