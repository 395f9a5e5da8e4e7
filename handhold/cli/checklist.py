"""``restore --checklist FILE``: what is to be done on a handheld, written down to be ticked off."""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING

from handhold import amounts
from handhold.cli import words
from handhold.cli.sheet import (
    AFTERWARDS,
    FIRST,
    MARKER,
    Block,
    Heading,
    Item,
    Text,
    as_html,
    as_markdown,
    with_ticks,
)
from handhold.errors import OwnerError, WrongInput
from handhold.names import written

if TYPE_CHECKING:
    from collections.abc import Sequence

    from handhold.restore.checklist import Chapter, Checklist, Reason, Todo

_FORMS = {".md": as_markdown, ".html": as_html}
#: A checklist names itself within so many bytes.
_BEGINNING = 200
#: No more of an earlier checklist is looked at (characters).
_LARGEST = 1 << 20
_SHOWN = 6


class ChecklistFile:
    """A file that a checklist is written to, looked at before anything is done.

    Raises ``WrongInput`` where the ending says no form, the folder is not there, or something stands there
    that is no checklist of handhold's.
    """

    def __init__(self, path: str) -> None:
        self._path = os.path.abspath(os.path.expanduser(path))
        self._shown = written(path)
        self._form = _FORMS.get(os.path.splitext(self._path)[1].lower())
        if self._form is None:
            raise WrongInput(
                f"--checklist {self._shown}: its ending does not say how it is to be written.",
                "End it with .md for Markdown or .html for a page.",
            )
        folder = os.path.dirname(self._path)
        if not os.path.isdir(folder):
            raise WrongInput(f"--checklist {self._shown}: the folder {written(folder)} does not exist.")
        self._check()

    def _check(self) -> None:
        try:
            told = os.lstat(self._path)
        except OSError:
            return
        own = False
        if stat.S_ISREG(told.st_mode):
            try:
                with open(self._path, "rb") as file:
                    own = MARKER.encode() in file.read(_BEGINNING).splitlines()[:2]
            except OSError:
                pass
        if not own:
            raise WrongInput(
                f"--checklist {self._shown}: something stands there that is no checklist of handhold's.",
                "It is left as it is; choose another name.",
            )

    def _before(self) -> str:
        """The checklist that stands there, if it is one of the same work."""
        try:
            with open(self._path, encoding="utf-8", errors="replace", newline="") as file:
                return file.read(_LARGEST).replace("\r\n", "\n").replace("- [X] ", "- [x] ")
        except OSError:
            return ""

    def write(self, checklist: Checklist, now: datetime) -> None:
        """Writes it under another name first, so that the file is at any time the old one or the new one.

        What the owner ticked in the Markdown that stands there stays ticked.
        """
        assert self._form is not None
        text = self._form(title(checklist), list(blocks(checklist, now)))
        self._check()
        if self._form is as_markdown:
            text = with_ticks(text, self._before())
        temporary = f"{os.path.dirname(self._path)}/.handhold-{secrets.token_hex(6)}.part"
        try:
            try:
                with open(temporary, "x", encoding="utf-8", newline="\n") as file:
                    file.write(text)
                    file.flush()
                    os.fsync(file.fileno())
                os.replace(temporary, self._path)
            except BaseException:
                if os.path.lexists(temporary):
                    os.unlink(temporary)
                raise
        except OSError as error:
            raise OwnerError(
                f"The checklist could not be written to {self._shown}: {error.strerror or error}.",
                "Nothing else was changed by this; choose another place and run it again.",
            ) from error


def title(checklist: Checklist) -> str:
    """What stands at its head."""
    if checklist.moving:
        return f"From {checklist.source} to {checklist.device}"
    if not checklist.snapshot:
        return f"The newest of all devices to {checklist.device}"
    return f"Putting back onto {checklist.device}"


def blocks(checklist: Checklist, now: datetime) -> Iterator[Block]:
    """The checklist as headings, texts and items. Pure; times are shown in the offset of ``now``."""
    what = "What was done" if checklist.applied else "The plan"
    of = f"of the snapshot {checklist.snapshot}" if checklist.snapshot else "of the newest save of each game"
    yield Text(f"{what}, {words.moment(now)}, {of}.")
    yield Text(_sums(checklist))
    if checklist.unread_lists:
        lists = words.amount(checklist.unread_lists, "list")
        yield Text(f"{lists} of files in the archive cannot be read; what is named there is missing below.")
    for chapter in checklist.chapters:
        yield from _chapter(chapter, checklist.applied, now)
    if checklist.gaps:
        yield Heading("Not in the snapshot", 2)
        yield from _told(checklist.gaps)


def _sums(checklist: Checklist) -> str:
    chapters = checklist.chapters
    new = sum(came.files for one in chapters for came in one.came if not came.done or checklist.applied)
    pieces = [
        (new, "come along" if not checklist.applied else "on the device"),
        (
            0 if checklist.applied else sum(c.files for one in chapters for c in one.came if c.done),
            "there already",
        ),
        (sum(reason.files for one in chapters for reason in one.beside), "beside what stands there"),
        (
            sum(reason.files for one in chapters for reason in one.stayed),
            "not brought: newer here, or unsure",
        ),
        (sum(reason.files for one in chapters for reason in one.held_back), "held back"),
        (
            sum(r.files for one in chapters for r in one.left) + len(checklist.gaps),
            "did not come along" if checklist.applied else "cannot come along yet",
        ),
    ]
    told = [f"{words.amount(count, 'file')} {text}" for count, text in pieces if count]
    waiting = [one.title for one in chapters if not one.done]
    if waiting and checklist.applied:
        told.append(f"something is missing of {words.listed(waiting, 12)}")
    return ("; ".join(told) or "There is nothing to bring") + "."


def _chapter(chapter: Chapter, applied: bool, now: datetime) -> Iterator[Block]:
    yield Heading(chapter.title, 2)
    if chapter.before:
        yield Heading(FIRST, 3)
        yield from _todos(chapter.before)
    if chapter.came or chapter.beside:
        yield Heading("Came along" if applied else "Comes along", 3)
    for came in chapter.came:
        size = amounts.size(came.bytes)
        there = " (there already)" if came.done and not applied else ""
        named = words.listed(list(came.titles), _SHOWN)
        yield Item(
            f"{came.part.value}: {words.amount(came.files, 'file')}, {size}{there}: {named}", came.done
        )
    if chapter.newest is not None:
        newest = chapter.newest
        yield Text(
            f"Newest progress in it: {newest.title} ({newest.part.value}), "
            f"{words.when(newest.modified, now)}."
        )
    for reason in chapter.beside:
        yield Item(_reason(reason), applied)
    for heading, reasons in (
        ("Stayed, newer here or unsure" if applied else "Stays, newer here or unsure", chapter.stayed),
        ("Held back", chapter.held_back),
        ("Did not come along" if applied else "Does not come along", chapter.left),
    ):
        if reasons:
            yield Heading(heading, 3)
            yield from _told(reasons)
    if chapter.after:
        yield Heading(AFTERWARDS, 3)
        yield from _todos(chapter.after)


def _todos(todos: Sequence[Todo]) -> Iterator[Block]:
    for todo in todos:
        yield Item(todo.what, todo.done)


def _told(reasons: Sequence[Reason]) -> Iterator[Block]:
    for reason in reasons:
        yield Item(_reason(reason), None)


def _reason(reason: Reason) -> str:
    named = words.listed(list(reason.titles), _SHOWN)
    if reason.part is None:
        return f"{named}: {reason.why}"
    return f"{reason.part.value}, {words.amount(reason.files, 'file')} ({named}): {reason.why}"
