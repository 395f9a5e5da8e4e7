"""What the rooms below make of the example, against what its scenario says by hand of each file."""

from __future__ import annotations

import os
import pickle
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from handhold.demo.build import Built, BuiltDevice, BuiltFile, build, second_device
from handhold.device.claims import Walk
from handhold.device.recognising import is_found
from handhold.device.volumes import open_device
from handhold.device.walk import walk
from handhold.layouts.catalogue import Catalogue, read_catalogue
from handhold.layouts.layout import Layout
from handhold.model import HomeKind, Part
from handhold.resources import examples_folder

NOBODY = 65534


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return read_catalogue([examples_folder() / "layouts"])


@pytest.fixture(scope="module")
def built() -> Iterator[Built]:
    # Not pytest's own folder: another user must be able to come here.
    folder = tempfile.mkdtemp(prefix="handhold-example-")
    os.chmod(folder, 0o755)
    yield build(folder)
    for place, folders, _ in os.walk(folder):
        for name in folders:
            os.chmod(os.path.join(place, name), 0o755)
    shutil.rmtree(folder)


def looked_at(device: BuiltDevice, catalogue: Catalogue) -> Walk:
    return walk(open_device(device.name, device.volumes), list(catalogue.layouts.values()), recognise=True)


def expected(device: BuiltDevice, readable: bool) -> dict[str, tuple[str | None, Part, str | None]]:
    return {
        f.address: (f.emulator, f.part, f.game)
        for f in device.files
        if f.part is not None and (readable or not f.unreadable)
    }


def claimed(walked: Walk) -> dict[str, tuple[str | None, Part, str | None]]:
    """Whose each file is, None where no layout says so, its part and its game."""
    return {
        f"{c.site.volume}:{c.volume_path}": (
            None if is_found(c.site.home) else c.site.emulator,
            c.part,
            c.game,
        )
        for c in walked.claims
    }


def own_layouts(catalogue: Catalogue) -> dict[str, Layout]:
    named = {file.stem for file in (examples_folder() / "layouts").glob("*.yaml")}
    return {name: layout for name, layout in catalogue.layouts.items() if name in named}


def test_every_pattern_has_an_emulator(catalogue: Catalogue) -> None:
    own = own_layouts(catalogue)
    assert len(own) >= 12
    assert all(layout.like for layout in own.values()), "each is a few lines on top of a pattern"
    assert {pattern for layout in own.values() for pattern in layout.like} >= set(catalogue.patterns)


def test_every_layout_has_files(built: Built, catalogue: Catalogue) -> None:
    assert {f.emulator for f in built.device.files} - {None} == set(own_layouts(catalogue))
    assert {t.emulator for t in built.scenario.trees} - {None} == set(own_layouts(catalogue))


def test_all_kinds_of_homes(catalogue: Catalogue) -> None:
    kinds = {home.kind for layout in own_layouts(catalogue).values() for home in layout.homes if home.at}
    assert kinds == set(HomeKind)


def test_each_file_of_the_first_device(built: Built, catalogue: Catalogue) -> None:
    walked = looked_at(built.device, catalogue)
    assert claimed(walked) == expected(built.device, readable=os.geteuid() == 0)
    assert len(walked.claims) == len(claimed(walked))
    _the_rest_is_told(walked, built.device.files)


def test_each_file_of_the_second_device(built: Built, catalogue: Catalogue) -> None:
    second = second_device(built).device
    walked = looked_at(second, catalogue)
    assert claimed(walked) == expected(second, readable=True)
    _the_rest_is_told(walked, second.files)


def test_private_storage_is_a_gap_for_other_users(built: Built, catalogue: Catalogue) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root can look as another user; as another user the other tests cover it")
    claims, gaps, blocked = as_nobody(lambda: _what_nobody_sees(built.device, catalogue))
    assert claims == expected(built.device, readable=False)
    assert blocked == {"burrow": HomeKind.PRIVATE}
    assert [(g.emulator, g.volume) for g in gaps] == [("burrow", "internal")]
    assert gaps[0].path.startswith("Android/data/com.example.burrow")
    assert gaps[0].advice


def _what_nobody_sees(device: BuiltDevice, catalogue: Catalogue) -> tuple[Any, ...]:
    walked = looked_at(device, catalogue)
    return claimed(walked), walked.gaps, dict(walked.blocked)


def _the_rest_is_told(walked: Walk, files: tuple[BuiltFile, ...]) -> None:
    """What a layout leaves out is counted; what nobody claims lies in a place that is told, and only that."""
    left_out = Counter(f.emulator for f in files if f.part is None and f.emulator is not None)
    assert {name: skipped.files for name, skipped in walked.skipped.items() if skipped.files} == left_out
    unclaimed: Counter[tuple[str, str]] = Counter()
    for file in files:
        if file.emulator is None and file.part is None:
            (holder,) = (
                (u.volume, u.path)
                for u in walked.unclaimed
                if u.volume == file.volume and f"{file.path}/".startswith(f"{u.path}/" if u.path else "")
            )
            unclaimed[holder] += 1
    assert {(u.volume, u.path): u.files for u in walked.unclaimed} == unclaimed


def as_nobody(work: Callable[[], Any]) -> Any:
    """The result of some work that a user without rights does, in a process of its own."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        status = 1
        try:
            os.close(reading)
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
            data = pickle.dumps(work())
            with os.fdopen(writing, "wb") as file:
                file.write(data)
            status = 0
        except BaseException as error:
            print(f"as nobody: {error!r}", file=sys.stderr)
        finally:
            os._exit(status)
    os.close(writing)
    with os.fdopen(reading, "rb") as file:
        data = file.read()
    _, status = os.waitpid(child, 0)
    assert status == 0, "the process of the other user failed"
    return pickle.loads(data)
