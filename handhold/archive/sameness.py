"""Which entries are one save: by path, and where a save lies in one of two forms, by what both have of it.

An emulator can keep its saves beside the games or in a folder of their own. The path in the home is not the
same in both (``Fieldfare/Lamplighter.sav`` and ``Lamplighter.sav``); what both have is the path from the name
on that names the game. So in such homes the folders before it do not count for the identity. They count for
the place: two saves that both are ``Lamplighter.sav`` in two folders of one home stand on two lines of
history, and those say nothing about each other (see ``standing``). Nothing of this is stored.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Collection, Mapping

from handhold.model import Entry, Identity

#: By emulator: the homes, without anything from "@" on, that hold the same saves in two forms.
Forms = Mapping[str, Collection[str]]


def flat(path: str, game: str | None) -> str:
    """What is left of a path in a home when the folders before the game's name are taken away. Pure.

    The last name that begins with the game counts. A path that does not name its game stays whole.

    >>> flat("Fieldfare/Lamplighter.sav", "Lamplighter"), flat("saves/Lamplighter/1.dat", "Lamplighter")
    ('Lamplighter.sav', 'Lamplighter/1.dat')
    >>> flat("memory cards/card 1.card", None), flat("Dunlin/Salt.sav", "Salt Road")
    ('memory cards/card 1.card', 'Dunlin/Salt.sav')
    """
    if not game:
        return path
    names = path.split("/")
    wanted = folded(game)
    for at in range(len(names) - 1, -1, -1):
        name = folded(names[at])
        if name.startswith(wanted) and not name[len(wanted) : len(wanted) + 1].isalnum():
            return "/".join(names[at:])
    return path


def same_save(entry: Entry, forms: Forms) -> tuple[Identity, str]:
    """The identity of an entry, and the folder in its home on whose line of history it stands. Pure.

    The folder is ``""`` where the home is the line.
    """
    if entry.home.partition("@")[0] not in forms.get(entry.emulator, ()):
        return entry.identity, ""
    path = flat(entry.path, entry.game)
    return (entry.emulator, entry.part, path), entry.path[: -len(path)].rstrip("/")


def folded(name: str) -> str:
    """A name as games are compared by it: without case, in one way of writing accents."""
    if name.isascii():
        return name.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
