"""Zips as different programs write them: Python's library, ``zip``, Java's library, ``bsdtar``.

Each writer gets the members and one time for all of them, as an export does that stamps every member anew.
"""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import zipfile
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import pytest

Members = Mapping[str, bytes]
Writer = Callable[[Path, Members, datetime], None]


class Pipe(io.RawIOBase):
    """A stream that cannot go back, so that the sizes follow behind each member."""

    def __init__(self, stream: io.BufferedWriter) -> None:
        self._stream = stream

    def writable(self) -> bool:
        return True

    def write(self, data: object, /) -> int:
        return self._stream.write(data)  # type: ignore[arg-type]


def python(
    path: Path, members: Members, stamp: datetime, method: int = zipfile.ZIP_DEFLATED, wide: bool = False
) -> None:
    with zipfile.ZipFile(path, "w") as made:
        _write(made, members, stamp, method, wide)


def python_stored(path: Path, members: Members, stamp: datetime) -> None:
    python(path, members, stamp, zipfile.ZIP_STORED)


def python_zip64(path: Path, members: Members, stamp: datetime) -> None:
    python(path, members, stamp, wide=True)


def python_streamed(path: Path, members: Members, stamp: datetime) -> None:
    with path.open("wb") as stream, zipfile.ZipFile(Pipe(stream), "w") as made:
        _write(made, members, stamp, zipfile.ZIP_DEFLATED, False)


def python_streamed_zip64(path: Path, members: Members, stamp: datetime) -> None:
    with path.open("wb") as stream, zipfile.ZipFile(Pipe(stream), "w") as made:
        _write(made, members, stamp, zipfile.ZIP_STORED, True)


def _write(made: zipfile.ZipFile, members: Members, stamp: datetime, method: int, wide: bool) -> None:
    for name, content in members.items():
        info = zipfile.ZipInfo(name, stamp.timetuple()[:6])
        info.compress_type = method
        with made.open(info, "w", force_zip64=wide) as stream:
            stream.write(content)


def zip_program(path: Path, members: Members, stamp: datetime) -> None:
    _zip(members, stamp, "-q", "-r", "-X", str(path), ".")


def zip_program_with_times(path: Path, members: Members, stamp: datetime) -> None:
    _zip(members, stamp, "-q", "-r", "-0", str(path), ".")


def zip_program_zip64(path: Path, members: Members, stamp: datetime) -> None:
    _zip(members, stamp, "-q", "-r", "-fz", str(path), ".")


def zip_program_streamed(path: Path, members: Members, stamp: datetime) -> None:
    path.write_bytes(_zip(members, stamp, "-q", "-r", "-", ".").stdout)


def _zip(members: Members, stamp: datetime, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    program = shutil.which("zip")
    if program is None:
        pytest.skip("the zip program is not there")
    folder = _laid_out(members, stamp)
    try:
        return subprocess.run([program, *arguments], cwd=folder, capture_output=True, check=True)
    finally:
        shutil.rmtree(folder)


def _laid_out(members: Members, stamp: datetime) -> str:
    """A folder with the members as files, all of one time."""
    folder = mkdtemp()
    for name, content in members.items():
        file = Path(folder, name)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
        os.utime(file, (stamp.timestamp(), stamp.timestamp()))
    return folder


def bsdtar(path: Path, members: Members, stamp: datetime) -> None:
    _bsdtar(path, members, stamp)


def bsdtar_stored(path: Path, members: Members, stamp: datetime) -> None:
    _bsdtar(path, members, stamp, "--options", "zip:compression=store")


def _bsdtar(path: Path, members: Members, stamp: datetime, *options: str) -> None:
    program = shutil.which("bsdtar")
    if program is None:
        pytest.skip("bsdtar is not there")
    folder = _laid_out(members, stamp)
    try:
        command = [
            program,
            "--format",
            "zip",
            *options,
            "-cf",
            str(path),
            "-C",
            folder,
            *sorted(os.listdir(folder)),
        ]
        locale = dict(os.environ, LC_ALL="C.UTF-8")
        subprocess.run(command, env=locale, capture_output=True, check=True)
    finally:
        shutil.rmtree(folder)


def java(path: Path, members: Members, stamp: datetime) -> None:
    _java(path, members, stamp, "deflated")


def java_stored(path: Path, members: Members, stamp: datetime) -> None:
    _java(path, members, stamp, "stored")


def _java(path: Path, members: Members, stamp: datetime, how: str) -> None:
    program = _java_program()
    if program is None:
        pytest.skip("Java is not there")
    folder = Path(mkdtemp())
    try:
        lines = []
        for number, (name, content) in enumerate(members.items()):
            (folder / str(number)).write_bytes(content)
            lines.append(f"{name}\t{folder / str(number)}")
        (folder / "list").write_text("\n".join(lines), "utf-8")
        time = str(int(stamp.timestamp() * 1000))
        subprocess.run(
            [
                "java",
                "-XX:+UseSerialGC",
                "-cp",
                program,
                "Export",
                str(path),
                how,
                time,
                str(folder / "list"),
            ],
            capture_output=True,
            check=True,
        )
    finally:
        shutil.rmtree(folder)


@cache
def _java_program() -> str | None:
    """Where the compiled writer lies."""
    if shutil.which("javac") is None or shutil.which("java") is None:
        return None
    folder = mkdtemp(prefix="handhold-java-")
    source = Path(__file__).with_name("Export.java")
    subprocess.run(
        ["javac", "-encoding", "UTF-8", "-d", folder, str(source)], capture_output=True, check=True
    )
    return folder


WRITERS: dict[str, Writer] = {
    "python": python,
    "python stored": python_stored,
    "python zip64": python_zip64,
    "python streamed": python_streamed,
    "python streamed zip64": python_streamed_zip64,
    "zip": zip_program,
    "zip with times": zip_program_with_times,
    "zip zip64": zip_program_zip64,
    "zip streamed": zip_program_streamed,
    "bsdtar": bsdtar,
    "bsdtar stored": bsdtar_stored,
    "java": java,
    "java stored": java_stored,
}

EVENING = datetime(2031, 4, 5, 21, 30, 8, tzinfo=UTC)


def sound(path: Path) -> bool:
    """What ``unzip -t`` says of a zip."""
    if shutil.which("unzip") is None:
        pytest.skip("the unzip program is not there")
    return subprocess.run(["unzip", "-tqq", str(path)], capture_output=True, check=False).returncode == 0
