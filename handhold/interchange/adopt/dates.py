"""Of what day an old backup is: as its owner says, by its name, or by the newest save in it. Pure."""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from typing import NamedTuple

from handhold.errors import WrongInput
from handhold.model import EARLIEST, NS

# Year, month and day in this order, as ISO 8601 has it, with or without a sign between them.
_DATE = re.compile(r"(?<!\d)((?:19|20)\d\d)([-_. ]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])(?!\d)")
#: What owners write around the name of what they copied (common practice, no source).
_WORDS = frozenset(("backup", "backups", "bak", "copy", "copies", "old", "my", "of", "from", "the", "folder"))


class Dated(NamedTuple):
    """When a backup was made, and how that is known, in words that fit behind it.

    It is not ``sure`` where files alone tell: a copy may have set their times to its own.
    """

    taken: datetime
    why: str
    sure: bool = True


def dated(given: str | None, name: str, newest: int | None, now: datetime) -> Dated:
    """The time of a backup of that name, whose newest save has the time ``newest`` (nanoseconds).

    The hour, which only a save can tell, is noon where none of that day does. Raises ``WrongInput`` for what
    is no date, lies in the future, or cannot be told.
    """
    saved = _moment(newest, now)
    if given is not None:
        moment = _given(given, now)
        return Dated(moment if isinstance(moment, datetime) else _hour(moment, saved, now), "as you said")
    for found in _DATE.finditer(name):
        try:
            day = date(int(found[1]), int(found[3]), int(found[4]))
        except ValueError:
            continue
        if day <= now.date():
            return Dated(_hour(day, saved, now), "the date in its name")
    if saved is not None:
        return Dated(saved, "the time of its newest save", sure=False)
    raise WrongInput(
        f'Of what day "{name}" is cannot be told: neither its name nor its saves say so.',
        "Say it: handhold adopt --date YEAR-MONTH-DAY …",
    )


def plain_name(name: str) -> str:
    """What a backup is named after: its name without dates and without the words for a copy.

    >>> plain_name("Tinplate backup 2021-05-03"), plain_name("2021_05_03"), plain_name("old Moss-Engine")
    ('Tinplate', '', 'Moss-Engine')
    """
    words = re.split(r"[\s_,()]+", _DATE.sub(" ", name))
    return " ".join(word for word in words if word.casefold() not in _WORDS).strip(" -.")


def _moment(newest: int | None, now: datetime) -> datetime | None:
    """The time of the newest save, if its clock can be believed."""
    if newest is None:
        return None
    try:
        moment = datetime.fromtimestamp(newest // NS, now.tzinfo)
    except (OverflowError, ValueError, OSError):
        return None
    return moment if EARLIEST <= moment <= now else None


def _hour(day: date, saved: datetime | None, now: datetime) -> datetime:
    if saved is not None and saved.date() == day:
        return saved
    noon = datetime.combine(day, time(12), now.tzinfo)
    return min(noon, now.replace(microsecond=0))


def _given(text: str, now: datetime) -> datetime | date:
    try:
        # Source: RFC 3339, section 5.6 (full-date, date-time); a time without offset is the owner's
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise WrongInput(f'"{text}" is no date.', "Write it as YEAR-MONTH-DAY, as 2021-05-03.") from None
    only_day = len(text) <= len("2021-05-03")
    moment = moment if moment.tzinfo else moment.replace(tzinfo=now.tzinfo)
    if moment > now or moment < EARLIEST - timedelta(days=7305):
        raise WrongInput(f"{text} cannot be the day of a backup.", "Name the day on which it was made.")
    return moment.date() if only_day else moment
