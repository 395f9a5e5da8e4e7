"""Files that no snapshot holds as such, made of members of its zips: a smaller zip, or the members unpacked.

They are planned and written as entries are. What they are made of stands in the archive; what is new about
them is put there before they are written, so that undo knows them.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, tzinfo
from io import BytesIO

import msgspec

from handhold.archive import recipe
from handhold.archive.blocks import block_id
from handhold.archive.cutting import pieces
from handhold.archive.members import name_of
from handhold.archive.recipe import Range
from handhold.archive.slices import Slices
from handhold.archive.unpacking import DEFLATED, STORED, Hurt, unpacked
from handhold.archive.writer import Writer
from handhold.archive.zipexcerpt import excerpt
from handhold.archive.ziptree import Held, ZipTree, parse
from handhold.errors import Damaged
from handhold.model import Entry, nanoseconds
from handhold.names import native, trouble_with
from handhold.restore.inside import Inner, plain_name
from handhold.restore.select import title_of_member

#: Names that mean a device, whatever ending they have, to programs that read cards.
# Source: Microsoft, Naming Files, Paths, and Namespaces, section "Naming Conventions"
_DEVICE = re.compile(r"(?:con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])\s*(?:\..*)?", re.IGNORECASE | re.DOTALL)
_DRIVE = re.compile(r"[A-Za-z]:")
_UNUSUAL = re.compile(r'[\x00-\x1f\x7f"*/:<>?\\|]')
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
#: Deflate cannot make more of a byte than this. Source: RFC 1951 allows 258 bytes for 2 bits.
_MOST_OF_A_BYTE = 1032
_LABEL = 60


class Made(msgspec.Struct, frozen=True):
    """A file that is made: the entry that it would be, its content, and what puts it into the archive.

    Reading the content raises ``Damaged`` and ``ValueError``, also after the last run.
    """

    entry: Entry
    put: Callable[[Writer], None]
    content: Callable[[], Iterator[bytes]]
    folder: str = ""  # in the home, of what is unpacked


class Left(msgspec.Struct, frozen=True):
    """A member that is not written, and why; the whole zip still holds it."""

    entry: Entry  # of the zip
    inner: Inner
    why: str
    hurt: bool = False  # its content is not sound: another zip may have it


class Making(msgspec.Struct, frozen=True):
    """What was made of one zip, and what was left."""

    made: list[Made]
    left: list[Left]


class Opened:
    """A zip of the archive, taken apart once more: the list of its members is believed for showing only."""

    def __init__(self, slices: Slices) -> None:
        self.slices = slices
        entry = slices.entry
        try:
            self.tree: ZipTree = parse(slices.read, slices.size)
        except Damaged:
            raise
        except ValueError as error:
            raise Damaged(
                f"{entry.path} ({entry.emulator}) is not the zip that its list tells: {error}."
            ) from error
        self._held = {(name_of(held), held.data): held for held in self.tree.members}

    def held(self, inner: Inner) -> Held | None:
        """Where a member of the list lies."""
        return self._held.get((inner.member.name, inner.member.at))

    def content(self, held: Held) -> Iterator[bytes]:
        """A member's content. Raises ``Hurt``, also after the last run, and ``Damaged``."""
        if held.encrypted:
            raise Hurt("needs a password")
        if held.method == DEFLATED and held.size > _MOST_OF_A_BYTE * held.stored + _MOST_OF_A_BYTE:
            raise Hurt("says a size that cannot be")
        return unpacked(self.slices.runs(held.data, held.stored), held.method, held.size, held.crc)


def smaller_zip(slices: Slices, inners: Sequence[Inner], device: str, day: date) -> Making:
    """A new zip of just these members, beside the whole one. Raises ``Damaged``.

    Members whose content does not fit their checksum, and those whose names lead out of any folder, are left.
    """
    opened = Opened(slices)
    picked: list[tuple[Inner, Held]] = []
    left: list[Left] = []
    for inner in inners:
        held = opened.held(inner)
        why = "the zip does not hold it" if held is None else trouble_with(plain_name(inner.member))
        hurt = _hurt(opened, held) if held is not None and why is None else None
        if why or hurt:
            left.append(Left(slices.entry, inner, why or hurt or "", bool(hurt)))
        elif held is not None:
            picked.append((inner, held))
    if not picked:
        return Making([], left)
    runs, tail = excerpt(opened.tree, [held for _, held in picked])
    ranges = [one for start, length in runs for one in slices.ranges(start, length)]
    tails = list(pieces(BytesIO(tail), len(tail)))
    ranges += [Range(block_id(piece), 0, len(piece)) for piece in tails]

    def content() -> Iterator[bytes]:
        for start, length in runs:
            yield from slices.runs(start, length)
        yield tail

    digest = hashlib.sha256()
    for run in content():
        digest.update(run)
    entry = slices.entry
    made = Entry(
        emulator=entry.emulator,
        part=entry.part,
        home=entry.home,
        path=_beside(entry.path, _label([inner for inner, _ in picked], device, day)),
        size=sum(one.length for one in ranges),
        modified=entry.modified,
        sha256=digest.hexdigest(),
        game=entry.game,
        recipe=block_id(recipe.encode(ranges)).hex(),
    )

    def put(writer: Writer) -> None:
        for piece in tails:
            writer.put_plain(piece)
        writer.put_recipe(ranges)

    return Making([Made(made, put, content)], left)


