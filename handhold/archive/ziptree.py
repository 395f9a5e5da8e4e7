"""Where the members of a zip lie in it, read with distrust: the file can come from a stranger.

Nothing is unpacked and no name is followed. Whatever does not fit together, be it by damage or by malice, is
``NoZip`` with the reason; the file is then kept as any other.

Source: APPNOTE.TXT, .ZIP File Format Specification, version 6.3.10, sections 4.3 to 4.6
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import NamedTuple

#: Gives so many bytes from an offset on; fewer only where the file ends.
ReadAt = Callable[[int, int], bytes]

MOST_MEMBERS = 200_000
MOST_DIRECTORY = 64 << 20  # bytes
#: With what a zip begins: a member, or the end of an empty one.
STARTS = (b"PK\x03\x04", b"PK\x05\x06")

ENCRYPTED, DESCRIPTOR, UTF8, MASKED = 1 << 0, 1 << 3, 1 << 11, 1 << 13
_END = struct.Struct("<4s4H2LH")
_END_64 = struct.Struct("<4sQ2H2L4Q")
_LOCATOR = struct.Struct("<4sLQL")
_RECORD = struct.Struct("<4s6H3L5H2L")
_LOCAL = struct.Struct("<4s5H3L2H")
_LONGEST_COMMENT = 0xFFFF
_FULL_16, _FULL_32 = 0xFFFF, 0xFFFFFFFF
_UNIX, _KIND, _LINK = 3, 0o170000, 0o120000
_LARGEST_FILE = (1 << 63) - 1
_UNEVEN = "its directory and what stands before its members do not agree"


class NoZip(ValueError):
    """Why a file cannot be taken apart as a zip, in words that fit behind its name and a colon."""


class Held(NamedTuple):
    """One member: what the directory says of it, and where it lies. Offsets from the file's start."""

    name: bytes
    flags: int
    method: int
    dos: tuple[int, int]  # time and date, as they stand there
    crc: int
    stored: int  # bytes in the file
    size: int  # bytes unpacked, as the directory says
    header: int  # where its header begins
    data: int  # where its stored bytes begin
    end: int  # behind its stored bytes and the descriptor that may follow them
    record: int  # where its record begins in the directory
    record_end: int
    extra: bytes
    link: bool

    @property
    def encrypted(self) -> bool:
        """Whether a password is needed to unpack it."""
        return bool(self.flags & ENCRYPTED)

    @property
    def is_folder(self) -> bool:
        """Whether it is only a folder's name."""
        return self.name.endswith(b"/")


class ZipTree(NamedTuple):
    """A zip that fits together: its members in the order of the directory, and the directory's bytes."""

    members: tuple[Held, ...]
    directory: bytes
    directory_at: int
    end_at: int  # of the last record, before the comment
    comment: bytes

    def in_file_order(self) -> list[Held]:
        """The members as they lie in the file."""
        return sorted(self.members, key=lambda held: held.header)


def is_zip_start(head: bytes) -> bool:
    """Whether a file that begins so can be a zip."""
    return head[:4] in STARTS


def parse(read: ReadAt, size: int) -> ZipTree:
    """The members of a zip of ``size`` bytes.

    Every count, length and place is checked against the others, so that members neither overlap nor leave
    the file. Raises ``NoZip``; errors of ``read`` pass.
    """
    end = _find_end(read, size)
    directory = _exactly(read, end.directory_at, end.directory_size, "its directory is cut off")
    records = list(_records(directory, end))
    members = [_placed(read, record) for record in records]
    held_until = 0
    for one in sorted(members, key=lambda held: held.header):
        if one.header < held_until:
            raise NoZip("two of its members share the same bytes")
        held_until = one.end
    if held_until > end.directory_at:
        raise NoZip("a member reaches into its directory")
    return ZipTree(tuple(members), directory, end.directory_at, end.end_at, end.comment)


