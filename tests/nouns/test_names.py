"""Names in written form: any run of bytes comes back, and what is written is one line of valid text."""

from __future__ import annotations

import os

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handhold.names import native, trouble_with, written

NAMES = st.binary(min_size=1, max_size=40).filter(lambda raw: b"\0" not in raw and b"/" not in raw)


@given(NAMES)
def test_any_bytes_come_back(raw: bytes) -> None:
    text = written(raw.decode("utf-8", "surrogateescape"))
    text.encode("utf-8")  # text that any file can hold
    assert len(text.splitlines()) <= 1 or not any(c < 0x20 for c in text.encode())
    assert native(text).encode("utf-8", "surrogateescape") == raw


# Source: PEP 383, Non-decodable Bytes in System Character Interfaces (byte 0xE9 stands as U+DCE9)
@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"Salt Road.sav", "Salt Road.sav"),
        ("Canción.sav".encode(), "Canción.sav"),
        (b"caf\xe9.sav", "caf\\xe9.sav"),
        (b"a\\b", "a\\\\b"),
        (b"two\nlines\x7f", "two\\x0alines\\x7f"),
        (b"\\x0a", "\\\\x0a"),
    ],
)
def test_worked_examples(raw: bytes, text: str) -> None:
    assert written(raw.decode("utf-8", "surrogateescape")) == text
    assert native(text).encode("utf-8", "surrogateescape") == raw


@pytest.mark.parametrize("text", ["\\x41", "\\xc3\\xa9", "a\\", "\\xE9", "\\q", "\\x00a\\"])
def test_what_no_name_is_written_as(text: str) -> None:
    with pytest.raises(ValueError, match="written form"):
        native(text)


@pytest.mark.parametrize(
    "path",
    [
        "", "/a", "a//b", "a/", ".", "..", "a/..", "../a", "a/./b", "a\0b", "a\\x00b", "a\nb", "a\x7f",
        "x" * 256, "é" * 128, "/".join(["abcdefgh"] * 500), "\\x41", "\udce9",
    ],
)  # fmt: skip
def test_paths_that_are_not_believed(path: str) -> None:
    assert trouble_with(path)


@given(st.lists(NAMES, min_size=1, max_size=6))
def test_real_paths_are_believed(parts: list[bytes]) -> None:
    names = [part for part in parts if part not in (b".", b"..")]
    path = written(b"/".join(names).decode("utf-8", "surrogateescape"))
    assert not path or trouble_with(path) is None


def test_names_on_a_real_disk(tmp_path: os.PathLike[str]) -> None:
    """The operating system gives a name back as it was made from its written form."""
    for text in ("caf\\xe9", "two\\x0alines", "back\\\\slash", "月のうさぎ", "e\u0301"):
        place = os.path.join(tmp_path, native(text))
        with open(place, "wb"):
            pass
    assert {written(name) for name in os.listdir(tmp_path)} == {
        "caf\\xe9", "two\\x0alines", "back\\\\slash", "月のうさぎ", "e\u0301",
    }  # fmt: skip
