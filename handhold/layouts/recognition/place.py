"""What the folders above a file say about it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from functools import lru_cache

import msgspec
from msgspec.structs import replace

from handhold.layouts.recognition.signals import Meaning, signals
from handhold.layouts.recognition.words import squeezed

_ID = re.compile("[0-9a-fA-F]+")
_DIGITS = re.compile("[0-9]+")
#: The name of a program's private folder on many handhelds: a domain, backwards (common practice, no source).
PACKAGE = re.compile(r"[a-z]{2,10}(\.[a-z0-9_]+){2,}", re.I)
#: Parts that a roof has below it: two folders side by side that mean such things belong to one emulator.
_UNDER_A_ROOF = frozenset(("saves", "states", "cheats", "textures", "firmware", "controls"))
#: Places that say nothing for certain about the folders inside.
_OPEN = frozenset(("nowhere", "exports", "maybe-saves", "maybe-states"))
#: What can lie in a folder for saves and be no save. All other folders in there are believed to hold saves.
_BESIDE_SAVES = frozenset(("cheats", "controls", "library", "pictures", "settings", "textures"))
_NO_PARTS = frozenset(("plumbing", "shelf", "noise", "program", "exports"))
#: What stays what it is, whatever the folders inside are called, unless they hold saves or states.
_STAYS = frozenset(("cache", "program", "noise", "textures", "pictures"))


def meaning(name: str) -> Meaning | None:
    """What a folder's name says, or None. Digits in it only stand between words."""
    return _meaning(_DIGITS.sub("0", name))


@lru_cache(maxsize=16384)
def _meaning(name: str) -> Meaning | None:
    return signals().folders.meaning(name)


@lru_cache(maxsize=16384)
def is_id(name: str) -> bool:
    """Whether a folder's name is a run of hexadecimal digits."""
    return len(name) >= signals().id_shortest and _ID.fullmatch(name) is not None


def is_zeros(name: str) -> bool:
    """Whether an id is mostly zeros: a user, a card, a machine; not a game."""
    return name.startswith("0" * signals().id_zeros)


class Surroundings(msgspec.Struct, frozen=True):
    """What the folders above say; ``place`` names a row of the table of places.

    >>> Surroundings.top().into("Tinplate").into("saves").place
    'saves'
    """

    place: str = "nowhere"
    because: str = ""  # the name of the folder that says so
    emulation: bool = False  # somewhere above, something speaks of emulators
    noise: bool = False  # somewhere above, something speaks of other things
    zeros: bool = False  # below a folder of zeros
    tree: bool = False  # below a folder of zeros and another id
    named: int = 0  # so many folders on the way have names of their own
    title: str | None = None  # the innermost folder that can be named after a game
    root: bool = True  # a volume's root
    looked: bool = False  # what its files say is in it already
    tagged: bool = False  # a cache directory tag lies here or above

    @property
    def of_ids(self) -> bool:
        """Whether the files belong to a save by the ids above them, and no folder's name says otherwise."""
        return self.tree and self.place in _OPEN

    @staticmethod
    def top() -> Surroundings:
        """The root of a volume."""
        return _TOP

    def into(self, name: str) -> Surroundings:
        """A folder inside, by its name in written form."""
        if self.tagged:
            return self if not self.root and self.looked is False else replace(self, root=False, looked=False)
        if is_id(name):
            zeros = is_zeros(name)
            return replace(
                self,
                root=False,
                looked=False,
                zeros=self.zeros or zeros,
                tree=self.tree or self.zeros,
                title=self.title if zeros else name,
            )
        means = None if PACKAGE.fullmatch(name) else meaning(name)
        if means is None:
            return replace(self, root=False, looked=False, title=name, named=self.named + 1)
        if means.means == "plumbing":
            return replace(self, root=False, looked=False)
        return self._told(name, means)

    def _told(self, name: str, means: Meaning) -> Surroundings:
        said = means.means
        here = replace(self, root=False, looked=False)
        if said == "shelf":
            emulation = self.emulation or squeezed(name) in signals().emulation
            return replace(here, emulation=emulation, noise=self.noise and not emulation)
        if means.weak and said == "saves" and not self.emulation:
            nowhere = self.place in ("nowhere", "exports")
            return replace(here, place="maybe-saves" if nowhere else self.place, because=name, title=None)
        if means.weak and not self.emulation:
            noise = said == "pictures" or self.noise
            return replace(here, place="noise" if noise else self.place, noise=noise, title=None)
        if said == "pictures" and not self.emulation and (self.noise or name.startswith(".")):
            return replace(here, place="noise", because=name, title=None)  # photos, or thumbnails of them
        if said in ("saves", "states"):
            return replace(here, place=self._kept(said), because=name, title=None)
        if said == "noise":
            if self.emulation or self.place not in _OPEN | {"noise"}:
                return replace(here, title=name)  # an emulator, or a game, of that name
            return replace(here, place="noise", because=name, noise=True, title=None)
        inside = self.place
        if inside in ("saves", "states") and (self.title or said not in _BESIDE_SAVES):
            return replace(here, title=self.title or name)  # a save's own folders, whatever they are called
        if said == "cache" and inside not in ("saves", "states"):
            return replace(here, place="cache", because=name, title=None)
        if inside in _STAYS:
            return here
        if said == "exports" and inside not in _OPEN:
            return here
        if said == "games":
            if inside not in _OPEN:
                return replace(here, title=None)  # settings for each game, textures of games
            return replace(here, place="games", because=name, emulation=True, title=None)
        return replace(here, place=said, because=name, title=None)

    def _kept(self, said: str) -> str:
        """Saves and states are believed by their folder's name, except among other things."""
        if self.place in ("noise", "program") or (self.noise and not self.emulation):
            return f"maybe-{said}"
        return said

    def among(
        self,
        names: Iterable[str],
        folders: Iterable[str],
        tag: Callable[[], bool] = lambda: False,
    ) -> Surroundings:
        """The same folder, with what its files and folders together say.

        ``tag`` is asked only where a file has the name of the cache directory tag.
        """
        if self.looked:
            return self
        if self.tagged:
            return replace(self, looked=True)
        known = signals()
        if known.tag_name in (names := list(names)) and tag():
            return replace(self, looked=True, tagged=True, place="cache", because=known.tag_name)
        here = replace(self, looked=True)
        if not self.emulation and self.place in ("nowhere", "exports"):
            told = [m for m in map(meaning, folders) if m is not None]
            said = {m.means for m in told if not m.weak}
            roof = said & _UNDER_A_ROOF
            kept = bool(roof & {"states", "saves"}) and (
                len(roof) > 1 or bool(said & {"settings", "pictures"})
            )
            several = len(said - _NO_PARTS) > (2 if roof else 3)
            shown = "library" in said and ("settings" in said or any(m.means == "pictures" for m in told))
            if kept or several or shown or "cheats" in said:
                here = replace(here, emulation=not self.root, noise=False)
        return here


_TOP = Surroundings()
