"""Blocks: runs of bytes, named by the SHA-256 of their plain content, sealed for storing and opened again."""

from __future__ import annotations

import hashlib
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import xxhash
import zstandard

#: No block is larger, before or after compression (bytes).
LARGEST = 16 << 20
#: How a payload is stored: the bytes as they are, or one Zstandard frame (RFC 8878).
PLAIN, ZSTANDARD = 0, 1
#: From ``_SLOW`` on a level goes through noise at a hundredth of the speed of ``_QUICK``, which itself takes
#: so little that a still quicker look would gain nothing. Blocks below ``_SHORT`` bytes take no time.
_SLOW, _QUICK, _SHORT = 13, 3, 32 << 10
#: Blocks of these sizes (bytes) are packed at level 3 with tables half as large as the library takes there,
#: which stay near a processor, and with matches of 5 bytes or more, as the library does it in a long stream.
_FITTED_LEVEL, _FITTED_FROM, _FITTED_TO = 3, 16 << 10, 256 << 10
#: What is said of a block whose stored bytes do not fit their checksum.
UNSOUND = "its stored bytes are not what was stored"
#: From so many blocks on all are packed in one call, where the library was built with it.
_MANY = 4 if "multi_compress_to_buffer" in zstandard.backend_features else sys.maxsize
#: No level: what ``_compressor`` is asked for these.
_FITTED = 0

_own = threading.local()  # compressors and decompressors are not for two threads at once


class Sealed(NamedTuple):
    """A block in its stored form; ``check`` is the XXH3-64 of ``stored``."""

    id: bytes
    codec: int
    stored: bytes | memoryview
    plain_size: int
    check: int


def block_id(plain: bytes | memoryview) -> bytes:
    """The block's name: the SHA-256 of its bytes (FIPS 180-4).

    >>> block_id(b"abc").hex()[:16]
    'ba7816bf8f01cfea'
    """
    return hashlib.sha256(plain).digest()


def seal(plain: bytes, level: int = 3, ident: bytes | None = None) -> Sealed:
    """The block in its stored form: a Zstandard frame, or the plain bytes where ``worth`` says so or that is
    not smaller.

    ``ident`` is its ``block_id``, where the caller has worked it out already.
    Pure, and lets other threads run while it hashes and compresses. Raises ``ValueError`` if the block is
    larger than ``LARGEST``.
    """
    return seal_all((plain,), level, (ident or block_id(plain),))[0]


def seal_all(plains: Sequence[bytes | memoryview], level: int, idents: Sequence[bytes]) -> list[Sealed]:
    """The same for many blocks.

    Each step goes through all of them: what the interpreter needs for it is then still near the processor.
    """
    for plain in plains:
        if len(plain) > LARGEST:
            raise ValueError(f"a block of {len(plain)} bytes is larger than {LARGEST}")
    frames = _frames(plains, level)
    sealed = []
    for ident, plain, frame in zip(idents, plains, frames, strict=True):
        size = len(plain)
        if frame is not None and len(frame) < size:
            codec, stored = ZSTANDARD, frame
        else:
            codec, stored = PLAIN, bytes(plain)
        sealed.append(Sealed(ident, codec, stored, size, xxhash.xxh3_64_intdigest(stored)))
    return sealed


def _frames(plains: Sequence[bytes | memoryview], level: int) -> Iterable[bytes | None]:
    """The frames of blocks; None for what is not worth one."""
    if level >= _SLOW:
        pack = packer(level)
        return [pack(plain) if worth(plain, level) else None for plain in plains]
    if level == _FITTED_LEVEL or len(plains) < _MANY or not all(plains):
        return map(packer(level), plains)
    # In one call: a thread that needs the interpreter after each block waits for it as often.
    frames = _compressor(level).multi_compress_to_buffer(list(plains))
    return [frames[number].tobytes() for number in range(len(frames))]


