"""Wingfettle inside Blender: properties, operators and panels over core."""

import bpy

from . import (
    axes,
    clearance,
    deviation,
    element,
    lift,
    overlay,
    picking,
    report,
    scan,
    sections,
    settings,
    torn,
    variants,
    wing,
)

MODULES = (settings, picking, scan, axes, torn, wing, element, sections, deviation, variants, clearance, lift, report)


def register() -> None:
    """Add all classes and properties."""
    for module in MODULES:
        for cls in module.CLASSES:
            bpy.utils.register_class(cls)
    settings.register()
    overlay.register()


def unregister() -> None:
    """Take them away again."""
    overlay.unregister()
    settings.unregister()
    for module in reversed(MODULES):
        for cls in reversed(module.CLASSES):
            bpy.utils.unregister_class(cls)
