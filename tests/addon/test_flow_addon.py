"""The flow run through its operators: forces, slices, what is kept and what it rests on, and how a run ends."""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from wingfettle.addon import answers, bridge, flow, flow_going, flow_kept, flow_view, graphics, operator, settings
from wingfettle.core.elements.element import Element
from wingfettle.core.errors import InputError
from wingfettle.core.flow.plan import LEAST_ON_CHORD
from wingfettle.core.flow.reference import ReferenceEngine
from wingfettle.core.flow.slices import FlowSlice
from wingfettle.core.geometry.mesh import TriMesh
from wingfettle.core.report.png import png_size
from wingfettle.core.sections.shape import SectionShape

SHAPE = SectionShape(
    half_thickness=np.array([0.18, 0.17, 0.16, 0.16, 0.15, 0.15]),
    mean_line=np.array([0.20, 0.16, 0.15, 0.14, 0.13, 0.12]),
    trailing_edge=0.012,
)
LOWER = Element("lower", np.array([0.3, 0.0, 1.0]), 0.6, 0.16, 1.0, 0.0, 0.0, 0.1, 0.0, SHAPE, SHAPE)
UPPER = replace(
    LOWER,
    name="upper",
    shape=SHAPE.turned_over(),
    tip_shape=SHAPE.turned_over(),
    incidence_rad=-0.1,
    leading_edge=np.array([0.32, 0.0, 1.4]),
)
HEADLESS = bpy.app.version >= (5, 0)
"""Blender computes on a graphics card without a window from 5.0 on."""


@pytest.fixture
def wing(scene: bpy.types.Scene) -> bpy.types.Scene:
    """Two elements far apart over the road, coarse cells and little time."""
    variant = scene.wingfettle.variants.add()
    variant.name, variant.elements = "as found", bridge.collection(scene, "Wing as found")
    for element in (LOWER, UPPER):
        bridge.write_element(bridge.new_object(f"{element.name} (as found)", variant.elements), element)
    bpy.ops.wingfettle.new_variant(name="trial")
    scene.wingfettle.flow_cells, scene.wingfettle.flow_minutes = 8, 0.02
    scene.wingfettle.flow_walls = "clings"
    return scene


class _NoCard:
    name = "numpy"


