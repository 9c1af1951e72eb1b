"""Pictures of the scene: everything that is changed for one is put back, whatever happens."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import bpy

from ..core.errors import InputError

SHAPE = 0.625
"""Height over width of pictures from a camera of our own."""
OFF = (
    "use_border", "use_compositing", "use_sequencer", "use_multiview", "use_motion_blur", "use_freestyle",
    "use_simplify", "use_stamp", "film_transparent",
)  # fmt: skip


class Stage:
    """What is changed for a picture."""

    def __init__(self) -> None:
        self._before: list[tuple[Any, str, Any]] = []
        self._made: list[bpy.types.ID] = []

    def set(self, *wanted: tuple[Any, str, Any]) -> None:
        """Give properties (owner, name, value) other values for now; those that this Blender lacks are passed over."""
        there = [(owner, name, value) for owner, name, value in wanted if hasattr(owner, name)]
        # All are remembered first: to set some is to change others.
        for owner, name, _ in there:
            if not any(o == owner and n == name for o, n, _ in self._before):
                self._before.append((owner, name, getattr(owner, name)))
        for owner, name, value in there:
            setattr(owner, name, value)

    def add(self, *made: bpy.types.ID) -> None:
        """Have what was made taken away again, objects with their data."""
        self._made += made

    def clear(self) -> None:
        """Put all back, in the order in which it was set: some values are allowed only after others."""
        for owner, name, value in self._before:
            setattr(owner, name, value)
        data = [o.data for o in self._made if isinstance(o, bpy.types.Object)]
        bpy.data.batch_remove([*self._made, *data])


@contextmanager
def studio(scene: bpy.types.Scene, width: int, samples: int, view: Any = None) -> Iterator[Stage]:
    """One sun and a pale sky; Cycles on the processor, so that it renders anywhere. Afterwards all is as it was.

    Args:
        scene: what is rendered.
        width: of its pictures, px.
        samples: rays a pixel.
        view: (4, 4) where a camera of our own stands; None takes the scene's where it stands, with the shape of its
            pictures.

    Raises:
        InputError: Cycles is switched off, or the scene's camera is asked for and there is none.
    """
    if not hasattr(scene, "cycles"):
        raise InputError("Pictures are rendered with Cycles; switch that add-on on in the preferences.")
    if view is None and scene.camera is None:
        raise InputError("The scene has no camera; add one, or take the view from behind.")
    stage, out = Stage(), scene.render
    try:
        _light(stage, scene)
        _settings(stage, scene, samples)
        shape = SHAPE
        if view is None:
            shape = out.resolution_y * out.pixel_aspect_y / (out.resolution_x * out.pixel_aspect_x)
        else:
            camera = bpy.data.objects.new("Wingfettle camera", bpy.data.cameras.new("Wingfettle camera"))
            stage.add(camera)
            scene.collection.objects.link(camera)
            camera.data.lens, camera.matrix_world = 45.0, view.T
            stage.set((scene, "camera", camera))
        size: dict[str, float] = {
            "resolution_x": width,
            "resolution_y": max(round(shape * width), 1),
            "resolution_percentage": 100,
        }
        size |= {"pixel_aspect_x": 1.0, "pixel_aspect_y": 1.0}
        stage.set(*((out, name, value) for name, value in size.items()))
        # Matrices of what was just linked are worked out only now.
        bpy.context.view_layer.update()
        yield stage
    finally:
        stage.clear()


def _light(stage: Stage, scene: bpy.types.Scene) -> None:
    for obj in scene.objects:
        if obj.type == "LIGHT":
            stage.set((obj, "hide_render", True))
    sun = bpy.data.objects.new("Wingfettle sun", bpy.data.lights.new("Wingfettle sun", "SUN"))
    world = bpy.data.worlds.new("Wingfettle sky")
    stage.add(sun, world)
    sun.data.energy, sun.data.angle = 2.5, 0.15
    sun.rotation_euler = (0.7, -0.5, 0.4)
    scene.collection.objects.link(sun)
    world.use_nodes = True
    sky = next(n for n in world.node_tree.nodes if n.type == "BACKGROUND")
    sky.inputs["Color"].default_value = (0.75, 0.80, 0.88, 1.0)
    sky.inputs["Strength"].default_value = 0.6
    stage.set((scene, "world", world))


def _settings(stage: Stage, scene: bpy.types.Scene, samples: int) -> None:
    """All that would make two pictures of one thing differ."""
    out, view, rays, file = scene.render, scene.view_settings, scene.cycles, scene.render.image_settings
    stage.set(
        *((out, name, False) for name in OFF),
        (out, "engine", "CYCLES"), (out, "use_persistent_data", True), (out, "use_file_extension", True),
        (out, "use_overwrite", True), (out, "filepath", ""),
        (file, "media_type", "IMAGE"), (file, "file_format", "PNG"), (file, "color_mode", "RGB"),
        (file, "color_depth", "8"), (file, "color_management", "FOLLOW_SCENE"),
        (rays, "device", "CPU"), (rays, "samples", samples), (rays, "use_denoising", True), (rays, "max_bounces", 4),
        (rays, "film_exposure", 1.0),
        (view, "view_transform", "Standard"), (view, "look", "None"), (view, "exposure", 0.0), (view, "gamma", 1.0),
        (view, "use_curve_mapping", False),
    )  # fmt: skip


def render(scene: bpy.types.Scene, path: str) -> None:
    """Render the scene as it is into a file.

    Raises:
        InputError: Blender could not render it, or not write the file.
    """
    scene.render.filepath = path
    try:
        bpy.ops.render.render(write_still=True)
    except RuntimeError as problem:
        raise InputError(f"There is no picture in {path}: {str(problem).strip()}") from problem