class _End(NamedTuple):
    """What stands at the end of a zip."""

    members: int
    directory_at: int
    directory_size: int
    shift: int  # bytes before the zip of which its offsets know nothing
    end_at: int
    comment: bytes


def _find_end(read: ReadAt, size: int) -> _End:
    length = min(size, _END.size + _LONGEST_COMMENT + _LOCATOR.size)
    tail = _exactly(read, size - length, length, "it changed while it was read")
    at = len(tail)
    while True:
        at = tail.rfind(_END_MARK, 0, at + 3 if at < len(tail) else at)
        if at < 0:
            raise NoZip("it has no directory at its end: it is cut off, or no zip")
        if at + _END.size <= len(tail):
            fields = _END.unpack_from(tail, at)
            if at + _END.size + fields[7] == len(tail):
                break
    _, disk, first_disk, here, count, directory_size, offset, _ = fields
    end_at = size - len(tail) + at
    comment = tail[at + _END.size :]
    before, shifted = end_at, None
    locator_at = at - _LOCATOR.size
    if locator_at >= 0 and tail[locator_at:].startswith(b"PK\x06\x07"):
        locator = _LOCATOR.unpack_from(tail, locator_at)
        before, wide = _wide_end(read, locator, end_at - _LOCATOR.size)
        shifted = before - locator[2]
        narrow = (disk, first_disk, here, count, directory_size, offset)
        limits = (_FULL_16, _FULL_16, _FULL_16, _FULL_16, _FULL_32, _FULL_32)
        if any(n not in (w, limit) for n, w, limit in zip(narrow, wide, limits, strict=True)):
            raise NoZip("the two ends of its directory do not agree")
        disk, first_disk, here, count, directory_size, offset = wide
    if disk or first_disk or here != count:
        raise NoZip("it is one piece of a zip in several pieces")
    directory_at = before - directory_size
    shift = directory_at - offset
    if directory_at < 0 or shift < 0 or shifted not in (None, shift):
        raise NoZip("its directory does not lie where its end says")
    if count > MOST_MEMBERS or directory_size > MOST_DIRECTORY:
        raise NoZip(f"it has more than {MOST_MEMBERS:,} members, or their names are far too long")
    if directory_size < count * _RECORD.size:
        raise NoZip("its directory has not as many members as its end says")
    return _End(count, directory_at, directory_size, shift, end_at, comment)


_END_MARK = b"PK\x05\x06"


def _wide_end(
    read: ReadAt, locator: tuple[bytes, int, int, int], locator_at: int
) -> tuple[int, tuple[int, int, int, int, int, int]]:
    """Where the zip64 end record begins, and its fields."""
    _, disk, said_at, disks = locator
    if disk or disks > 1:
        raise NoZip("it is one piece of a zip in several pieces")
    # Bytes before the zip shift it; then it has no more than its fixed fields, or it is not found.
    for at in (said_at, locator_at - _END_64.size):
        if not 0 <= at <= locator_at - _END_64.size:
            continue
        data = read(at, _END_64.size)
        if len(data) == _END_64.size and data[:4] == b"PK\x06\x06":
            fields = _END_64.unpack(data)
            if at + 12 + fields[1] == locator_at:
                return at, fields[4:10]
    raise NoZip("the end of its directory is not where it should be")


