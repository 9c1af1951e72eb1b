"""What follows the scene: clearance measured anew after each step of a move, and what no longer holds forgotten."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import bpy
from bpy.app.handlers import persistent

from ..core.assembly.part import Part
from ..core.clearance.measure import clearance_map, measure_clearance
from ..core.clearance.result import PartClearance
from ..core.clearance.surroundings import Surroundings
from ..core.errors import InputError
from ..core.units import from_mm
from . import answers, bridge, settings
from .variants import mark_collisions, marks_hold


@dataclass(frozen=True)
class Followed:
    """One part where it stood last.

    Attributes:
        object: its object's name.
        part, around: what was measured against what; compared as things, not by their content.
        rests: the other numbers that the result rests on.
        clearance: the result.
        map: (n,) m signed clearance of each of its points, or None when no map is shown.
    """

    object: str
    part: Part
    around: Surroundings
    rests: tuple[Any, ...]
    clearance: PartClearance
    map: Any


_followed: dict[str, Followed] = answers.of_file({})
_problems: dict[int, str] = answers.of_file({})


def results(scene: bpy.types.Scene) -> tuple[PartClearance, ...]:
    """The chosen variant's parts as they stand now; empty when nothing is followed."""
    return tuple(f.clearance for f in followed(scene))


def followed(scene: bpy.types.Scene) -> list[Followed]:
    """The same with their maps."""
    variant = settings.active_variant(scene)
    if not scene.wingfettle.live or variant is None:
        return []
    names = [o.name for o in settings.element_objects(variant) + settings.mount_objects(variant)]
    return [_followed[n] for n in names if n in _followed]


def problem(scene: bpy.types.Scene) -> str:
    """Why the chosen variant cannot be followed; empty where it is, or is not to be."""
    return _problems.get(scene.session_uid, "") if scene.wingfettle.live else ""


def follow(scene: bpy.types.Scene) -> bool:
    """Measure what has moved since; whether anything had.

    Raises:
        InputError: there is no body, zone or part, or one was scaled.
    """
    job, variant = scene.wingfettle, settings.active_variant(scene)
    if variant is None:
        return False
    around = answers.surroundings(scene)
    allowance, reach = from_mm(job.allowance_mm), from_mm(job.map_reach_mm)
    changed = False
    for obj, part, pose in answers.parts(variant):
        rests = (tuple(map(tuple, obj.matrix_world)), allowance, reach if job.show_map else None)
        old = _followed.get(obj.name)
        if old is not None and old.part is part and old.around is around and old.rests == rests:
            continue
        found = measure_clearance(around, part, pose, allowance)
        colours = clearance_map(around, part, pose, reach) if job.show_map else None
        _followed[obj.name] = Followed(obj.name, part, around, rests, found, colours)
        changed = True
    return changed


@persistent
def _after_update(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    answers.look_again(scene, depsgraph)
    job = scene.wingfettle
    if not marks_hold(scene) and not bpy.app.timers.is_registered(_take_marks_off):
        bpy.app.timers.register(_take_marks_off)  # nothing may be written here
    if not job.live or job.body is None:
        return
    before = _problems.pop(scene.session_uid, "")
    try:
        changed = follow(scene)
    except InputError as problem:
        _followed.clear()
        _problems[scene.session_uid] = str(problem)
        changed = str(problem) != before
    if changed:
        redraw()


def _take_marks_off() -> None:
    for scene in bpy.data.scenes:
        variant = settings.active_variant(scene)
        if variant is not None and not marks_hold(scene):
            mark_collisions(scene, variant)


@persistent
def _after_opening(_path: str) -> None:
    answers.forget()


@persistent
def _after_undo(_scene: bpy.types.Scene, _depsgraph: Any = None) -> None:
    bridge.forget_marks([*bpy.data.objects, *bpy.data.meshes])


def redraw() -> None:
    """Have all 3D views and their panels drawn again."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


def _handlers() -> list[tuple[list[Any], Callable[..., None]]]:
    on = bpy.app.handlers
    return [
        (on.depsgraph_update_post, _after_update),
        (on.load_post, _after_opening),
        (on.undo_post, _after_undo),
        (on.redo_post, _after_undo),
    ]


def register() -> None:
    for handlers, handler in _handlers():
        handlers.append(handler)


def unregister() -> None:
    for handlers, handler in _handlers():
        handlers.remove(handler)
    if bpy.app.timers.is_registered(_take_marks_off):
        bpy.app.timers.unregister(_take_marks_off)
    answers.forget()
