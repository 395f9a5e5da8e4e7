"""Opening and making an archive: every wrong place gets one clear message with the right exit status."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from handhold.archive.archive import Archive, description
from handhold.archive.storage import LocalStorage
from handhold.archive.verify import verify
from handhold.errors import Damaged, NotNow, OwnerError, WrongInput
from tests.archive.fixtures import EVENING, again, files, make, night, path


def _refused(place: str) -> OwnerError:
    with pytest.raises(OwnerError) as told:
        Archive.open(LocalStorage(place))
    assert place in told.value.what
    assert told.value.advice
    return told.value


def test_it_is_made_and_opened(tmp_path: Path) -> None:
    archive = make(tmp_path)
    assert re.fullmatch(r"[0-9a-f]{32}", archive.id)
    assert sorted(files(archive)) == ["ARCHIVE.md", "archive.yaml"]
    assert again(archive).id == archive.id
    assert make(tmp_path / "..").id != archive.id


def test_it_can_be_given_an_id(tmp_path: Path) -> None:
    archive = Archive.create(LocalStorage(str(tmp_path)), lambda: EVENING, "00112233445566778899aabbccddeeff")
    assert again(archive).id == archive.id == "00112233445566778899aabbccddeeff"
    with pytest.raises(ValueError):
        Archive.create(LocalStorage(str(tmp_path)), lambda: EVENING, "short")


def test_nothing_there(tmp_path: Path) -> None:
    told = _refused(str(tmp_path / "missing"))
    assert type(told) is NotNow
    assert int(told.status) == 5
    assert not (tmp_path / "missing").exists()


@pytest.mark.parametrize("left", [[], [".hidden"], ["lost+found"]])
def test_an_empty_folder_is_a_card_that_is_out(tmp_path: Path, left: list[str]) -> None:
    for name in left:
        (tmp_path / name).mkdir()
    assert type(_refused(str(tmp_path))) is NotNow
    assert sorted(os.listdir(tmp_path)) == left


@pytest.mark.parametrize(
    "left", [["new-0123456789abcdef.part"], ["ARCHIVE.md"], ["ARCHIVE.md", "new-1.part"]]
)
def test_a_making_that_was_cut_off_is_done_again(tmp_path: Path, left: list[str]) -> None:
    for name in left:
        (tmp_path / name).write_text("half")
    told = _refused(str(tmp_path))
    assert type(told) is NotNow and "cut off" in told.what and "setup" in told.advice
    Archive.create(LocalStorage(str(tmp_path)), lambda: EVENING)
    assert verify(LocalStorage(str(tmp_path)), deep=False).ok


def test_a_file(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    told = _refused(str(tmp_path / "file"))
    assert type(told) is WrongInput
    assert told.status == 2


def test_a_plain_folder(tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").write_text("x")
    told = _refused(str(tmp_path))
    assert type(told) is WrongInput
    assert "no archive" in told.what


def test_another_format(tmp_path: Path) -> None:
    import hashlib

    make(tmp_path)
    file = tmp_path / "archive" / "archive.yaml"
    for lines in (b"format: 2\n", b'format: 2\nid: "x"\nsomething_new: [1, 2]\n'):
        file.write_bytes(lines + b'check: "%s"\n' % hashlib.sha256(lines).hexdigest().encode())
        told = _refused(str(tmp_path / "archive"))
        assert type(told) is OwnerError
        assert told.status == 1
        assert "format 2" in told.what
        assert "version" in told.advice


def test_every_flipped_byte_and_every_cut_of_the_description_is_damage(tmp_path: Path) -> None:
    make(tmp_path)
    file = tmp_path / "archive" / "archive.yaml"
    whole = file.read_bytes()
    for at in range(len(whole)):
        for bit in range(8):
            hurt = bytearray(whole)
            hurt[at] ^= 1 << bit
            file.write_bytes(bytes(hurt))
            with pytest.raises(Damaged):
                Archive.open(LocalStorage(str(tmp_path / "archive")))
    for size in range(len(whole)):
        file.write_bytes(whole[:size])
        told = _refused(str(tmp_path / "archive"))
        assert type(told) is Damaged
        assert told.status == 4
    file.write_bytes(whole)
    Archive.open(LocalStorage(str(tmp_path / "archive")))


@pytest.mark.parametrize(
    "data", [b"", b"format: 1\n", b"\xff" * 500, b"format: 1\n" * 100_000, bytes(1 << 20)]
)
def test_descriptions_that_are_none(tmp_path: Path, data: bytes) -> None:
    make(tmp_path)
    (tmp_path / "archive" / "archive.yaml").write_bytes(data)
    assert type(_refused(str(tmp_path / "archive"))) is Damaged


def test_a_description_that_is_sound_and_says_nothing(tmp_path: Path) -> None:
    import hashlib

    make(tmp_path)
    lines = b'format: 1\nid: "../../x"\n'
    data = lines + b'check: "%s"\n' % hashlib.sha256(lines).hexdigest().encode()
    (tmp_path / "archive" / "archive.yaml").write_bytes(data)
    assert type(_refused(str(tmp_path / "archive"))) is Damaged


def test_a_lost_description(tmp_path: Path) -> None:
    archive = make(tmp_path)
    night(archive, {"a": b"1"})
    os.unlink(path(archive, "archive.yaml"))
    told = _refused(path(archive))
    assert type(told) is Damaged
    assert "archive.yaml" in told.what


@pytest.mark.parametrize("make_it", [os.mkdir, os.mkfifo, lambda path: os.symlink("/etc/passwd", path)])
def test_a_description_that_is_no_file(tmp_path: Path, make_it: Callable[[str], None]) -> None:
    archive = make(tmp_path)
    os.unlink(path(archive, "archive.yaml"))
    make_it(path(archive, "archive.yaml"))
    _refused(path(archive))


def test_a_folder_that_may_not_be_read() -> None:
    import tempfile

    if os.geteuid():
        pytest.skip("needs root, to become somebody else")
    with tempfile.TemporaryDirectory() as closed:
        child = os.fork()
        if child == 0:
            status = 1
            try:
                os.setuid(65534)
                Archive.open(LocalStorage(closed))
            except OwnerError as error:
                status = 0 if "Permission denied" in error.what else 2
            finally:
                os._exit(status)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


# -- making one ------------------------------------------------------------------------------------------


def _not_made(place: Path, kind: type[OwnerError]) -> None:
    before = sorted(os.walk(place))
    with pytest.raises(kind) as told:
        Archive.create(LocalStorage(str(place)), lambda: EVENING)
    assert told.value.advice
    assert sorted(os.walk(place)) == before


def test_none_is_made_over_another_or_over_anything(tmp_path: Path) -> None:
    make(tmp_path)
    _not_made(tmp_path / "archive", WrongInput)
    _not_made(tmp_path, WrongInput)
    (tmp_path / "file").write_text("x")
    _not_made(tmp_path / "file", OwnerError)
    (tmp_path / "half" / "manifests").mkdir(parents=True)
    (tmp_path / "half" / "manifests" / "x.manifest").write_text("x")
    _not_made(tmp_path / "half", WrongInput)


def test_none_is_made_where_the_card_is_out(tmp_path: Path) -> None:
    _not_made(tmp_path / "card" / "archive", NotNow)
    assert not (tmp_path / "card").exists()


def test_one_is_made_over_what_a_cut_off_creation_left(tmp_path: Path) -> None:
    (tmp_path / "archive").mkdir()
    (tmp_path / "archive" / "ARCHIVE.md").write_text("half")
    (tmp_path / "archive" / "new-0011.part").write_text("half")
    archive = make(tmp_path)
    assert again(archive).id == archive.id
    assert files(archive)["ARCHIVE.md"] != b"half"


def test_the_description_comes_last(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    order: list[str] = []
    rename = os.replace

    def recorded(source: str, target: str) -> None:
        order.append(os.path.basename(target))
        rename(source, target)

    monkeypatch.setattr(os, "replace", recorded)
    make(tmp_path)
    assert order == ["ARCHIVE.md", "archive.yaml"]
    assert description("0" * 32, "x", b"").startswith(b"format: 1\n")
