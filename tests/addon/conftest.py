"""A fresh scene with the add-on switched on, and one generated scan for all tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import bpy
import pytest

from blend_samples.generate import generate
from wingfettle import addon


@pytest.fixture
def scene() -> Iterator[bpy.types.Scene]:
    """An empty scene; the add-on is registered for the length of the test."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    addon.register()
    yield bpy.context.scene
    addon.unregister()


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The fast scan of a car, wing, pose and noise other than the demo's."""
    folder = tmp_path_factory.mktemp("sample")
    generate(folder, "fast", 7)
    return folder
