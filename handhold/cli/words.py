"""Numbers, times and names in words that a person reads at 80 columns. Pure."""

from __future__ import annotations

import sys
import unicodedata
from datetime import UTC, datetime, timedelta

from handhold.amounts import size
from handhold.model import NS

#: What can be seen nowhere, or changes how the text around it is shown: control characters, format characters
#: (directions among them), lone surrogates, private and unknown characters, line and paragraph separators.
_HIDDEN = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
#: Format characters that words of some languages need: the joiners.
_JOINERS = "\u200c\u200d"


def printable(text: str) -> str:
    """The text with everything that could play tricks on a terminal escaped.

    Source: Unicode Standard Annex 9, section 2 (the directional formatting characters)
    Source: The Unicode Standard, section 4.5 (general categories)

    >>> printable("a\\x1b[31mb")
    'a\\\\x1b[31mb'
    """
    if text.isascii() and text.isprintable():
        return text
    return "".join(_safe(c) for c in text)


def _safe(c: str) -> str:
    number = ord(c)
    if unicodedata.category(c) in _HIDDEN and c not in _JOINERS:
        if number < 0x100:
            return f"\\x{number:02x}"
        return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"
    return c


def amount(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> amount(1, "save"), amount(12345, "save"), amount(0, "entry", "entries")
    ('1 save', '12,345 saves', '0 entries')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def room(free: int) -> str:
    """Free room; some file systems do not say how much they have.

    >>> room(5 << 30), room(sys.maxsize)
    ('5.0 GiB free', 'free room unknown')
    """
    return "free room unknown" if free >= sys.maxsize else f"{size(free)} free"


def moment(time: datetime) -> str:
    """A time of day as people read it, in its own offset."""
    return time.strftime("%Y-%m-%d %H:%M")


def stamp(nanoseconds: int) -> str:
    """A modification time as RFC 3339 in UTC, to the nanosecond where it has one.

    >>> stamp(0), stamp(1_500_000_000_000_000_000 + 250)
    ('1970-01-01T00:00:00Z', '2017-07-14T02:40:00.000000250Z')
    """
    seconds, rest = divmod(nanoseconds, NS)
    try:
        text = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S")
    except OverflowError:  # a file system can hold times beyond the year 9999
        return f"@{nanoseconds}"
    if len(text) < 19:  # strftime does not pad years before 1000
        text = text.rjust(19, "0")
    fraction = f".{rest:09d}" if rest else ""
    return f"{text}{fraction}Z"


def when(nanoseconds: int, clock: datetime) -> str:
    """A modification time as people read it, in the offset of ``clock``."""
    try:
        return moment(datetime.fromtimestamp(nanoseconds / NS, clock.tzinfo))
    except (OverflowError, ValueError, OSError):
        return "an impossible time"


def took(seconds: float) -> str:
    """How long something took.

    >>> took(0.04), took(3.24), took(75), took(3700)
    ('under a second', '3 s', '1 min 15 s', '1 h 1 min')
    """
    if seconds < 0.95:
        return "under a second"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def listed(names: list[str], most: int = 4) -> str:
    """Names in a sentence, cut where there are many.

    >>> listed(["a"]), listed(["a", "b"]), listed(["a", "b", "c", "d", "e", "f"])
    ('a', 'a and b', 'a, b, c, d and 2 more')
    """
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    if len(names) > 1:
        return f"{', '.join(names[:-1])} and {names[-1]}"
    return "".join(names)
