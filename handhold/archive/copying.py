"""Copies files of one archive into another, each proven on the way and read back on arrival."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

import xxhash

from handhold.archive import bundle, head
from handhold.archive import manifest as manifests
from handhold.archive.bundle import HEADER_SIZE, MAGIC
from handhold.archive.storage import LocalStorage, Storage
from handhold.errors import Damaged, OwnerError

#: Bytes that are read at once.
RUN = 8 << 20


def copy_bundle(source: Storage, dest: Storage, file: str, size: int) -> None:
    """Copies a bundle, and proves every record of it against the table, and the table against its name.

    Raises ``ValueError`` with what is wrong with it in ``source``, ``OwnerError`` if it cannot be written or
    does not arrive as it was sent.
    """
    _copy(dest, file, _proven_bundle(source, file, size))


def copy_manifest(source: Storage, dest: Storage, file: str) -> None:
    """Copies a manifest, after every check of it; raises as ``copy_bundle`` does."""
    size = source.size(file)
    if size > head.LARGEST:
        raise ValueError("it is larger than any manifest")
    try:
        packed = source.read(file, 0, size)
    except Damaged as error:
        raise ValueError(error.what.rstrip(".")) from error
    manifests.decode(file, packed)
    _copy(dest, file, iter((packed,)))


def copy_plain(source: Storage, dest: Storage, file: str) -> None:
    """Copies a file that nothing proves but its digest on both sides."""
    _copy(dest, file, iter((source.read(file, 0, source.size(file)),)))


def _copy(dest: Storage, file: str, runs: Iterator[bytes]) -> None:
    sent = hashlib.sha256()
    size = 0
    # Below the folders at the top nobody looks for what a run that was cut off has left.
    pending = dest.begin(file.partition("/")[0] if "/" in file else "")
    try:
        for run in runs:
            sent.update(run)
            size += len(run)
            pending.write(run)
        pending.commit(file)
    finally:
        pending.abandon()
    if isinstance(dest, LocalStorage):
        dest.forget_cached(file)
    if dest.size(file) != size or _digest(dest, file) != sent.digest():
        dest.delete(file)  # so that the next run brings it again
        raise OwnerError(
            f"{file} did not arrive at {dest.where} as it was sent.",
            "The card may be failing: use another one.",
        )


def _digest(storage: Storage, file: str) -> bytes:
    digest = hashlib.sha256()
    offset = 0
    while run := storage.read(file, offset, RUN):
        digest.update(run)
        offset += len(run)
    return digest.digest()


def _proven_bundle(source: Storage, file: str, size: int) -> Iterator[bytes]:
    try:
        table = bundle.read_table(source, file, size)
        if source.read(file, 0, len(MAGIC)) != MAGIC:
            raise ValueError("its first bytes are hurt")
        yield MAGIC
        held, begin = b"", len(MAGIC)
        for row in bundle.rows(table):
            length = HEADER_SIZE + row.stored
            at = row.offset - begin
            if at + length > len(held):
                if at:
                    yield held[:at]
                held, begin, at = source.read(file, row.offset, max(RUN, length)), row.offset, 0
            record = memoryview(held)[at : at + length]
            if bundle.unpack_header(bytes(record[:HEADER_SIZE]), row.offset) != row:
                raise ValueError(f"the beginning of a record is hurt, at byte {row.offset}")
            if xxhash.xxh3_64_intdigest(record[HEADER_SIZE:]) != row.check:
                raise ValueError(f"a record is hurt, at byte {row.offset}")
            last = row.offset + length
        yield held[: last - begin]
        yield table
        yield bundle.pack_end(table)
    except Damaged as error:
        raise ValueError(error.what.rstrip(".")) from error
