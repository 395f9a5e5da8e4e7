"""The interface: what is asked of a file, how often, and the answers for single cases."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.layouts.recognition.content import speaks_of_inputs, zip_members
from handhold.layouts.recognition.recognise import (
    HEAD,
    SURE,
    Looks,
    Seen,
    Surroundings,
    look_around,
    recognise,
)
from handhold.layouts.recognition.signals import signals
from handhold.model import Part
from tests.real.cartridge import make_cartridge


def at(path: str) -> Surroundings:
    here = Surroundings.top()
    for name in path.split("/") if path else ():
        here = here.into(name)
    return here


def one(path: str, size: int, head: bytes = b"\x07\x91" * 64, *others: tuple[str, int]) -> Looks:
    folder, _, name = path.rpartition("/")
    files = [Seen(name, size, 0), *(Seen(other, of, 0) for other, of in others)]
    return recognise(at(folder), files, [], lambda file: head if file.name == name else b"")[0]


def part(looks: Looks) -> Part | None:
    return looks.part if looks.confidence >= SURE else None


# ---------------------------------------------------------------------------- what is read


class Heads:
    """Counts how often each file is read."""

    def __init__(self, head: bytes = b"") -> None:
        self.head = head
        self.read: list[str] = []

    def __call__(self, file: Seen) -> bytes:
        self.read.append(file.name)
        return self.head


NAMES = st.lists(
    st.builds(
        "{}{}".format,
        st.sampled_from(["Lamplighter", "save", "state 1", "CACHEDIR", "pad", "x", "Lamplighter.sav"]),
        st.sampled_from(["", ".sav", ".bin", ".st1", ".png", ".ini", ".zip", ".TAG", ".xyz", ".bak", ".iso"]),
    ),
    unique=True,
    max_size=8,
)
FOLDERS = st.sampled_from(
    ["", "saves", "Games", "Emulation/Tinplate", "Documents/saves", "cache", "system", "00000000/4c414d50"]
)


@given(NAMES, FOLDERS, st.sampled_from([0, 64, 8192, 131072, 1 << 30]), st.binary(max_size=64))
@settings(deadline=None, max_examples=200)
def test_a_file_is_read_at_most_once_and_each_has_an_answer(
    names: list[str], folder: str, size: int, head: bytes
) -> None:
    heads = Heads(head)
    files = [Seen(name, size, 0) for name in names]
    found = recognise(at(folder), files, ["saves"], heads)
    assert len(found) == len(files)
    assert sorted(heads.read) == sorted(set(heads.read))


def test_what_place_and_ending_decide_is_not_read() -> None:
    heads = Heads()
    for folder, name in (
        ("DCIM", "1.jpg"),
        ("Emulation/Tinplate/textures/x", "1.png"),
        ("Emulation/Tinplate/saves", "Lamplighter.sav"),
        ("Emulation/Tinplate/shader cache", "1.bin"),
        ("Games/Dunlin", "Lamplighter.iso"),
        ("Games/Dunlin", "Lamplighter.bin"),
        ("somewhere", "unknown.xyz"),
    ):
        recognise(at(folder), [Seen(name, 300_000, 0)], [], heads)
    assert heads.read == []


def test_an_unreadable_head_is_no_error() -> None:
    for name in ("x.sav", "x.ini", "x.zip", "x", "x.bin"):
        for folder in ("", "saves", "config", "Games"):
            assert one(f"{folder}/{name}".lstrip("/"), 8192, b"") is not None


# ---------------------------------------------------------------------------- a tagged cache


# Source: Cache Directory Tagging Specification, version 0.6 (bford.info/cachedir): name and first 43 bytes.
TAG = b"Signature: 8a477f597d28d172789f06886806bc55"


@pytest.mark.parametrize(
    ("name", "head", "cache"),
    [
        ("CACHEDIR.TAG", TAG, True),
        ("CACHEDIR.TAG", TAG + b"\n# what wrote it\n", True),
        ("CACHEDIR.TAG", TAG[:-1], False),
        ("CACHEDIR.TAG", b" " + TAG, False),
        ("CACHEDIR.TAG", b"", False),
        ("cachedir.tag", TAG, False),  # the specification's name, in its case
    ],
)
def test_a_tag_makes_a_cache_of_everything_below(name: str, head: bytes, cache: bool) -> None:
    files = [Seen(name, len(head), 0), Seen("Lamplighter.dat", 9000, 0)]
    here = look_around(at("Tinplate"), files, ["deep"], lambda file: head if file.name == name else b"")
    looks = recognise(here, files, ["deep"], lambda file: b"\x01\x80")
    assert (part(looks[1]) is Part.CACHE) == cache
    deep = recognise(here.into("deep"), [Seen("x.dat", 9000, 0)], [], lambda file: b"\x01\x80")
    assert (part(deep[0]) is Part.CACHE) == cache


# ---------------------------------------------------------------------------- games and saves


def test_a_cartridge_is_no_save_whatever_it_is_called() -> None:
    """The cartridge is assembled by hand in tests/real; its header and sum are the published ones."""
    game = make_cartridge()
    for name in ("Lamplighter.sav", "Lamplighter.bin", "Lamplighter", "save.dat"):
        for folder in ("stuff", "Games/Fieldfare"):
            assert part(one(f"{folder}/{name}", len(game), game)) not in (Part.SAVES, Part.STATES)


def test_a_save_beside_a_game_is_found_and_the_game_left() -> None:
    files = [
        Seen("Lamplighter.bin", 32768, 0),
        Seen("Lamplighter.sav", 32768, 0),
        Seen("Lamplighter.st1", 70000, 0),
    ]
    looks = recognise(at("Games/Fieldfare"), files, [], lambda file: b"\x01\x80\xff" * 30)
    assert [part(look) for look in looks] == [Part.GAMES, Part.SAVES, Part.STATES]
    assert [look.game for look in looks[1:]] == ["Lamplighter", "Lamplighter"]


@pytest.mark.parametrize(
    ("path", "size", "others", "expected"),
    [
        ("stuff/Lamplighter.dat", 8192, (("Lamplighter.rom", 900_000),), Part.SAVES),
        ("stuff/Lamplighter.dat", 8000, (("Lamplighter.rom", 900_000),), None),
        ("stuff/Lamplighter.dat", 8192, (), None),
        ("Emulation/Kettle/nvram", 8192, (), Part.SAVES),
        ("Emulation/Kettle/other", 8000, (), None),
        ("Games/x/Lamplighter.bin", 65536, (("Lamplighter.cue", 60),), Part.GAMES),
        ("Games/x/Lamplighter", 65536, (), Part.GAMES),
        ("Emulation/Kettle/saves/Lamplighter", 7777, (), Part.SAVES),
    ],
)
def test_ambiguous_endings(
    path: str, size: int, others: tuple[tuple[str, int], ...], expected: Part | None
) -> None:
    assert part(one(path, size, b"\x07\x91" * 64, *others)) is expected


def test_reasons_speak_to_the_owner() -> None:
    looks = one("stuff/Lamplighter.sav", 8192, b"\x07\x91" * 64, ("Lamplighter.rom", 900_000))
    assert looks.reasons == (
        '".sav" is a usual ending of saves',
        "8 KiB is the size of a battery memory",
        '"Lamplighter.rom" of the same name lies beside it',
    )


@pytest.mark.parametrize(
    ("path", "game"),
    [
        ("Tinplate/saves/Lamplighter.sav", "Lamplighter"),
        ("Tinplate/saves/Lamplighter.sav.bak", "Lamplighter"),
        ("Tinplate/states/Lamplighter.st1", "Lamplighter"),
        ("Tinplate/states/Hollow Meridian 1.st", "Hollow Meridian"),
        ("Tinplate/states/Lamplighter 2.st1", "Lamplighter 2"),
        ("Download/Pedlar/Salt Road/save.sav", "Salt Road"),
        ("Tinplate/saves/slot1.sav", None),
        ("Rootcellar/00000000/4c414d50/data/slot1.sav", "4c414d50"),
        ("Tinplate/memory cards/card 1.mcr", None),
    ],
)
def test_the_game_that_a_save_belongs_to(path: str, game: str | None) -> None:
    looks = one(path, 131072)
    assert part(looks) in (Part.SAVES, Part.STATES)
    assert looks.game == game


# ---------------------------------------------------------------------------- settings


@pytest.mark.parametrize(
    ("text", "inputs"),
    [
        ("a = 96\nb = 97\nstart = 108\n", True),
        ("[pad 1]\nup = hat0\ndown = hat1\nanything = 3\n", True),
        ("input_device_id = 3\n", True),
        ('{"button_a": 1, "deadzone": 0.2}', True),
        ("# a comment about buttons\nvolume = 3\nlanguage = en\n", False),
        ("left = 10\ntop = 20\nwidth = 640\nheight = 480\n", False),
        ("games = /a/b\nbutton_style = round\nvolume = 3\n", False),
        ("[player 1]\nname = Ida\nscore = 3\n", False),
        ("", False),
        ("words and nothing else\n", False),
    ],
)
def test_input_settings_are_told_by_their_keys(text: str, inputs: bool) -> None:
    assert speaks_of_inputs(text.encode(), signals()) is inputs


@given(st.binary(max_size=400))
@settings(deadline=None)
def test_any_bytes_can_be_looked_at(head: bytes) -> None:
    assert speaks_of_inputs(head, signals()) in (True, False)
    assert all(isinstance(name, str) for name in zip_members(head))


# ---------------------------------------------------------------------------- strangers


@pytest.mark.timeout(30)
@pytest.mark.parametrize("folder", ["saves", "Games", "stuff", "Emulation/Kettle"])
def test_thousands_of_files_of_one_name_take_no_longer_each(folder: str) -> None:
    """Each with each would be a thousand million comparisons."""
    files = [Seen(f"Lamplighter.{number}", 8192, 0) for number in range(30_000)]
    files += [Seen(f"{number}.wav", 8192, 0) for number in range(30_000)]
    files.append(Seen("Lamplighter.sav", 8192, 0))
    found = recognise(at(folder), files, [], lambda file: b"")
    assert part(found[-1]) is Part.SAVES


@pytest.mark.timeout(30)
@pytest.mark.parametrize(
    "piece",
    [" ", "a", "[", "<", '"', "=", "a=", "[ ", '"a":', "a.", "\t", "<a>", "x y ", "\n", "é", "PK\x03\x04"],
)
def test_no_text_keeps_the_look_at_settings_busy(piece: str) -> None:
    for text in (piece * 4096, piece * 2000 + "x", "x" + piece * 2000):
        for _ in range(20):
            speaks_of_inputs(text.encode()[:HEAD], signals())
            zip_members(text.encode()[:HEAD])
