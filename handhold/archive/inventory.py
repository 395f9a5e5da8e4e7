"""The list of the games on a device that night: names and sizes, no content. FORMAT.md describes it."""

from __future__ import annotations

from collections.abc import Iterable

import msgspec

from handhold.archive.pages import EMULATOR
from handhold.names import is_one_line, trouble_with

#: The longest list that is kept or believed (bytes): more than half a million games.
LARGEST = 64 << 20
_LARGEST_FILE = (1 << 63) - 1


class Game(msgspec.Struct, frozen=True, omit_defaults=True):
    """One file of a game, as it lay in a home; ``game`` is its title, as far as its path tells."""

    emulator: str
    home: str
    path: str  # relative to the home, in written form
    size: int  # bytes
    game: str | None = None


_encoder = msgspec.json.Encoder()
_decoder = msgspec.json.Decoder(Game)


def encode(games: Iterable[Game]) -> bytes:
    """The list's bytes: JSON Lines in the order of emulator, home and path.

    Raises ``ValueError`` if they are too many.
    """
    data = _encoder.encode_lines(sorted(games, key=lambda game: (game.emulator, game.home, game.path)))
    if len(data) > LARGEST:
        raise ValueError("the list of games is far too long")
    return data


def decode(data: bytes) -> tuple[Game, ...]:
    """The games of a list, each checked. Raises ``ValueError`` with what is wrong."""
    if len(data) > LARGEST:
        raise ValueError("the list of games is too long")
    try:
        games = tuple(_decoder.decode_lines(data))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError(f"the list of games cannot be read ({error})") from error
    before: tuple[str, str, str] | None = None
    for one in games:
        key = (one.emulator, one.home, one.path)
        if before is not None and key <= before:
            raise ValueError("the list of games is out of order")
        before = key
        if EMULATOR.fullmatch(one.emulator) is None or not 0 <= one.size <= _LARGEST_FILE:
            raise ValueError("the list of games has one that cannot be")
        if not 0 < len(one.home) <= 255 or not one.home.isprintable() or "/" in one.home:
            raise ValueError("the list of games names a home that cannot be")
        if trouble := trouble_with(one.path):
            raise ValueError(f"the list of games has a path that {trouble}")
        if one.game is not None and (len(one.game) > 4096 or not is_one_line(one.game)):
            raise ValueError("the list of games has a title that cannot be")
    return games
