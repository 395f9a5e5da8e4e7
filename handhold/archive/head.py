"""The head of a manifest: what it tells of its snapshot, and what is believed. FORMAT.md describes it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache

import msgspec

from handhold.archive.filenames import MANIFEST_FILE, MANIFESTS
from handhold.archive.pages import DIGEST, EMULATOR
from handhold.model import Kind, Part, Site
from handhold.names import one_line, trouble_with

FOLDER = MANIFESTS
FORMAT = 1
#: No more is believed, in bytes: the head, and the whole in plain. Page lines for tens of millions of files.
LARGEST_HEAD, LARGEST = 16 << 20, 128 << 20
#: No manifest has more pages and gaps together: 64 million files, and no more memory than a small device has.
MOST_LINES = 1_000_000
FILE = MANIFEST_FILE
NAME = re.compile(
    r"([A-Za-z0-9][A-Za-z0-9_-]{0,39}\.[0-9]{4}-[0-9]{2}-[0-9]{2}\.[0-9]{6})(?:-[1-9][0-9]{0,5})?"
)
#: RFC 3339, section 5.6, with an offset in digits.
_TIME = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}(?:\.[0-9]{6})?[+-][0-9]{2}:[0-9]{2}"
)
#: Of the handheld that wrote a manifest; it may be missing.
ORIGIN = re.compile("[0-9a-f]{16}")
#: Characters of an emulator's version.
LONGEST_VERSION = 60
_MOST = (1 << 63) - 1
#: No higher sequence number is believed. A night that needs a number beyond it shares it with others.
HIGHEST = 1 << 40


class Snapshot(msgspec.Struct, frozen=True):
    """One snapshot as ``list`` shows it; ``gaps`` is their number, ``bytes`` the size of its files.

    ``sequence`` is a whole number, except for what was adopted, which stands between two others.
    One that was ``let_go`` is none any more: what stood where is remembered, its content is not kept.
    """

    name: str
    device: str
    sequence: float
    kind: Kind
    taken: datetime
    files: int
    bytes: int
    gaps: int
    note: str
    file: str
    let_go: bool = False
    origin: str = ""  # of the handheld that wrote it (``origins``)


class VolumeNote(msgspec.Struct, frozen=True, omit_defaults=True):
    """A volume of the device, the file system it had that night, and where it lay.

    ``path`` is absolute and in written form, "" where it is not known. Nothing is ever opened by it: it
    tells what settings of that device may name.
    """

    name: str
    filesystem: str
    path: str = ""


class GamesNote(msgspec.Struct, frozen=True):
    """The games on the device that night: the block with their list (``inventory``), and their number."""

    list: str
    count: int


class Emptied(msgspec.Struct, frozen=True):
    """A save that holds nothing any more, and the name of the last snapshot in which it held something.

    ``good`` is empty where no snapshot has it any more.
    """

    emulator: str
    home: str
    path: str
    good: str


class Head(msgspec.Struct, frozen=True, omit_defaults=True):
    """The first line."""

    handhold: str
    format: int
    name: str
    device: str
    sequence: int | float
    kind: Kind
    taken: str
    tool: str
    files: int
    bytes: int
    pages: int
    gaps: int
    volumes: tuple[VolumeNote, ...]
    sites: tuple[Site, ...]
    layouts: dict[str, str]
    note: str = ""
    base: str | None = None
    safety: str | None = None
    games: GamesNote | None = None
    versions: dict[str, str] = {}
    let_go: bool = False
    left_out: tuple[Part, ...] = ()
    only_layouts: bool = False
    emptied: tuple[Emptied, ...] = ()
    origin: str = ""
    recognised: tuple[str, ...] | None = None


class _HeadCheck(msgspec.Struct, frozen=True):
    head: str


_encoder = msgspec.json.Encoder()
_head = msgspec.json.Decoder(Head)
_check = msgspec.json.Decoder(_HeadCheck)


def stamp(taken: datetime) -> str:
    """The time in a snapshot's name, in the offset it was taken in: ``2031-04-05.213000``.

    >>> stamp(datetime(2031, 4, 5, 21, 30, tzinfo=UTC))
    '2031-04-05.213000'
    """
    text = taken.replace(tzinfo=None, microsecond=0).isoformat()
    return text.replace("T", ".").replace(":", "")


def utc_stamp(taken: datetime) -> str:
    """The time in a manifest's file name, in UTC: ``20310405T213000Z``."""
    text = taken.astimezone(UTC).replace(tzinfo=None, microsecond=0).isoformat()
    return text.replace("-", "").replace(":", "") + "Z"


def with_plain_offset(taken: datetime) -> datetime:
    """The same time, in UTC where its offset is not in whole minutes, which RFC 3339 cannot say."""
    offset = taken.utcoffset()
    if offset is None:
        raise ValueError("a snapshot's time needs its offset")
    return taken.astimezone(UTC) if offset % timedelta(minutes=1) else taken


