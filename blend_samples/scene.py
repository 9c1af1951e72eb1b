"""Makes the committed example scene: the finished demo on the fast scan, looked at from behind.

Run by `python build.py samples --blend`.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import bpy

from wingfettle import addon
from wingfettle.addon import scan, settings

from . import demo

HERE = Path(__file__).resolve().parent
SCENE = HERE / "wing_on_the_deck.blend"
SEED = 1


def main() -> None:
    """Do the job once, keep the scene and the pictures of two variants."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        demo.run(out, "fast", SEED, width=960)
        addon.register()
        for variant in bpy.context.scene.wingfettle.variants:
            variant.picture = ""
        # The scans as imported would double the file.
        for original in list(bpy.data.collections[scan.ORIGINALS].objects):
            settings.remove_object(original)
        bpy.ops.wm.save_as_mainfile(filepath=str(SCENE), compress=True)
        addon.unregister()
        (HERE / "pictures").mkdir(exist_ok=True)
        for number, name in ((1, "as_found"), (4, "wide_low")):
            (HERE / "pictures" / f"{name}.png").write_bytes((out / f"variant-{number}.png").read_bytes())
    print(SCENE)


if __name__ == "__main__":
    main()