@pytest.fixture
def numpy_card(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs are worked out in numpy in place of a graphics card."""
    for place in (flow, flow_going):  # both took the name in
        monkeypatch.setattr(place, "card", _NoCard)
    monkeypatch.setattr(flow_going, "engine", ReferenceEngine)


@pytest.fixture
def real_card() -> None:
    """A graphics card, or one that the driver plays."""
    if not HEADLESS:
        pytest.skip("no graphics context without a window in this Blender")


def trial(scene: bpy.types.Scene) -> Any:
    return settings.active_variant(scene)


def pieces(until: Callable[[flow_going.Going], bool]) -> flow_going.Going | None:
    """Let the timer's pieces go on, as a window does, until something holds or the run has ended."""
    one = flow_going.going()
    for _ in range(3000):
        if flow_going.going() is None:
            return None
        if one is not None and until(one):
            return one
        flow_going.run_piece()
    raise AssertionError("the run neither ended nor came to what was waited for")


def started(scene: bpy.types.Scene) -> flow_going.Going:
    """A run that has done its first steps."""
    flow_going.start_run(scene)
    one = pieces(lambda g: g.share > 0.0)
    assert one is not None, flow_going.why_ended
    return one


def has_a_force(one: flow_going.Going) -> bool:
    """Whether a run would leave something if it were stopped."""
    with suppress(InputError):
        return one.pilot.answer() is not None
    return False


def state_of_scene(scene: bpy.types.Scene) -> Any:
    return (
        sorted((o.name, tuple(map(tuple, o.matrix_world))) for o in bpy.data.objects),
        [len(kind) for kind in (bpy.data.meshes, bpy.data.images, bpy.data.materials, bpy.data.collections)],
    )


def test_forces_push_as_the_camber_says_and_are_kept_for_the_wing_as_it_was(
    wing: bpy.types.Scene, real_card: None
) -> None:
    wing.wingfettle.flow_cells, wing.wingfettle.flow_minutes = 16, 0.06
    bpy.ops.wingfettle.flow_start()
    ((run, holds),) = flow_kept.kept_runs(wing, trial(wing))
    assert holds
    assert (run.variant, run.form, run.case) == ("trial", "mid-span", "group")
    # By camber and incidence (thin-aerofoil theory): bulging upward lifts, bulging downward pushes down.
    assert run.part("lower").force_n[2] > 0.0 > run.part("upper").force_n[2]
    # The same at the same speed: forward is against the drag.
    assert run.part("lower").force_n[0] < 0.0
    assert run.updates_per_s > 1e5
    assert run.device
    # Reynolds number of the car by its definition: 100 km/h, mean chord 0.16 m, air of ISO 2533 at 15 degrees.
    assert run.reynolds_real == pytest.approx(100.0 / 3.6 * 0.16 / 1.461e-5, rel=2e-3)
    _suction_is_where_the_force_points(flow_kept.needed(wing, trial(wing)))
    obj = settings.element_objects(trial(wing))[0]
    obj.location.z = 0.05
    bpy.context.view_layer.update()
    assert [holds for _, holds in flow_kept.kept_runs(wing, trial(wing))] == [False]
    with pytest.raises(RuntimeError, match="no flow run of “trial” as it is now"):
        bpy.ops.wingfettle.flow_paint()
    obj.location.z = 0.0
    bpy.context.view_layer.update()
    assert flow_kept.held_runs(wing, trial(wing)) == (run,)
    wing.wingfettle.speed_kmh += 1.0
    assert flow_kept.held_runs(wing, trial(wing)) == ()


def test_finer_cells_near_the_wing(wing: bpy.types.Scene, real_card: None) -> None:
    """Through the operators, on several levels: what is told before, forces, slice, picture, pressure, streamlines."""
    wing.wingfettle.flow_cells, wing.wingfettle.flow_minutes = 64, 0.05
    bpy.ops.wingfettle.flow_ahead()
    (ahead,) = flow_going.aheads.values()
    # 0.16 m chord: 64 cells of 2.5 mm, and 16, the fewest of the coarsest, of 10 mm.
    assert "of 2.5 mm near the wing to 10 mm far from it, in 3 sizes; 64 on the shortest" in flow.ahead_lines(ahead)[0]
    bpy.ops.wingfettle.flow_start()
    ((run, holds),) = flow_kept.kept_runs(wing, trial(wing))
    assert holds
    assert run.spacing_m == pytest.approx(0.16 / 64)
    assert run.cells == ahead.pilot.plan.cells
    assert run.part("lower").force_n[2] > 0.0 > run.part("upper").force_n[2]
    found = flow_kept.needed(wing, trial(wing))
    _suction_is_where_the_force_points(found)
    cut = found.mean
    assert cut is not None
    h = float(cut.z_m[1] - cut.z_m[0])
    assert h == pytest.approx(run.spacing_m)
    # The parts have the areas of their outlines (shoelace formula) and lie where these do.
    for _, contour in found.job.parts:
        x, z = contour.T
        area = 0.5 * abs(float(np.sum(x * np.roll(z, -1) - np.roll(x, -1) * z)))
        about = cut.solid[(np.abs(cut.z_m - z.mean()) < 0.1)][:, np.abs(cut.x_m + x.mean()) < 0.2]
        assert about.sum() * h * h == pytest.approx(area, rel=0.1)
    # As much air goes into a frame as out of it (continuity), but for the sound of the start, wherever it crosses the
    # ends of the levels.
    for reach in (0.05, 0.15, 0.3):
        columns = np.flatnonzero((cut.x_m > 0.12 - reach) & (cut.x_m < 0.34 + reach))
        rows = np.flatnonzero((cut.z_m > 1.0 - reach) & (cut.z_m < 1.4 + reach))
        along, up = cut.velocity_m_s[:, rows][:, :, columns]
        into = (along[:, -1] - along[:, 0]).sum() + (up[0] - up[-1]).sum()
        assert abs(into) < 0.03 * np.abs(along[:, 0]).sum()
    # Nowhere outside the wake do neighbours differ as at a seam.
    ahead_of_it = cut.speed_m_s[:, cut.x_m > 0.36]
    assert max(np.abs(np.diff(ahead_of_it, axis=k)).max() for k in (0, 1)) < 0.03 * run.speed_m_s
    pixels, corners = flow_view.slice_shown(wing)
    assert np.ptp(corners[:, 0]) / pixels.shape[1] == pytest.approx(run.spacing_m, rel=1e-6)
    bpy.ops.wingfettle.flow_paint()
    bpy.ops.wingfettle.flow_streamlines()
    bpy.ops.wingfettle.flow_picture()


def _suction_is_where_the_force_points(found: flow_kept.Kept) -> None:
    for name, way in (("lower", 1.0), ("upper", -1.0)):
        contour, cp = dict(found.job.parts)[name], found.surface[name]
        above = contour[:, 1] > 0.5 * (contour[:, 1].min() + contour[:, 1].max())
        # What lifts has suction above it.
        assert way * (np.nanmean(cp[above]) - np.nanmean(cp[~above])) < 0.0
        # The wind is stopped at most (Bernoulli), with room for coarse cells and the sound of the start.
        assert np.nanmax(cp) < 1.6


def test_a_half_model_stands_for_the_whole(wing: bpy.types.Scene, real_card: None) -> None:
    job = wing.wingfettle
    job.flow_form, job.flow_case, job.flow_element, job.flow_half, job.flow_cells = "full", "alone", "lower", True, 5
    bpy.ops.wingfettle.flow_start()
    (run,) = flow_kept.held_runs(wing, trial(wing))
    assert run.element == "lower"
    assert run.part("lower").force_n[1] == 0.0
    assert run.part("lower").force_n[2] > 0.0
    # Cells lie on one side of the centre plane only.
    going = flow_going.jobs_now(wing, trial(wing))[0]
    assert going.half == "left"


def test_look_ahead_tells_cells_memory_and_gap_and_start_goes_on_from_it(
    wing: bpy.types.Scene, numpy_card: None
) -> None:
    before = state_of_scene(wing)
    bpy.ops.wingfettle.flow_ahead()
    (ahead,) = flow_going.aheads.values()
    words = " ".join(flow.ahead_lines(ahead))
    # 0.16 m chord in 8 cells.
    assert "cells of 20 mm; 8 on the shortest chord" in words
    assert "MiB" in words
    # Elements 0.4 m apart at their noses, 0.16 m long and turned by a tenth: the gap is near 0.4 m.
    assert 15.0 < ahead.pilot.plan.cells_in_gap < 20.0
    assert any(f"{LEAST_ON_CHORD} are the fewest that can be trusted" in line for line in flow.ahead_warnings(ahead))
    assert any("but the run may last" in line for line in flow.ahead_warnings(ahead))
    steps = ahead.pilot.progress().steps
    assert steps > 0
    # Forty cells in the gap take finer ones: the same gap over forty.
    wing.wingfettle.flow_gap_cells = 40
    finer = flow_going.jobs_now(wing, trial(wing))[0].spacing_m
    assert finer == pytest.approx(ahead.pilot.plan.gap_m / 40.0)
    wing.wingfettle.flow_gap_cells = 0
    one = flow_going.start_run(wing)
    assert one.pilot is ahead.pilot  # the trial's steps count as the run's
    flow_going.end_run("")
    wing.wingfettle.flow_cells += 1
    bpy.ops.wingfettle.flow_ahead()
    wing.wingfettle.flow_cells += 1
    (ahead,) = flow_going.aheads.values()
    assert flow_going.start_run(wing).pilot is not ahead.pilot
    flow_going.end_run("")
    assert state_of_scene(wing) == before


def test_the_scene_may_change_meanwhile(wing: bpy.types.Scene, numpy_card: None) -> None:
    one = started(wing)
    with pytest.raises(RuntimeError, match="goes on already"):
        bpy.ops.wingfettle.flow_start()
    with pytest.raises(RuntimeError, match="goes on already"):
        bpy.ops.wingfettle.flow_ahead()
    bpy.ops.wingfettle.flow_pause()
    steps = one.pilot.progress().steps
    for _ in range(5):
        assert flow_going.run_piece() > 0.0
    assert one.pilot.progress().steps == steps
    bpy.ops.wingfettle.flow_pause()
    obj = settings.element_objects(trial(wing))[0]
    obj.location.z = 0.05
    bpy.context.view_layer.update()
    bpy.ops.wingfettle.flow_stop()
    assert pieces(lambda g: False) is None
    assert "stopped by hand" in flow_going.why_ended[0]
    ((run, holds),) = flow_kept.kept_runs(wing, trial(wing))
    assert run.ending == "cancelled"
    assert not holds
    assert not flow_view.slice_shown(wing)
    obj.location.z = 0.0
    bpy.context.view_layer.update()
    assert flow_kept.held_runs(wing, trial(wing)) == (run,)
    pixels, corners = flow_view.slice_shown(wing)
    assert pixels.shape[2] == 4
    assert np.ptp(corners[:, 0]) > 0.3
    # A variant that is deleted in the middle: the answer is there all the same.
    wing.wingfettle.flow_case, wing.wingfettle.flow_element = "alone", "upper"
    started(wing)
    wing.wingfettle.variants.remove(1)
    flow_going.going().stopped = True
    assert pieces(lambda g: False) is None
    assert ("trial", "mid-span", "alone", "upper", True) in {key for key, _ in flow_kept.kept_all}


def test_thrown_away_switched_off_or_another_file_opened(wing: bpy.types.Scene, numpy_card: None) -> None:
    started(wing)
    bpy.ops.wingfettle.flow_drop()
    assert flow_going.going() is None
    assert flow_going.run_piece() is None
    assert flow_kept.kept_all == {}
    with pytest.raises(RuntimeError, match="No flow run goes on"):
        bpy.ops.wingfettle.flow_drop()
    started(wing)
    flow.unregister()
    assert flow_going.going() is None
    flow.register()
    started(wing)
    bpy.ops.wm.read_homefile(use_empty=True)
    assert flow_going.going() is None
    assert "another file was opened" in flow_going.why_ended[0]
    assert flow_kept.kept_all == {}


def kinds(scene: bpy.types.Scene) -> list[bool]:
    return [run.wall_function for run in flow_kept.held_runs(scene, trial(scene))]


def test_both_walls_are_run_in_turn_by_one_start(wing: bpy.types.Scene, numpy_card: None) -> None:
    wing.wingfettle.property_unset("flow_walls")
    assert wing.wingfettle.flow_walls == "both"
    bpy.ops.wingfettle.flow_ahead()
    (ahead,) = flow_going.aheads.values()
    assert any(" each (" in line for line in flow.ahead_lines(ahead))
    one = flow_going.start_run(wing)
    assert one.pilot is ahead.pilot
    assert pieces(lambda g: g.share > 0.1) is one
    assert "air clings, 1 of 2" in read_panel()
    assert one.share < 0.5
    assert pieces(lambda g: g.turn == 2 and g.share > 0.5) is one
    assert "air lets go, 2 of 2" in read_panel()
    assert (one.job.wall_function, one.pilot.setup.wall_function) == (False, False)
    # The first is kept already.
    assert kinds(wing) == [True]
    assert pieces(lambda g: False) is None
    assert kinds(wing) == [True, False]
    for words in ("air clings has ended", "air lets go has ended"):
        assert words in flow_going.why_ended[0]
    assert all(walls in read_panel() for walls in ("air clings", "air lets go"))
    # Of both, the one in which the air clings is shown; of one that alone.
    for walls, shown in (("both", "air clings"), ("lets go", "air lets go")):
        wing.wingfettle.flow_walls = walls
        assert shown in [w.text for w in flow_view.drawn_legend(wing, 1.0).writing]


def test_stopped_in_the_first_of_two_the_second_is_not_begun(wing: bpy.types.Scene, numpy_card: None) -> None:
    wing.wingfettle.flow_walls, wing.wingfettle.flow_minutes = "both", 2.0
    started(wing)
    # What is stopped before there is a force leaves nothing to keep.
    assert pieces(has_a_force) is not None
    bpy.ops.wingfettle.flow_stop()
    assert pieces(lambda g: False) is None
    assert kinds(wing) == [True]
    assert "the air lets go was not begun" in flow_going.why_ended[0]


def test_one_of_two_that_fails_does_not_keep_the_other(
    wing: bpy.types.Scene, numpy_card: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    wing.wingfettle.flow_walls = "both"
    advance = ReferenceEngine.advance

    def fails(self: Any, steps: int) -> Any:
        if flow_going.going().turn == 1:
            return np.full((1, 2, 3), np.nan)
        return advance(self, steps)

    started(wing)
    monkeypatch.setattr(ReferenceEngine, "advance", fails)
    assert pieces(lambda g: False) is None
    assert kinds(wing) == [False]
    assert "Where the air clings: The run blew up" in flow_going.why_ended[0]


@pytest.mark.parametrize("how", ["blows up", "card lost", "bug"])
def test_a_run_that_fails_leaves_the_scene(
    wing: bpy.types.Scene, numpy_card: None, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    def fails(self: Any, steps: int) -> Any:
        if how == "card lost":
            raise InputError("The graphics card was lost during the flow run (gone): start it again.")
        if how == "bug":
            raise ZeroDivisionError("oh")
        return np.full((1, 2, 3), np.nan)

    before = state_of_scene(wing)
    started(wing)
    monkeypatch.setattr(ReferenceEngine, "advance", fails)
    if how == "bug":
        with pytest.raises(ZeroDivisionError):
            pieces(lambda g: False)
    else:
        assert pieces(lambda g: False) is None
    assert {"blows up": "blew up", "card lost": "card was lost", "bug": "has ended"}[how] in flow_going.why_ended[0]
    assert flow_going.going() is None
    assert flow_kept.kept_all == {}
    assert state_of_scene(wing) == before


def test_the_real_card_lost_in_the_middle(
    wing: bpy.types.Scene, real_card: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    started(wing)

    def gone(*_: Any) -> None:
        raise SystemError("GPU context lost")

    monkeypatch.setattr(graphics.gpu.compute, "dispatch", gone, raising=False)
    assert pieces(lambda g: False) is None
    assert "card was lost during the flow run" in flow_going.why_ended[0]


def test_kept_beside_the_file_and_read_again(wing: bpy.types.Scene, numpy_card: None, tmp_path: Path) -> None:
    bpy.ops.wingfettle.flow_start()
    assert "not saved yet" in flow_going.why_ended[0]
    path = tmp_path / "car.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    folder = tmp_path / "car flow runs"
    assert "not saved" not in flow_going.why_ended[0]
    (record,) = folder.glob("*.json")
    # Blender's own reader takes the picture.
    image = bpy.data.images.load(str(record.with_suffix(".png")))
    assert image.size[0] > 20
    clip = (folder / f"{record.stem}-clip.png").read_bytes()
    assert png_size(clip) is not None
    assert b"acTL" in clip  # it moves (Portable Network Graphics Specification, third edition)
    before = flow_kept.held_runs(wing, trial(wing))
    bpy.ops.wm.open_mainfile(filepath=str(path))
    scene = bpy.context.scene
    (after,) = flow_kept.held_runs(scene, trial(scene))
    np.testing.assert_array_equal(after.part("lower").force_n, before[0].part("lower").force_n)
    assert flow_view.slice_shown(scene) is not None
    bpy.ops.wingfettle.flow_paint()  # from what was read
    settings.element_objects(trial(scene))[0].wingfettle.chord_mm += 1.0
    assert [holds for _, holds in flow_kept.kept_runs(scene, trial(scene))] == [False]
    # A file that is spoiled is named, and the others are read.
    (folder / "spoiled.json").write_text("{")
    assert len(flow_kept.kept_runs(scene, trial(scene))) == 1
    assert flow_kept.unreadable[str(folder)] == ("spoiled.json",)
    # Saved under another name, what this session found goes along.
    bpy.ops.wingfettle.flow_start()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "other.blend"))
    assert len(list((tmp_path / "other flow runs").glob("*.json"))) == 1


def test_picture_streamlines_and_paint(wing: bpy.types.Scene, numpy_card: None) -> None:
    with pytest.raises(RuntimeError, match="No slice is shown"):
        bpy.ops.wingfettle.flow_picture()
    bpy.ops.wingfettle.flow_start()
    objects = trial(wing).elements.objects
    for _ in range(2):
        bpy.ops.wingfettle.flow_picture()
        bpy.ops.wingfettle.flow_streamlines()
    (plane,) = [o for o in objects if "Flow slice" in o.name]
    assert len([i for i in bpy.data.images if "Flow slice" in i.name]) == 1
    assert not plane.hide_render
    places = np.array([v.co for v in plane.data.vertices])
    # It holds the wing: 0.16 m long from x = 0.3 backwards, from 1 to 1.4 m up.
    assert places[:, 0].min() < 0.1 < 0.32 < places[:, 0].max()
    assert places[:, 2].min() < 0.95 < 1.45 < places[:, 2].max()
    image = bpy.data.images[plane.name]
    shown = np.empty(4 * image.size[0] * image.size[1], np.float32)
    image.pixels.foreach_get(shown)
    # Its first row of texture is the lowest: parts are dark where they stand.
    dark = shown.reshape(image.size[1], image.size[0], 4)[..., :3].max(axis=2) < 0.25
    row, column = np.argwhere(dark).mean(axis=0) / dark.shape
    assert places[0, 2] + row * np.ptp(places[:, 2]) == pytest.approx(1.2, abs=0.08)
    assert places[0, 0] + column * (places[1, 0] - places[0, 0]) == pytest.approx(0.23, abs=0.04)
    (lines,) = [o for o in objects if "Streamlines" in o.name]
    points = np.array([p.co[:3] for s in lines.data.splines for p in s.points])
    assert len(lines.data.splines) > 20
    assert np.abs(points[:, 1]).max() == 0.0
    bpy.ops.wingfettle.flow_paint()
    for obj in settings.element_objects(trial(wing)):
        painted = obj.data.color_attributes[flow_view.PRESSURE]
        assert len(painted.data) == len(obj.data.vertices)
        assert obj.data.color_attributes.active_color.name == flow_view.PRESSURE


def test_a_picture_stays_until_it_is_deleted_or_its_run_thrown_away(wing: bpy.types.Scene, numpy_card: None) -> None:
    def planes() -> list[bpy.types.Object]:
        return [o for o in trial(wing).elements.objects if "Flow slice" in o.name]

    bpy.ops.wingfettle.flow_start()
    bpy.ops.wingfettle.flow_picture()
    wing.wingfettle.lift_case = "group"
    bpy.ops.wingfettle.estimate_lift()
    settings.element_objects(trial(wing))[0].wingfettle.incidence_deg += 1.0
    (kept,) = planes()
    settings.choose_only(bpy.context, kept)
    bpy.ops.object.delete()
    assert planes() == []
    # Of a run that goes on: thrown away with it, kept with it.
    for drop in (True, False):
        one = started(wing)
        one.shown = one.pilot.slice()
        bpy.ops.wingfettle.flow_picture()
        assert len(planes()) == 1
        if drop:
            bpy.ops.wingfettle.flow_drop()
            assert planes() == []
        else:
            flow_going.end_run("")
            assert len(planes()) == 1


class _Window:
    """A context of which a long operator sees no more than this."""

    view_layer = workspace = None

    def __init__(self) -> None:
        self.timers = ["timer"]
        self.window_manager = self

    def event_timer_remove(self, timer: str) -> None:
        self.timers.remove(timer)

    def progress_end(self) -> None:
        self.timers.append("ended")


def test_another_file_opened_beside_a_long_operator_lets_the_next_one_start() -> None:
    closed = []

    class Long(operator.BackgroundOperator):
        def steps(self, context: Any) -> operator.Steps:
            try:
                yield 0.5, "Working"
            finally:
                closed.append(True)
            return "Done."

    one, window = Long(), _Window()
    one._steps, one._timer, one._before = one.steps(window), "timer", None
    next(one._steps)
    operator.BackgroundOperator._running = "Long"
    try:
        one.cancel(window)  # what Blender calls
        assert closed == [True]
        assert window.timers == ["ended"]
        assert not operator.BackgroundOperator._running
    finally:
        operator.BackgroundOperator._running = ""
    assert "cancel" in vars(operator.LongOperator)


def test_values_near_paints_the_middle_of_the_span_from_a_contour() -> None:
    contour = np.array([[0.0, 1.0], [0.1, 1.1], [0.2, 1.0]])
    points = np.array([[-0.11, 0.0, 1.1], [-0.2, 0.2, 1.0], [0.0, 0.4, 1.0], [0.0, -0.4, 1.0]])
    found = bridge.values_near(points, contour, np.array([1.0, 2.0, 3.0]), 0.5)
    np.testing.assert_array_equal(found, [2.0, 3.0, np.nan, np.nan])


def test_wind_between_the_cells_of_a_slice() -> None:
    x, z = np.linspace(1.0, 0.0, 11), np.linspace(0.0, 0.5, 6)
    up, along = np.meshgrid(z, x, indexing="ij")
    # Linear in x and z, which bilinear interpolation meets exactly; x falls along the row.
    wind = np.stack([-2.0 - along, 0.5 * up + along])
    solid = (np.abs(along - 0.5) < 0.06) & (up < 0.25)
    cut = FlowSlice(x, z, np.hypot(*wind), np.zeros_like(up), wind, solid)
    velocity, inside, box, seeds = bridge.slice_wind(cut)
    at = np.array([[0.33, 0.0, 0.21], [0.77, 0.0, 0.44]])
    np.testing.assert_allclose(velocity(at)[:, 0], -2.0 - at[:, 0])
    np.testing.assert_allclose(velocity(at)[:, 2], 0.5 * at[:, 2] + at[:, 0])
    assert inside(np.array([[0.5, 0.0, 0.1], [0.5, 0.0, 0.4], [0.8, 0.0, 0.1]])).tolist() == [True, False, False]
    assert box.holds(seeds).all()


def test_legend_has_the_set_unit_and_the_wind(wing: bpy.types.Scene, numpy_card: None) -> None:
    assert not flow_view.drawn_legend(wing, 1.0).writing
    bpy.ops.wingfettle.flow_start()
    words = [w.text for w in flow_view.drawn_legend(wing, 1.0).writing]
    assert "100 wind" in words
    assert any("km/h" in w for w in words)
    wing.wingfettle.speed_unit = "mph"
    words = [w.text for w in flow_view.drawn_legend(wing, 1.0).writing]
    assert wing.wingfettle.speed_mph == pytest.approx(100.0 / 1.609344)
    assert "62 wind" in words  # the international mile: 1.609344 km exactly
    wing.wingfettle.flow_show = "pressure"
    assert any("pressure" in w.text for w in flow_view.drawn_legend(wing, 1.0).writing)
    wing.wingfettle.flow_show = "none"
    assert flow_view.slice_shown(wing) is None


class _Page:
    """A layout that takes down what a panel writes."""

    def __init__(self) -> None:
        self.words: list[str] = []

    def column(self, **_: Any) -> _Page:
        return self

    row = box = column

    def label(self, text: str = "", **_: Any) -> None:
        self.words.append(text)

    def progress(self, text: str = "", **_: Any) -> None:
        self.words.append(text)

    def prop(self, *_: Any, **__: Any) -> None:
        pass

    operator = prop


def read_panel() -> str:
    """All that the panel says, in one line."""
    own = {name: one for name, one in vars(flow.WINGFETTLE_PT_flow).items() if callable(one)}
    panel = type("Panel", (), own)()
    panel.layout = _Page()
    panel.draw(bpy.context)
    return " ".join(panel.layout.words)


def test_the_panel_tells_before_meanwhile_and_after(wing: bpy.types.Scene, numpy_card: None) -> None:
    assert " N" not in read_panel()
    bpy.ops.wingfettle.flow_ahead()
    assert "8 on the shortest chord" in read_panel()
    one = started(wing)
    bpy.ops.wingfettle.flow_pause()
    said = read_panel()
    assert "“trial”, mid-span, together" in said
    assert " %" in said
    assert one.pilot.progress().sentence in said
    bpy.ops.wingfettle.flow_pause()
    bpy.ops.wingfettle.flow_stop()
    assert pieces(lambda g: False) is None
    wing.wingfettle.lift_case = "group"
    bpy.ops.wingfettle.estimate_lift()
    said = read_panel()
    quick = answers.found(wing, trial(wing), "lift").elements[0].group_n
    (run,) = flow_kept.held_runs(wing, trial(wing))
    assert f"lower: {run.part('lower').force_n[2]:+.0f} N" in said
    assert f"quick estimate {quick.value:+.0f} N ({quick.low:+.0f} to {quick.high:+.0f})" in said
    assert "stopped by hand" in said
    assert "Paints the middle half of each span" in said
    assert "the cells decide what the layers at the walls are like" in said
    wing.wingfettle.speed_kmh += 10.0
    said = read_panel()
    assert "of an earlier state" in said
    assert "quick estimate" not in said


def test_what_cannot_be_run_is_told_in_a_sentence(wing: bpy.types.Scene, numpy_card: None) -> None:
    job = wing.wingfettle
    before = state_of_scene(wing)
    job.flow_case = "on car"
    with pytest.raises(RuntimeError, match="full form"):
        bpy.ops.wingfettle.flow_start()
    job.flow_form = "full"
    with pytest.raises(RuntimeError, match="no scanned body"):
        bpy.ops.wingfettle.flow_start()
    job.flow_form, job.flow_case, job.flow_element = "mid-span", "alone", "nobody"
    for step in (bpy.ops.wingfettle.flow_start, bpy.ops.wingfettle.flow_ahead):
        with pytest.raises(RuntimeError, match="nobody"):
            step()
    job.flow_case = "group"
    obj = settings.element_objects(trial(wing))[0]
    obj.scale = (1.0, 2.0, 1.0)
    bpy.context.view_layer.update()
    with pytest.raises(RuntimeError, match="is scaled"):
        bpy.ops.wingfettle.flow_start()
    obj.scale = (1.0, 1.0, 1.0)
    # Two elements in one place are run, and it is told.
    obj.location = UPPER.leading_edge - LOWER.leading_edge
    bpy.context.view_layer.update()
    bpy.ops.wingfettle.flow_start()
    assert any("overlap" in one.text for one in flow_kept.held_runs(wing, trial(wing))[0].faults)
    obj.location = (0.0, 0.0, -1.2)  # below the road
    bpy.context.view_layer.update()
    with pytest.raises(RuntimeError, match="“lower” reaches .* below the road"):
        bpy.ops.wingfettle.flow_start()
    obj.location = (0.0, 0.0, 0.0)
    bpy.context.view_layer.update()
    assert state_of_scene(wing) == before
    job.variants.clear()
    with pytest.raises(RuntimeError, match="no variant"):
        bpy.ops.wingfettle.flow_start()
    assert flow_going.going() is None


def test_an_inside_out_mount_is_run_like_a_right_one(wing: bpy.types.Scene, numpy_card: None) -> None:
    corners = np.array([[x, y, z] for x in (0.2, 0.26) for y in (-0.05, 0.05) for z in (1.15, 1.2)])
    quads = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    faces = [triangle for a, b, c, d in quads for triangle in ((a, b, c), (a, c, d))]
    mount = bridge.new_object("post", wing.collection, TriMesh(corners, np.array(faces, np.int32)))
    settings.choose_only(bpy.context, mount)
    bpy.ops.wingfettle.add_mount()
    wing.wingfettle.flow_form, wing.wingfettle.flow_cells = "full", 5
    solid = []
    for _ in range(2):
        pilot = flow.Pilot(flow_going.jobs_now(wing, trial(wing))[0])
        pilot.prepare()
        solid.append(int((pilot.grid.label == 1 + pilot.grid.parts.index("post")).sum()))
        mount.data.flip_normals()
        bridge.forget_marks([mount, mount.data])
    assert solid[0] == solid[1] > 0


def test_without_a_graphics_card_it_says_so(wing: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    if HEADLESS:
        flow_going.cards.clear()

        def none() -> str:
            raise SystemError("no context")

        monkeypatch.setattr(graphics.gpu.platform, "renderer_get", none)
    before = state_of_scene(wing)
    for step in (bpy.ops.wingfettle.flow_start, bpy.ops.wingfettle.flow_ahead):
        with pytest.raises(RuntimeError, match="finds no graphics card to compute on"):
            step()
    assert flow_going.going() is None
    assert state_of_scene(wing) == before
    # Nothing else is the worse for it.
    wing.wingfettle.lift_case = "group"
    assert bpy.ops.wingfettle.estimate_lift() == {"FINISHED"}
    assert math.isfinite(answers.found(wing, trial(wing), "lift").elements[0].alone_n.value)
