"""Recognition on the example's devices, as if nobody had written their layouts."""

from __future__ import annotations

import os
from pathlib import Path

from handhold.demo.build import build
from handhold.layouts.recognition.recognise import SURE
from handhold.model import Part

from .test_real import looked_at

KEPT = (Part.SAVES, Part.STATES)


def test_without_any_layout_every_save_of_the_example_is_found(tmp_path: Path) -> None:
    """What each file is stands by hand in examples/scenario.yaml."""
    device = build(str(tmp_path)).device
    found = {}
    for volume in sorted({file.place.removesuffix(file.path) for file in device.files}):
        for path, looks in looked_at(Path(volume)).items():
            found[os.path.join(volume, path)] = looks
    for file in device.files:
        looks = found[file.place]
        kept = looks.part if looks.confidence >= SURE and looks.part in KEPT else None
        assert kept == (file.part if file.part in KEPT else None), (file.address, looks)
        if kept:
            assert looks.game == file.game, (file.address, looks)
