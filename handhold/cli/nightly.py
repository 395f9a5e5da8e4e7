"""A run that nobody watches: quiet when all is well, one useful line when not, everything in the log."""

from __future__ import annotations

import io
import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from handhold.cli import endings, words
from handhold.cli.console import Console
from handhold.cli.line import Ended
from handhold.cli.session import Session
from handhold.errors import Exit

if TYPE_CHECKING:
    from handhold.snapshot import Result

#: Characters of the line: what a notification shows.
_LONGEST = 220


class Night:
    """What is to be told of a night; ``trouble`` is the line, empty if all is well."""

    def __init__(self) -> None:
        self.trouble = ""


@contextmanager
def unwatched(session: Session, on_trouble: str) -> Iterator[Night]:
    """What is said inside goes into the log; of what is wrong one line goes to standard error.

    ``on_trouble`` is the owner's command for that case, "" for none.
    """
    from handhold.nightly.hook import hook_words

    if on_trouble:
        hook_words(on_trouble)  # a command that cannot be run is told now, and not on the bad night
    night, heard, console = Night(), io.StringIO(), session.console
    session.console = Console(out=heard, err=heard)
    status: int = Exit.DONE
    try:
        yield night
    except Ended as ended:
        status = ended.status
        raise
    except (Exception, KeyboardInterrupt) as error:
        what, advice, status = endings.words_of(error, ())
        night.trouble = " ".join(f"{what.strip()} {advice}".split())
        heard.write(f"{what}\n{advice}\n")
        raise Ended(status) from error
    finally:
        session.console = console
        _tell(session, night, heard.getvalue(), status, on_trouble)


def _tell(session: Session, night: Night, said: str, status: int, on_trouble: str) -> None:
    from handhold.nightly.hook import run_hook
    from handhold.nightly.log import log_path, write_log

    line = words.printable(night.trouble)
    if len(line) > _LONGEST:
        line = line[: _LONGEST - 1].rstrip() + "…"
    failed = run_hook(on_trouble, line, status) if line and on_trouble else None
    if failed:
        said += f"\nThe command for trouble did not work ({failed}): {on_trouble}"
    unlogged = write_log(session.clock(), said or "nothing to say")
    if line:
        where = f"(no log: {unlogged})" if unlogged else f"({log_path()})"
        print(f"handhold: {line} {where}", file=sys.stderr)
    elif unlogged:
        print(f"handhold: the log {log_path()} cannot be written: {unlogged}", file=sys.stderr)
    if failed:
        print(f"handhold: {on_trouble}: {failed}", file=sys.stderr)


def trouble_of(result: Result, mistake: str = "") -> str:
    """What a night's owner must know, in one line; empty if all is well. ``mistake``: in a layout."""
    pieces = [mistake] if mistake else []
    if result.other:
        pieces.append(
            f"another handheld has this name too and took {result.other.name}: give one of them another "
            "name with setup"
        )
    if result.suspicious:
        first = result.suspicious[0]
        pieces.append(
            f"{words.amount(len(result.suspicious), 'save is', 'saves are')} suspicious "
            f"({first.emulator}: {first.game or first.path})"
        )
    if result.gaps:
        first_gap = result.gaps[0]
        owner = first_gap.emulator or (
            f"{first_gap.volume}:{first_gap.path}" if first_gap.path else first_gap.volume
        )
        pieces.append(
            f"{words.amount(len(result.gaps), 'thing')} could not be kept ({owner}: {first_gap.why})"
        )
    if result.left:
        pieces.append(f"no more among the volumes: {words.listed(list(result.left), 3)}")
    if result.lost or result.gone:
        names = [one.emulator for one in result.gone] or [one.game or one.path for one in result.lost]
        pieces.append(f"gone since last time: {words.listed(list(dict.fromkeys(names)), 3)}")
    if result.stale:
        stale = list(dict.fromkeys(one.emulator for one in result.stale))
        pieces.append(f"the export of {words.listed(stale, 3)} is old")
    if result.odd:
        pieces.append(f"{words.amount(len(result.odd), 'file')} not sound")
    return f"{result.snapshot.device}: {'; '.join(pieces)}" if pieces else ""


def command_of(session: Session) -> list[str]:
    """The command that takes this device's snapshot at night, as it can be called from anywhere."""
    program = os.path.abspath(sys.argv[0]) if os.path.basename(sys.argv[0]) == "handhold" else None
    found = program or shutil.which("handhold") or "handhold"
    named = session.config_named
    config = ["--config", os.path.abspath(named)] if named is not None else []
    return [found, *config, "snapshot", "--nightly"]


def show_schedule(console: Console, command: Sequence[str]) -> None:
    """Both ways to have it run every night. Lines that are to be copied stay whole."""
    from handhold.nightly.schedule import cron_line, units

    console.say("Every night with cron: add this line with crontab -e\n")
    print(cron_line(command), file=console.out)
    console.say("\nOr with systemd: put these two files into ~/.config/systemd/user")
    for name, text in units(command).items():
        console.say(f"\n# {name}")
        print(text.rstrip("\n"), file=console.out)
    console.say("\nthen run: systemctl --user enable --now handhold.timer")
    console.say(
        "\nIt says nothing when all is well, and one line when not. To be told on the screen or by mail, add "
        "--on-trouble COMMAND, or on_trouble: COMMAND to the config; the line comes as its last word."
    )
