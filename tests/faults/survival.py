"""What must hold of an archive after anything went wrong: nothing lost, nothing to clear away by hand.

>>> before = known(world.archive)                                  # doctest: +SKIP
>>> recording = record(lambda: world.run("snapshot").status, {"archive": world.archive})
>>> after = known(world.archive)
>>> for state in states(recording, most=50):
...     state.lay_out(folder)
...     check(folder / "archive", before, after)
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Collection, Iterator
from contextlib import contextmanager
from pathlib import Path

from handhold.archive.archive import Archive
from handhold.archive.storage import LocalStorage, is_temporary
from handhold.archive.verify import verify
from handhold.errors import OwnerError
from tests.archive.fixtures import night

#: What the snapshots of an archive hold: name -> (emulator, home, path) -> content.
Known = dict[str, dict[tuple[str, str, str], bytes]]
#: A save that the next night keeps.
NEXT = b"the next evening's progress"


def opened(folder: str | os.PathLike[str]) -> Archive:
    """The archive in a folder."""
    return Archive.open(LocalStorage(os.fspath(folder)))


def known(folder: str | os.PathLike[str]) -> Known:
    """Every snapshot of an archive, of every kind, with everything that it gives back."""
    archive = opened(folder)
    found = {one.name: _contents(archive, one.name) for one in archive.snapshots()}
    assert not archive.unreadable, archive.unreadable
    return found


def _contents(archive: Archive, name: str) -> dict[tuple[str, str, str], bytes]:
    (snapshot,) = (one for one in archive.snapshots() if one.name == name)
    manifest = archive.read(snapshot)
    return {entry.key: b"".join(archive.content(entry)) for entry in archive.entries(manifest)}


def check(
    folder: str | os.PathLike[str],
    before: Known,
    after: Known | None = None,
    *,
    may_go: Collection[str] = (),
    go_on: Callable[[], object] | None = None,
) -> list[str]:
    """Asserts that the archive in this folder has lost nothing, and that the next run puts all in order.

    It opens; ``verify`` finds no damage; every snapshot of ``before`` gives back what it held (those in
    ``may_go`` may be gone, but are never half there), and so does every other one as ``after`` has it; a next
    night (``go_on``, or one of its own) works, and after that nothing that was left lies about. Returns the
    names of the snapshots that were there. Raises ``AssertionError`` that says what is lost.
    """
    found = check_whole(folder, before, after, may_go=may_go)
    if go_on is None:
        next_night(folder)
    else:
        go_on()
    check_tidy(folder)
    now = known(folder)
    for name in found:
        if name in may_go and name not in now:
            continue
        assert now.get(name) == (before.get(name) or (after or {}).get(name)), f"{name} changed afterwards"
    return found


def check_whole(
    folder: str | os.PathLike[str], before: Known, after: Known | None = None, *, may_go: Collection[str] = ()
) -> list[str]:
    """The part of ``check`` that only reads."""
    try:
        report = verify(LocalStorage(os.fspath(folder)), deep=True)
        assert report.ok, f"verify: {report.damage}"
        found = known(folder)
    except OwnerError as error:
        raise AssertionError(f"{type(error).__name__}: {error}") from error
    for name, contents in before.items():
        assert name in found or name in may_go, f"{name} is lost"
        assert name not in found or found[name] == contents, f"{name} does not give back what it held"
    for name in set(found) - set(before):
        assert after is not None and found[name] == after.get(name), f"{name} is not what was taken"
    return sorted(found)


def next_night(folder: str | os.PathLike[str]) -> None:
    """Takes a next night of one save into the archive, through a writer of its own."""
    night(opened(folder), {"saves/next.sav": NEXT}, device="afterwards")


def check_tidy(folder: str | os.PathLike[str]) -> None:
    """Asserts that an archive is whole and that nothing lies about in it that a run left."""
    report = verify(LocalStorage(os.fspath(folder)), deep=False)
    assert report.ok, report.damage
    assert not [one for one in report.notes if "takes it away" in one], report.notes
    left = temporaries(folder)
    assert not left, left


def temporaries(folder: str | os.PathLike[str]) -> list[str]:
    """The unfinished files that lie in an archive."""
    return [
        os.path.join(where, name)
        for where, _, names in os.walk(folder)
        for name in names
        if is_temporary(name)
    ]


@contextmanager
def quick_folder() -> Iterator[Path]:
    """An empty folder for states: in memory where the system offers that, for a flush costs nothing there."""
    memory = "/dev/shm"
    place = memory if os.access(memory, os.W_OK) else None
    folder = tempfile.mkdtemp(prefix="handhold-state-", dir=place)
    try:
        yield Path(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def emptied(folder: Path) -> Path:
    """The folder, with nothing in it."""
    for one in folder.iterdir():
        shutil.rmtree(one) if one.is_dir() else one.unlink()
    return folder