def files(slices: Slices, inners: Sequence[Inner], room: int, zone: tzinfo | None) -> Making:
    """The members as files in a folder beside the zip, named after it. Raises ``Damaged``.

    ``room`` in bytes is there for them. Names that lead elsewhere or mean a device, names that are there
    twice, links, and what does not come out sound are left.
    """
    opened = Opened(slices)
    entry = slices.entry
    folder = entry.path[:-4] if entry.path[-4:].lower() == ".zip" else f"{entry.path} unpacked"
    names = Counter(plain_name(inner.member) for inner in inners)
    too_large = sum(inner.member.size for inner in inners) > room
    made: list[Made] = []
    left: list[Left] = []
    for inner in inners:
        held = opened.held(inner)
        why = "there is no room for all that is unpacked" if too_large else _refused(inner)
        if names[plain_name(inner.member)] > 1:
            why = "the zip has two of that name"
        if held is None:
            why = "the zip does not hold it"
        if why is None and held is not None:
            try:
                made.append(_file(opened, held, inner, folder, zone))
                continue
            except Hurt as hurt:
                left.append(Left(entry, inner, f"it {hurt}", hurt=True))
                continue
        left.append(Left(entry, inner, why or ""))
    return Making(made, left)


def _file(opened: Opened, held: Held, inner: Inner, folder: str, zone: tzinfo | None) -> Made:
    path = f"{folder}/{plain_name(inner.member)}"
    if trouble := trouble_with(path):
        raise Hurt(f"has a path that {trouble}")
    digest = hashlib.sha256()
    ranges: list[Range] = []
    for piece in pieces(_Joined(opened.content(held)), held.size):
        digest.update(piece)
        ranges.append(Range(block_id(piece), 0, len(piece)))
    entry = opened.slices.entry
    several = len(ranges) > 1
    made = Entry(
        emulator=entry.emulator,
        part=inner.part,
        home=entry.home,
        path=path,
        size=held.size,
        modified=_time(inner.member.modified, zone, entry.modified),
        sha256=digest.hexdigest(),
        game=inner.game,
        recipe=block_id(recipe.encode(ranges)).hex() if several else None,
    )

    def put(writer: Writer) -> None:
        for piece in pieces(_Joined(opened.content(held)), held.size):
            writer.put_plain(piece)
        if several:
            writer.put_recipe(ranges)

    return Made(made, put, lambda: opened.content(held), folder)


class _Joined:
    """Runs of bytes as a stream."""

    def __init__(self, runs: Iterator[bytes]) -> None:
        self._runs = runs
        self._rest = b""

    def read(self, size: int = -1, /) -> bytes:
        """The next bytes, not always as many as asked for."""
        if not self._rest:
            self._rest = next(self._runs, b"")
        if size < 0:
            size = len(self._rest)
        data, self._rest = self._rest[:size], self._rest[size:]
        return data


def _hurt(opened: Opened, held: Held) -> str | None:
    """Whether a member can be unpacked, as far as that can be told without a password."""
    if held.encrypted or held.method not in (STORED, DEFLATED):
        return None
    try:
        for _ in opened.content(held):
            pass
    except Hurt as hurt:
        return f"it {hurt}"
    return None


def _refused(inner: Inner) -> str | None:
    """Why a member's name is not followed."""
    member = inner.member
    if member.link:
        return "it is a link, and handhold follows none"
    name = plain_name(member)
    if trouble := trouble_with(name):
        return f"its name {trouble}"
    if _CONTROL.search(native(name)):
        return "its name holds characters that cannot be seen"
    if _DRIVE.match(name):
        return "its name begins with a drive"
    if any(_DEVICE.fullmatch(piece) for piece in name.split("/")):
        return "its name means a device to other systems"
    return None


def _beside(path: str, label: str) -> str:
    """The name of the smaller zip, in the folder of the whole one."""
    folder, slash, name = path.rpartition("/")
    stem = name[:-4] if name[-4:].lower() == ".zip" else name
    while len(f"{stem} ({label}).zip".encode()) > 255:
        stem = stem[:-1].rstrip("\\")
    return f"{folder}{slash}{stem} ({label}).zip"


def _label(inners: Iterable[Inner], device: str, day: date) -> str:
    titles = list(dict.fromkeys(title_of_member(inner) for inner in inners))
    shown = " ".join(_UNUSUAL.sub("_", titles[0]).split())[:_LABEL].strip(". ") or "some"
    more = f" and {len(titles) - 1} more" if len(titles) > 1 else ""
    return f"only {shown}{more}, from {device} {day.isoformat()}"


def _time(text: str, zone: tzinfo | None, otherwise: int) -> int:
    """A member's time in nanoseconds; one without an offset is local time, which is ``zone``."""
    try:
        moment = datetime.fromisoformat(text.removesuffix("Z"))
        return nanoseconds(moment.replace(tzinfo=UTC if text.endswith("Z") else zone or UTC))
    except (ValueError, OverflowError):
        return otherwise
