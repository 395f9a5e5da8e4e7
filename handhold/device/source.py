"""A large file of a device that is read while an archive is written: whose error it is must be told apart."""

from __future__ import annotations

from handhold.device.reading import still_file


class Refused(Exception):
    """The device, not the archive, refused."""

    def __init__(self, error: OSError) -> None:
        super().__init__(str(error))
        self.error = error


class Source:
    """``still_file``, whose errors are ``Refused``; needs ``with``."""

    def __init__(self, place: str) -> None:
        self._file = still_file(place)

    def __enter__(self) -> Source:
        try:
            self._open = self._file.__enter__()
        except OSError as error:
            raise Refused(error) from error
        self.size, self.modified = self._open.size, self._open.modified
        self.settled = self._open.settled
        return self

    def __exit__(self, *exc: object) -> None:
        self._file.__exit__(None, None, None)

    def read(self, count: int = -1) -> bytes:
        """The next bytes, at most ``count`` of them; ``b""`` at the end."""
        try:
            return self._open.read(count)
        except OSError as error:
            raise Refused(error) from error

    def readinto(self, room: memoryview, /) -> int:
        """Puts the next bytes into memory; how many. None is the end."""
        try:
            return self._open.readinto(room)
        except OSError as error:
            raise Refused(error) from error

    def read_at(self, offset: int, size: int) -> bytes:
        """``size`` bytes from an offset on, fewer only at the end."""
        try:
            return self._open.read_at(offset, size)
        except OSError as error:
            raise Refused(error) from error

    def seek(self, offset: int, /) -> None:
        """Has ``read`` go on from an offset."""
        try:
            self._open.seek(offset)
        except OSError as error:
            raise Refused(error) from error

    def holes(self) -> list[tuple[int, int]]:
        """Runs (offset, length in bytes) that the file system holds nothing for."""
        try:
            return self._open.holes()
        except OSError as error:
            raise Refused(error) from error

    def check(self, sha256: bytes) -> None:
        """Raises ``Moving`` if it did not hold still; see ``StillFile.check``."""
        try:
            self._open.check(sha256)
        except OSError as error:
            raise Refused(error) from error
