"""The list of what lies in a zip, stored with the entry of the zip so that it can be looked into at once.

Names come from whoever wrote the zip: they are shown and compared, and nothing is opened by them.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import msgspec

from handhold.archive.ziptree import UTF8, Held, ZipTree, find_extra
from handhold.names import native, written

#: The longest list that is kept or believed (bytes).
LARGEST_LIST = 64 << 20
_LARGEST_FILE = (1 << 63) - 1
_UNIX_TIME, _NTFS_TIME, _UNICODE_NAME = 0x5455, 0x000A, 0x7075
_BEFORE_UNIX = 11_644_473_600  # seconds from 1601 to 1970
_encoder = msgspec.json.Encoder()


class Member(msgspec.Struct, frozen=True, omit_defaults=True):
    """One member of a zip, as the zip's directory has it.

    ``modified`` is RFC 3339 with ``Z``, or without any offset where the zip tells only the local time, or
    empty where it tells none that can be. ``at`` and ``stored`` are where the stored bytes lie in the zip.
    """

    name: str  # written form, as the zip has it: it can be "../x", or be there twice
    size: int  # bytes unpacked
    stored: int  # bytes in the zip
    at: int
    crc32: str  # of the unpacked bytes, eight hexadecimal digits
    modified: str = ""
    method: int = 8  # 0: as it is, 8: deflated; others as the ZIP application note numbers them
    encrypted: bool = False
    link: bool = False

    @property
    def is_folder(self) -> bool:
        """Whether it is only a folder's name."""
        return self.name.endswith("/")


def members_of(tree: ZipTree) -> list[Member]:
    """The list of a zip's members, in the order of its directory."""
    return [
        Member(
            name=name_of(held),
            size=held.size,
            stored=held.stored,
            at=held.data,
            crc32=f"{held.crc:08x}",
            modified=_modified(held),
            method=held.method,
            encrypted=held.encrypted,
            link=held.link,
        )
        for held in tree.members
    ]


def encode(members: Iterable[Member]) -> bytes:
    """The list's bytes: JSON Lines, a member on each. Raises ``ValueError`` if they are too many."""
    data = _encoder.encode_lines(members)
    if len(data) > LARGEST_LIST:
        raise ValueError("the names of its members are far too long")
    return data


def decode(data: bytes) -> tuple[Member, ...]:
    """The members of a list, each checked. Raises ``ValueError`` with what is wrong."""
    if len(data) > LARGEST_LIST:
        raise ValueError("the list of a zip's members is too long")
    try:
        members = tuple(msgspec.json.Decoder(Member).decode_lines(data))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError(f"the list of a zip's members cannot be read ({error})") from error
    for one in members:
        if not (0 <= one.size <= _LARGEST_FILE and one.stored >= 0 and one.at >= 0):
            raise ValueError("the list of a zip's members has a size that cannot be")
        if one.at + one.stored > _LARGEST_FILE or not 0 <= one.method <= 0xFFFF:
            raise ValueError("the list of a zip's members has a place that cannot be")
        if not _is_name(one.name) or not _is_crc(one.crc32) or not _is_time(one.modified):
            raise ValueError("the list of a zip's members has one that cannot be")
    return members


def name_of(held: Held) -> str:
    """The member's name in written form.

    UTF-8 where the zip says so or the bytes are that; else the name that some writers add in UTF-8, else the
    letters of code page 437.
    Source: APPNOTE.TXT, .ZIP File Format Specification, 6.3.10, 4.4.4 (bit 11), 4.6.9 and appendix D
    """
    raw = held.name
    try:
        return written(raw.decode("utf-8"))
    except UnicodeDecodeError:
        pass
    if held.flags & UTF8:
        return written(raw.decode("utf-8", "surrogateescape"))
    added = find_extra(held.extra, _UNICODE_NAME)
    if added and added[0] == 1 and int.from_bytes(added[1:5], "little") == zlib.crc32(raw) and added[5:]:
        return written(added[5:].decode("utf-8", "surrogateescape"))
    return written(raw.decode("cp437"))


def _modified(held: Held) -> str:
    field = find_extra(held.extra, _UNIX_TIME)
    if field and field[0] & 1 and len(field) >= 5:
        return _utc(int.from_bytes(field[1:5], "little", signed=True))
    field = find_extra(held.extra, _NTFS_TIME)
    if field and len(field) >= 16 and field[4:8] == b"\x01\x00\x18\x00":
        return _utc(int.from_bytes(field[8:16], "little") // 10_000_000 - _BEFORE_UNIX)
    time, date = held.dos
    try:
        moment = datetime(
            1980 + (date >> 9), date >> 5 & 15, date & 31, time >> 11, time >> 5 & 63, (time & 31) * 2
        )
    except ValueError:
        return ""
    return moment.isoformat()


def _utc(seconds: int) -> str:
    try:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)
    except OverflowError:
        return ""
    return moment.replace(tzinfo=None).isoformat() + "Z"


def _is_name(name: str) -> bool:
    try:
        native(name).encode("utf-8", "surrogateescape")
    except (ValueError, UnicodeEncodeError):
        return False
    return True


def _is_crc(text: str) -> bool:
    return len(text) == 8 and not text.strip("0123456789abcdef")


def _is_time(text: str) -> bool:
    if not text:
        return True
    try:
        return datetime.fromisoformat(text.removesuffix("Z")).tzinfo is None
    except ValueError:
        return False