def packer(level: int) -> Callable[[bytes | memoryview], bytes]:
    """What makes a Zstandard frame of a block; for this thread alone."""
    pack = _compressor(level).compress
    if level != _FITTED_LEVEL:
        return pack
    fitted = _compressor(_FITTED).compress
    return lambda plain: fitted(plain) if _FITTED_FROM < len(plain) <= _FITTED_TO else pack(plain)


def worth(plain: bytes | memoryview, level: int) -> bool:
    """Whether to pack a block at a level at all: not at a slow one what a quick one makes no smaller.

    Such a block is packed already, or noise. Pure, and slow levels alone look.
    """
    if level < _SLOW or len(plain) < _SHORT:
        return True
    return len(_compressor(_QUICK).compress(plain)) < len(plain)


def unseal(block: Sealed) -> bytes:
    """The plain bytes of a stored block, after every check of the stored form and of the content.

    Raises ``ValueError`` with what is wrong. Takes no memory for a size that is not believed.
    """
    ident, codec, stored, size, check = block
    if xxhash.xxh3_64_intdigest(stored) != check:
        raise ValueError(UNSOUND)
    return opened(ident, codec, stored, size)


def unpack(codec: int, stored: bytes | memoryview, size: int, check: int) -> bytes:
    """The same without a look at the content, for a caller that holds it against another digest."""
    if xxhash.xxh3_64_intdigest(stored) != check:
        raise ValueError(UNSOUND)
    return _unpacked(codec, stored, size)


def opened(ident: bytes, codec: int, stored: bytes | memoryview, size: int) -> bytes:
    """The plain bytes of a stored block whose stored bytes were checked already, after all other checks."""
    plain = _unpacked(codec, stored, size)
    if hashlib.sha256(plain).digest() != ident:
        raise ValueError("its content is not what its name says")
    return plain


def _unpacked(codec: int, stored: bytes | memoryview, size: int) -> bytes:
    if codec == PLAIN:
        plain = bytes(stored)
    elif codec == ZSTANDARD:
        plain = decompress(stored, LARGEST, size)
    else:
        raise ValueError(f"it is stored in a form {codec} that is not known")
    if len(plain) != size:
        raise ValueError(f"it has {len(plain)} bytes and should have {size}")
    return plain


def decompress(frame: bytes | memoryview, limit: int, size: int | None = None) -> bytes:
    """The content of one Zstandard frame that says its size, which must be ``size`` if that is given.

    Raises ``ValueError`` if the frame is hurt, says no size or another one, holds more than ``limit`` bytes,
    or is followed by anything.
    """
    try:
        said = zstandard.frame_content_size(frame)
        if said < 0 or said > limit or (size is not None and said != size):
            raise ValueError("its Zstandard frame does not hold the size that it should")
        plain = _decompressor().decompress(frame, max_output_size=max(said, 1), allow_extra_data=False)
    except zstandard.ZstdError as error:
        raise ValueError(f"its Zstandard frame is hurt ({error})") from error
    if len(plain) != said:
        raise ValueError("its Zstandard frame does not hold the size that it says")
    return plain


def _compressor(level: int) -> zstandard.ZstdCompressor:
    kept: dict[int, zstandard.ZstdCompressor] | None = getattr(_own, "compressors", None)
    if kept is None:
        kept = _own.compressors = {}
    found = kept.get(level)
    if found is None:
        found = kept[level] = (
            zstandard.ZstdCompressor(
                compression_params=zstandard.ZstdCompressionParameters(
                    window_log=18,
                    chain_log=14,
                    hash_log=15,
                    search_log=1,
                    min_match=5,
                    strategy=zstandard.STRATEGY_DFAST,
                    write_checksum=False,
                    write_content_size=True,
                )
            )
            if level == _FITTED
            else zstandard.ZstdCompressor(level=level, write_checksum=False, write_content_size=True)
        )
    return found


def _decompressor() -> zstandard.ZstdDecompressor:
    kept: zstandard.ZstdDecompressor | None = getattr(_own, "decompressor", None)
    if kept is None:
        kept = _own.decompressor = zstandard.ZstdDecompressor()
    return kept
