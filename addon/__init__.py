"""Wingfettle inside Blender: properties, operators and panels over core."""

import bpy

from . import clearance, lift, report, scan, settings, variants, wing

MODULES = (settings, scan, wing, variants, clearance, lift, report)


def register() -> None:
    """Add all classes and properties."""
    for module in MODULES:
        for cls in module.CLASSES:
            bpy.utils.register_class(cls)
    settings.register()


def unregister() -> None:
    """Take them away again."""
    settings.unregister()
    for module in reversed(MODULES):
        for cls in reversed(module.CLASSES):
            bpy.utils.unregister_class(cls)
