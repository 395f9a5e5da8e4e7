"""The lines that have a snapshot taken every night, for cron and for systemd. Pure."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

#: When the night's snapshot is taken: (hour, minute). Late enough that nobody plays.
AT = (3, 30)


def cron_line(command: Sequence[str]) -> str:
    """A line for ``crontab -e``.

    Source: POSIX.1-2017, crontab: five fields, then a command for sh; a percent sign needs a backslash

    >>> cron_line(["/opt/my tools/handhold", "snapshot", "--nightly"])
    "30 3 * * *  '/opt/my tools/handhold' snapshot --nightly"
    """
    hour, minute = AT
    return f"{minute} {hour} * * *  {shlex.join(command)}".replace("%", "\\%")


def units(command: Sequence[str]) -> dict[str, str]:
    """The two files for ``~/.config/systemd/user``, by name.

    Source: systemd.service(5), section "Command lines"; systemd.timer(5), OnCalendar and Persistent
    """
    hour, minute = AT
    service = "\n".join(
        (
            "[Unit]",
            "Description=The night's snapshot of the saves of a handheld",
            "",
            "[Service]",
            "Type=oneshot",
            f"ExecStart={_line(command)}",
            "",
        )
    )
    timer = "\n".join(
        (
            "[Unit]",
            "Description=Every night: a snapshot of the saves of a handheld",
            "",
            "[Timer]",
            f"OnCalendar=*-*-* {hour:02d}:{minute:02d}",
            "Persistent=true",
            "",
            "[Install]",
            "WantedBy=timers.target",
            "",
        )
    )
    return {"handhold.service": service, "handhold.timer": timer}


def _line(command: Sequence[str]) -> str:
    """A unit's command line. A dollar is doubled in the words, but in the program's path it is plain."""
    program, *words = map(_word, command)
    return " ".join([program, *(word.replace("$", "$$") for word in words)])


def _word(text: str) -> str:
    r"""A word of a unit's command line, but for the dollar.

    >>> _word("/opt/handhold"), _word("/my saves/50%")
    ('/opt/handhold', '"/my saves/50%%"')
    """
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    plain = all(char.isalnum() or char in "/._-+=:,@%" for char in escaped)
    return escaped if plain else f'"{escaped}"'
