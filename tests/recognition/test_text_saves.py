"""Some games write their saves as text (common practice, no source): a save by its ending stays one."""

from __future__ import annotations

import pytest

from handhold.layouts.recognition.recognise import SURE, Seen, Surroundings, recognise
from handhold.model import Part


@pytest.mark.parametrize("head", [b'{"chapter": 3, "lamps": [1, 2]}', b"chapter=3\nlamps=2\n" * 200])
@pytest.mark.parametrize("name", ["Moss.sav", "Moss.srm"])
def test_a_save_in_text_is_kept_wherever_it_lies(name: str, head: bytes) -> None:
    here = Surroundings.top().into("Emu")
    (looks,) = recognise(here, [Seen(name, 5000, 0)], [], lambda _: head)
    assert looks.part is Part.SAVES
    assert looks.confidence >= SURE


def test_a_note_is_none() -> None:
    (looks,) = recognise(
        Surroundings.top().into("Emu"), [Seen("Moss.txt", 5000, 0)], [], lambda _: b"to buy: lamps\n"
    )
    assert looks.part not in (Part.SAVES, Part.STATES)