def _records(directory: bytes, end: _End) -> Iterator[Held]:
    at = 0
    for _ in range(end.members):
        if at + _RECORD.size > len(directory):
            raise NoZip("its directory has not as many members as its end says")
        (
            mark,
            made,
            _,
            flags,
            method,
            time,
            date,
            crc,
            stored,
            size,
            names,
            extras,
            notes,
            disk,
            _,
            outer,
            offset,
        ) = _RECORD.unpack_from(directory, at)
        name_at = at + _RECORD.size
        extra_at = name_at + names
        following = extra_at + extras + notes
        if mark != b"PK\x01\x02" or following > len(directory):
            raise NoZip("its directory is hurt")
        name = directory[name_at:extra_at]
        extra = directory[extra_at : extra_at + extras]
        if flags & MASKED:
            raise NoZip("its directory is encrypted")
        if _FULL_32 in (size, stored, offset) or disk == _FULL_16:
            size, stored, offset, disk = _widened(extra, size, stored, offset, disk)
        if disk:
            raise NoZip("it is one piece of a zip in several pieces")
        header = offset + end.shift
        if header + _LOCAL.size + stored > end.directory_at:
            raise NoZip("a member does not lie inside it")
        if size > _LARGEST_FILE:
            raise NoZip("a member has a size that cannot be")
        link = made >> 8 == _UNIX and (outer >> 16) & _KIND == _LINK
        yield Held(
            name, flags, method, (time, date), crc, stored, size, header, 0, 0, at, following, extra, link
        )
        at = following
    if at != len(directory):
        raise NoZip("its directory has not as many members as its end says")


def _widened(extra: bytes, size: int, stored: int, offset: int, disk: int) -> tuple[int, int, int, int]:
    """The numbers that do not fit into the record, from its zip64 field: only those, in this order."""
    field = find_extra(extra, 1)
    if field is None:
        return size, stored, offset, disk
    numbers = []
    at = 0
    for number, full, width in (
        (size, _FULL_32, 8),
        (stored, _FULL_32, 8),
        (offset, _FULL_32, 8),
        (disk, _FULL_16, 4),
    ):
        if number == full:
            if at + width > len(field):
                raise NoZip("its directory is hurt")
            number = int.from_bytes(field[at : at + width], "little")
            at += width
        numbers.append(number)
    return numbers[0], numbers[1], numbers[2], numbers[3]


def find_extra(extra: bytes, wanted: int) -> bytes | None:
    """The content of one extra field of a record; None where there is none, or the fields are hurt."""
    at = 0
    while at + 4 <= len(extra):
        ident = int.from_bytes(extra[at : at + 2], "little")
        length = int.from_bytes(extra[at + 2 : at + 4], "little")
        if at + 4 + length > len(extra):
            return None
        if ident == wanted:
            return extra[at + 4 : at + 4 + length]
        at += 4 + length
    return None


def _placed(read: ReadAt, held: Held) -> Held:
    """The member with its place; what stands before and behind its bytes must agree with the record."""
    local = read(held.header, _LOCAL.size + len(held.name))
    if len(local) != _LOCAL.size + len(held.name):
        raise NoZip("a member does not lie inside it")
    mark, _, flags, method, _, _, crc, stored, size, names, extras = _LOCAL.unpack_from(local)
    if (
        mark != b"PK\x03\x04"
        or method != held.method
        or (flags ^ held.flags) & (ENCRYPTED | DESCRIPTOR)
        or local[_LOCAL.size :] != held.name
        or names != len(held.name)
    ):
        raise NoZip(_UNEVEN)
    data = held.header + _LOCAL.size + names + extras
    end = data + held.stored
    if flags & DESCRIPTOR:
        return held._replace(data=data, end=end + _descriptor(read(end, 24), held))
    if crc != held.crc or stored not in (held.stored, _FULL_32) or size not in (held.size, _FULL_32):
        raise NoZip(_UNEVEN)
    return held._replace(data=data, end=end)


def _descriptor(found: bytes, held: Held) -> int:
    """The length of the descriptor behind a member: with or without its mark, with short or long sizes."""
    for mark in (b"PK\x07\x08", b""):
        for form in ("<LLL", "<LQQ"):
            if max(held.stored, held.size) <= _FULL_32 or form == "<LQQ":
                wanted = mark + struct.pack(form, held.crc, held.stored, held.size)
                if found.startswith(wanted):
                    return len(wanted)
    raise NoZip(_UNEVEN)


def _exactly(read: ReadAt, at: int, length: int, trouble: str) -> bytes:
    data = read(at, length)
    if len(data) != length:
        raise NoZip(trouble)
    return data
