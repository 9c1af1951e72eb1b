"""Wingfettle inside Blender: properties, operators and panels over core."""

import bpy

from . import (
    axes,
    clearance,
    deviation,
    element,
    flow,
    flow_queue,
    lid,
    lift,
    live,
    outline,
    overlay,
    picking,
    report,
    room,
    scan,
    sections,
    settings,
    sight,
    torn,
    variants,
    wing,
    zones,
)

MODULES = (
    *(settings, picking, scan, axes, torn, wing, element, sections, deviation, variants),
    *(zones, clearance, lid, room, sight, outline, lift, flow, flow_queue, report),
)


def register() -> None:
    """Add all classes and properties."""
    for module in MODULES:
        for cls in module.CLASSES:
            bpy.utils.register_class(cls)
    settings.register()
    live.register()
    flow.register()
    flow_queue.register()
    overlay.register()


def unregister() -> None:
    """Take them away again."""
    overlay.unregister()
    flow_queue.unregister()
    flow.unregister()
    live.unregister()
    settings.unregister()
    for module in reversed(MODULES):
        for cls in reversed(module.CLASSES):
            bpy.utils.unregister_class(cls)
