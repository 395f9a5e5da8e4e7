"""The owner's time zone: as named, else as this machine has it."""

from __future__ import annotations

import os
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from handhold.errors import WrongInput

_LOCAL = "/etc/localtime"
_FOLDER = "/zoneinfo/"


def owner_zone(name: str | None, now: datetime) -> tzinfo:
    """The zone of that name, like ``Europe/Rome``; without one the zone of ``TZ``, or of this machine.

    Where the machine has none, its offset at this moment, ``now``. Raises ``WrongInput`` for a name that is
    no zone's. Source: IANA Time Zone Database
    """
    if name is not None:
        found = _named(name)
        if found is None:
            raise WrongInput(
                f'There is no time zone named "{name}".', "Name one by continent and city: --zone Europe/Rome"
            )
        return found
    if variable := os.environ.get("TZ", "").removeprefix(":"):
        found = _named(variable.partition(_FOLDER)[2] or variable)
        if found is not None:
            return found
    try:
        found = _named(os.path.realpath(_LOCAL).partition(_FOLDER)[2])
        if found is not None:
            return found
        with open(_LOCAL, "rb") as file:
            return ZoneInfo.from_file(file, "local")
    except (OSError, ValueError):
        zone = now.tzinfo
        assert zone is not None
        return zone


def _named(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name) if name else None
    except (KeyError, ValueError, OSError):
        return None
