"""The graphics card without Blender: what addon/graphics.py asks of Blender's ``gpu``, over moderngl.

For long validation runs on machines that have a card and no Blender; the shaders and all else are the add-on's own.
"""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np

ADDON = Path(__file__).resolve().parents[2] / "addon"
NEAREST = 0x2600
_FORMS = {"R32F": (1, "f4"), "RG32F": (2, "f4"), "RGBA32F": (4, "f4"), "RGBA8": (4, "f1")}


def graphics() -> ModuleType:
    """``addon/graphics.py`` on this machine's card: through Blender where that can compute, else through moderngl."""
    with contextlib.suppress(ImportError):
        import bpy  # noqa: F401  (it brings gpu)
        import gpu

        if hasattr(gpu, "init"):
            return importlib.import_module("wingfettle.addon.graphics")
    import moderngl

    context = moderngl.create_context(standalone=True, backend="egl", require=430)
    sys.modules["bpy"] = _module("bpy", app=SimpleNamespace(background=True))
    sys.modules["gpu"] = _gpu(context)
    rest = ModuleType("wingfettle.addon")
    rest.__path__ = [str(ADDON)]
    sys.modules["wingfettle.addon"] = rest
    found = importlib.util.spec_from_file_location("wingfettle.addon.graphics", ADDON / "graphics.py")
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    sys.modules[found.name] = module
    found.loader.exec_module(module)
    return module


def _module(name: str, **content: Any) -> ModuleType:
    made = ModuleType(name)
    vars(made).update(content)
    return made


def _gpu(context: Any) -> ModuleType:
    info = context.info
    largest = SimpleNamespace(
        max_texture_size_get=lambda: info["GL_MAX_TEXTURE_SIZE"],
        max_texture_layers_get=lambda: info["GL_MAX_ARRAY_TEXTURE_LAYERS"],
        max_images_get=lambda: info.get("GL_MAX_COMPUTE_IMAGE_UNIFORMS", 8),
    )

    def texture(size: tuple[int, int], layers: int = 0, format: str = "RGBA32F", data: Any = None) -> _Texture:
        return _Texture(context, size, layers, format, data)

    def dispatch(shader: _Shader, x: int, y: int, z: int) -> None:
        shader.compute.run(x, y, z)
        context.memory_barrier()

    return _module(
        "gpu",
        init=lambda: None,
        platform=SimpleNamespace(renderer_get=lambda: info["GL_RENDERER"]),
        capabilities=largest,
        types=SimpleNamespace(
            Buffer=lambda kind, count, values: np.asarray(values, np.float32),
            GPUTexture=texture,
            GPUShaderCreateInfo=_Info,
        ),
        shader=SimpleNamespace(create_from_info=lambda made: _Shader(context, made)),
        compute=SimpleNamespace(dispatch=dispatch),
    )


class _Texture:
    def __init__(self, context: Any, size: tuple[int, int], layers: int, form: str, data: Any) -> None:
        self.form, self.size, self.layers = form, size, layers
        self.components, kind = _FORMS[form]
        given = None
        if data is not None:
            given = np.asarray(data, np.float32)
            given = (given * 255.0).round().astype(np.uint8).tobytes() if kind == "f1" else given.tobytes()
        if layers:
            self.own: Any = context.texture_array((*size, layers), self.components, given, dtype=kind, alignment=1)
        else:
            self.own = context.texture(size, self.components, given, dtype=kind, alignment=1)
        self.own.filter = (NEAREST, NEAREST)

    def clear(self, format: str, value: tuple[float, ...]) -> None:
        count = self.size[0] * self.size[1] * max(1, self.layers) * self.components
        self.own.write(np.full(count, value[0], np.float32).tobytes(), alignment=1)

    def read(self) -> Any:
        found = np.frombuffer(self.own.read(alignment=1), np.float32)
        return found.reshape(self.size[1], self.size[0], self.components)


class _Info:
    def __init__(self) -> None:
        self.lines: list[str] = []
        self.slots: dict[str, int] = {}
        self.textures: dict[str, int] = {}
        self.source = ""

    def define(self, name: str, value: str) -> None:
        self.lines.append(f"#define {name} {value}")

    def image(self, slot: int, form: str, kind: str, name: str, qualifiers: set[str]) -> None:
        access = {"READ": "readonly ", "WRITE": "writeonly "}.get(next(iter(qualifiers)), "")
        access = "" if len(qualifiers) > 1 else access
        shape = "image2DArray" if kind.endswith("ARRAY") else "image2D"
        self.lines.append(f"layout(binding = {slot}, {form.lower()}) uniform restrict {access}{shape} {name};")
        self.slots[name] = slot

    def sampler(self, slot: int, kind: str, name: str) -> None:
        shape = "sampler2DArray" if kind.endswith("ARRAY") else "sampler2D"
        self.lines.append(f"layout(binding = {slot}) uniform {shape} {name};")
        self.textures[name] = slot

    def push_constant(self, kind: str, name: str) -> None:
        self.lines.append(f"uniform {kind.lower()} {name};")

    def local_group_size(self, x: int, y: int, z: int) -> None:
        self.lines.append(f"layout(local_size_x = {x}, local_size_y = {y}, local_size_z = {z}) in;")

    def compute_source(self, source: str) -> None:
        self.source = source


class _Shader:
    def __init__(self, context: Any, info: _Info) -> None:
        self.info = info
        self.compute = context.compute_shader("\n".join(["#version 430", *info.lines, info.source]))

    def bind(self) -> None:
        pass

    def image(self, name: str, texture: _Texture) -> None:
        texture.own.bind_to_image(self.info.slots[name], read=True, write=True)

    def uniform_sampler(self, name: str, texture: _Texture) -> None:
        texture.own.use(self.info.textures[name])

    def uniform_int(self, name: str, value: int) -> None:
        self.compute[name] = value

    uniform_float = uniform_int