def make_head(
    *,
    name: str,
    device: str,
    sequence: int | float,
    kind: Kind,
    taken: datetime,
    tool: str,
    files: int,
    bytes: int,
    pages: int,
    gaps: int,
    volumes: Sequence[VolumeNote],
    sites: Sequence[Site],
    layouts: Mapping[str, str],
    note: str,
    base: str | None,
    safety: str | None,
    games: GamesNote | None = None,
    versions: Mapping[str, str] | None = None,
    let_go: bool = False,
    left_out: Iterable[Part] = (),
    only_layouts: bool = False,
    emptied: Sequence[Emptied] = (),
    origin: str = "",
    recognised: Iterable[str] | None = None,
) -> Head:
    """The head of a new manifest."""
    return Head(
        "manifest",
        FORMAT,
        name,
        device,
        sequence,
        kind,
        taken.isoformat(),
        tool,
        files,
        bytes,
        pages,
        gaps,
        tuple(volumes),
        tuple(sites),
        dict(sorted(layouts.items())),
        note,
        base,
        safety,
        games,
        dict(sorted((versions or {}).items())),
        let_go,
        tuple(sorted(left_out)),
        only_layouts,
        tuple(emptied),
        origin,
        None if recognised is None else tuple(sorted(recognised)),
    )


def head_lines(head: Head) -> bytes:
    """The first two lines: the head and its digest."""
    line = _encoder.encode(head) + b"\n"
    return line + _encoder.encode(_HeadCheck(hashlib.sha256(line).hexdigest())) + b"\n"


def decode_head(file: str, lines: bytes) -> tuple[Head, Snapshot]:
    """The head from the first two lines, checked against its digest, its own rules and the file's name.

    Raises ``ValueError`` with what is wrong.
    """
    first, newline, rest = lines.partition(b"\n")
    second, newline2, _ = rest.partition(b"\n")
    if not newline or not newline2:
        raise ValueError("its head is cut off")
    return (_remembered if len(first) <= _SHORT else _decoded)(file, first, second)


def _decoded(file: str, first: bytes, second: bytes) -> tuple[Head, Snapshot]:
    try:
        if _check.decode(second).head != hashlib.sha256(first + b"\n").hexdigest():
            raise ValueError("its head is hurt")
        head = _head.decode(first)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError(f"its head cannot be read ({error})") from error
    taken = _believed(head, file)
    return head, Snapshot(
        head.name,
        head.device,
        head.sequence,
        head.kind,
        taken,
        head.files,
        head.bytes,
        head.gaps,
        one_line(head.note),
        file,
        head.let_go,
        head.origin,
    )


#: Whoever reads a manifest has mostly read its head before, for the list of all.
_remembered = lru_cache(maxsize=2048)(_decoded)
_SHORT = 8 << 10  # bytes; a longer one is not remembered


def _believed(head: Head, file: str) -> datetime:
    """The time of a head that is sound; raises ``ValueError`` for one that is not."""
    name = FILE.fullmatch(file)
    if head.handhold != "manifest" or head.format != FORMAT:
        raise ValueError(f"it is of a format {head.format} that is not known")
    if _TIME.fullmatch(head.taken) is None:
        raise ValueError("its time is not written as RFC 3339 does")
    taken = datetime.fromisoformat(head.taken)
    try:
        at = utc_stamp(taken)
    except OverflowError:
        raise ValueError("its time cannot be") from None
    if name is None or name[1] != head.device or name[2] != at:
        raise ValueError("its head does not belong to its name")
    own = NAME.fullmatch(head.name)
    if own is None or own[1] != f"{head.device}.{stamp(taken)}":
        raise ValueError("its snapshot's name does not fit its device and time")
    if not 0 <= head.sequence <= HIGHEST or (
        isinstance(head.sequence, float) and head.kind is not Kind.ADOPTED
    ):
        raise ValueError("its sequence number cannot be")
    if not all(0 <= n <= _MOST for n in (head.files, head.bytes, head.pages, head.gaps)):
        raise ValueError("its counts cannot be")
    if head.pages > head.files or head.pages + head.gaps > MOST_LINES:
        raise ValueError("its counts cannot be")
    if any(not _is_word(v.name) or not _is_word(v.filesystem) or not is_place(v.path) for v in head.volumes):
        raise ValueError("it names a volume that cannot be")
    for site in head.sites:
        named = EMULATOR.fullmatch(site.emulator) and _is_word(site.home) and _is_word(site.volume)
        if not named or (site.path and trouble_with(site.path)):
            raise ValueError("it names a home that cannot be")
    if any(not EMULATOR.fullmatch(key) or not DIGEST.fullmatch(value) for key, value in head.layouts.items()):
        raise ValueError("it names a layout that cannot be")
    games = head.games
    if head.let_go and (head.layouts or games is not None):
        raise ValueError("it was let go and names what is not kept any more")
    if games is not None and (DIGEST.fullmatch(games.list) is None or not 0 < games.count <= _MOST):
        raise ValueError("it names a list of games that cannot be")
    if any(not EMULATOR.fullmatch(key) or not is_version(value) for key, value in head.versions.items()):
        raise ValueError("it names a version that cannot be")
    if not all(map(EMULATOR.fullmatch, head.recognised or ())):
        raise ValueError("it names an emulator that cannot be")
    if head.origin and ORIGIN.fullmatch(head.origin) is None:
        raise ValueError("its origin cannot be")
    for one in head.emptied:
        place = EMULATOR.fullmatch(one.emulator) and _is_word(one.home) and trouble_with(one.path) is None
        if not place or (one.good and NAME.fullmatch(one.good) is None):
            raise ValueError("it names an emptied save that cannot be")
    return taken


def is_version(text: str) -> bool:
    """Whether an emulator's version can stand in a head."""
    return 0 < len(text) <= LONGEST_VERSION and text.isprintable()


def is_place(path: str) -> bool:
    """Whether an absolute path in written form can stand in a head; "" can."""
    return path in ("", "/") or (path[0] == "/" and trouble_with(path[1:]) is None)


def _is_word(text: str) -> bool:
    return 0 < len(text) <= 255 and text.isprintable() and "/" not in text
