"""The table of signals: whole, and true to what others write and publish."""

from __future__ import annotations

import gzip
import io
import lzma
import sqlite3
import sys
import wave
import zipfile
from pathlib import Path

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from handhold.layouts import recognition
from handhold.layouts.recognition.content import looked_at
from handhold.layouts.recognition.endings import kind_of
from handhold.layouts.recognition.looks import HEAD
from handhold.layouts.recognition.place import is_id, meaning
from handhold.layouts.recognition.signals import signals
from handhold.model import Part

TABLE = Path(recognition.__path__[0]) / "signals.yaml"


def test_every_place_that_a_folder_can_mean_has_its_rules() -> None:
    known = signals()
    raw = TABLE.read_text("utf-8")
    meant = {line.split("means:")[1].split("#")[0].strip() for line in raw.splitlines() if "- means:" in line}
    assert meant - {"shelf", "plumbing"} <= set(known.places)
    assert {"nowhere", "maybe-saves", "maybe-states"} <= set(known.places)


def test_each_size_and_each_signature_says_where_it_is_from() -> None:
    """Every group of sizes or first bytes stands below a source, or below the words that there is none."""
    raw = TABLE.read_text("utf-8")
    above = ""
    for line in raw.splitlines():
        text = line.strip()
        if text.startswith("#"):
            above = text
        elif text.startswith(("- {what:", "cartridge:", "cache_tag:", "clock_tail:")):
            assert (
                "Source: " in above or "Common practice, no source" in above or "(common practice" in above
            ), line


def _sqlite() -> bytes:
    memory = sqlite3.connect(":memory:")
    memory.execute("create table t (x)")
    data = memory.serialize()
    memory.close()
    return data


def _wave() -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as sound:
        sound.setnchannels(1)
        sound.setsampwidth(2)
        sound.setframerate(8000)
        sound.writeframes(bytes(64))
    return out.getvalue()


def _zip(*names: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name in names:
            archive.writestr(name, b"x" * 20)
    return out.getvalue()


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("packed", gzip.compress(b"x" * 100)),
        ("packed", zstandard.compress(b"x" * 100)),
        ("packed", lzma.compress(b"x" * 100)),
        ("archive", _zip("a.txt")),
        ("archive", _zip()),
        ("database", _sqlite()),
        ("audio", _wave()),
        ("program", Path(sys.executable).resolve().read_bytes()[:HEAD]),
        ("text", "月のうさぎ = 3\n".encode()),
        ("text", "Größe = 3\nStil = dunkel, mit viel Text darum herum, wie es so ist\n".encode("latin-1")),
        ("blank", b"\xff" * 512),
        ("blank", bytes(512)),
        ("nothing", b""),
        ("binary", bytes(range(256))),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_first_bytes_that_others_wrote(kind: str, data: bytes) -> None:
    assert looked_at(data[:HEAD], signals()).kind == kind


@pytest.mark.parametrize(
    ("size", "what"),
    [
        # Source: Pan Docs, "The Cartridge Header", 0149 RAM size; from memory.
        (8 * 1024, "battery memory"),
        (32 * 1024, "battery memory"),
        (64 * 1024, "battery memory"),
        # Source: GBATEK, "GBA Cart Backup IDs": 512 B, 64 KiB and 1 Mbit; from memory.
        (512, "battery memory"),
        (1_000_000_000_000, None),
        ((1 << 20) // 8, "battery memory"),
        # Source: PSX-SPX, "Memory Card Data Format": 16 blocks of 8 KiB; from memory.
        (16 * 8192, "battery memory"),
        # Source: Ross Ridge, "PlayStation 2 Memory Card File System": 16384 pages of 528 bytes; from memory.
        (16384 * (512 + 16), "virtual memory card"),
        (12345, None),
    ],
)
def test_published_sizes(size: int, what: str | None) -> None:
    assert signals().sizes.get(size) == what


@pytest.mark.parametrize(
    ("name", "means"),
    [
        ("saves", "saves"),
        ("SAVE", "saves"),
        ("Save Games", "saves"),
        ("my_saves-2", "saves"),
        ("SaveStates", "states"),
        ("save-states (old)", "states"),
        ("Quick Saves", "states"),
        ("MemoryCards", "saves"),
        ("memcards2", "saves"),
        ("Spielstände", "saves"),
        ("Speicherkarten", "saves"),
        ("Sauvegardes", "saves"),
        ("États", "states"),
        ("Partidas guardadas", "saves"),
        ("Salvataggi", "saves"),
        ("Salvamentos", "saves"),
        ("セーブデータ", "saves"),
        ("ｾｰﾌﾞ", "saves"),
        ("ステートセーブ", "states"),
        ("shader cache", "cache"),
        ("ShaderCache", "cache"),
        ("Texture Packs", "textures"),
        ("controller profiles", "controls"),
        ("Tastenbelegung", "controls"),
        ("Screenshots", "pictures"),
        ("BIOS", "firmware"),
        ("ROMs", "games"),
        ("Tinplate", None),
        ("月のうさぎ工房", None),
        ("Stateside", None),
        ("Savenow", None),
        ("", None),
        ("...", None),
    ],
)
def test_names_of_folders(name: str, means: str | None) -> None:
    found = meaning(name)
    assert (found.means if found else None) == means


@given(
    st.lists(
        st.one_of(
            st.sampled_from(["Save", "states", "MEM", "card", "spielstände", "セーブ", "x", "Q"]),
            st.text(max_size=3),
            st.text("0123456789٣²１_- .", max_size=3),
        ),
        max_size=6,
    )
)
def test_the_digits_in_a_name_only_stand_between_words(pieces: list[str]) -> None:
    name = "".join(pieces)
    assert meaning(name) == signals().folders.meaning(name)


@pytest.mark.parametrize(
    ("ending", "kind"),
    [
        ("sav", "save"),
        ("srm", "save"),
        ("sav1", "save"),
        ("sav (1)", "save"),
        ("sav - copy", "save"),
        ("state", "state"),
        ("state12", "state"),
        ("st1", "state"),
        ("ss0", "state"),
        ("st", "state"),
        ("mp3", "audio"),
        ("m4v", "video"),
        ("bin", "ambiguous"),
        ("", "ambiguous"),
        ("st12345", "unknown"),
        ("d64", "unknown"),
        ("xyz", "unknown"),
    ],
)
def test_endings(ending: str, kind: str) -> None:
    assert kind_of(ending) == kind


def test_ids() -> None:
    assert is_id("0000000000000001") and is_id("4c414d50") and is_id("4C414D50")
    assert not is_id("4c414d5") and not is_id("Lamplighter") and not is_id("deadbeeg") and not is_id("")


def test_parts_of_the_table_are_parts() -> None:
    parts = {row.part for rows in signals().places.values() for row in rows.values() if row is not None}
    assert parts - {None} == set(Part)
