"""Where the patterns and the example scenario lie: inside the wheel, or at the top of a checkout."""

from __future__ import annotations

from pathlib import Path

_HERE = Path(__file__).resolve().parent


def _find(inside: str, beside: str) -> Path:
    packed = _HERE / inside
    return packed if packed.is_dir() else _HERE.parent / beside


def patterns_folder() -> Path:
    """The folder with the layout patterns that come with handhold."""
    return _find("_layouts", "layouts")


def examples_folder() -> Path:
    """The folder with the example scenario."""
    return _find("_examples", "examples")
