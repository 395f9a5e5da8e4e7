"""Where a folder lies on the device, and whose it is by its name."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from handhold.cli import words
from handhold.cli.session import Session
from handhold.errors import OwnerError, WrongInput
from handhold.names import written

if TYPE_CHECKING:
    from handhold.device.glance import Glance
    from handhold.layouts.draft.likeness import Evidence

#: App-private storage (common practice, no source).
_PRIVATE = re.compile(r"(?:^|/)Android/data/[^/]+", re.I)
#: Where programs put what they hand out (common practice, no source).
_HANDED_OUT = ("download", "descarga", "telecharg", "scaricati", "ダウンロード")
_PACKAGE = re.compile(r"[a-z]{2,10}(\.[A-Za-z0-9_]+){2,}")


class Placed(NamedTuple):
    """Where the folder lies."""

    root: str  # of its volume, as the operating system writes it; empty where none is known
    way: tuple[str, ...]  # the names from there to the folder; the whole path where no volume is known
    names: tuple[str, ...]  # the names on the way in written form, as far as they can say whose it is
    at: str  # "volume:path", as a layout has it
    about: str  # what is to be said of it


def placed(session: Session, folder: Path) -> Placed:
    """Where the folder lies. Raises ``OwnerError`` if it is none, or cannot be read."""
    from handhold.device.listing import below, canonical
    from handhold.device.trouble import why_unreadable
    from handhold.device.volumes import mounted

    shown = written(str(folder))
    try:
        real = canonical(os.path.expanduser(folder), strict=True)
        if not stat.S_ISDIR(os.stat(real).st_mode):
            raise WrongInput(f"{shown} is a file, not a folder.", "Name the emulator's folder.")
        with os.scandir(real):
            pass
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise WrongInput(f"There is no folder {shown}.", "Is the card in? Check the path.") from None
    except OSError as error:
        raise OwnerError(
            f"{shown} cannot be looked into: {why_unreadable(error)}.",
            "Allow reading it, then run this again.",
        ) from error
    if real == "/":
        raise WrongInput("/ is the whole system, not an emulator's folder.", "Name the emulator's folder.")
    about = ""
    roots = [(canonical(path), name) for name, path in volumes_of(session).items()]
    if not any(below(root, real) is not None for root, _ in roots):
        about = "it lies in no volume of the config: say yourself where it is on your device"
        own = os.path.expanduser("~")
        roots = [
            (place.path, "*") for place in mounted() if place.path != "/" and below(place.path, own) is None
        ]
    best: tuple[str, str, str] | None = None
    for root, name in roots:
        rest = below(root, real)
        if rest is not None and (best is None or len(root) > len(best[0])):
            best = root, name, rest
    if best is None:
        names = tuple(written(name) for name in real.split("/")[1:])
        return Placed("", (real,), names[-4:], f"*:{as_place(names[-1])}", about)
    root, name, rest = best
    way = tuple(rest.split("/")) if rest else ()
    return Placed(root, way, tuple(map(written, way)), f"{name}:{as_place(written(rest))}", about)


def volumes_of(session: Session) -> dict[str, str]:
    """The volumes of the device at hand, if any are named."""
    typed = session.given.volumes or os.environ.get("HANDHOLD_VOLUME")
    return session.volume_paths if typed or session.config.volumes else {}


def as_place(path: str) -> str:
    """A path as a layout's place can hold it.

    >>> as_place("odd**name/x")
    'odd*name/x'
    """
    return re.sub(r"\*{2,}", "*", path)


def evidence_of(place: Placed, seen: Glance, moved: bool) -> Evidence:
    """What the folder's place says."""
    from handhold.layouts.draft.likeness import Evidence
    from handhold.layouts.recognition.place import meaning
    from handhold.layouts.recognition.words import squeezed

    own = meaning(place.names[-1]) if place.names else None
    return Evidence(
        private=_PRIVATE.search("/".join(place.names)) is not None,
        exports=seen.place == "exports"
        or any(squeezed(name).startswith(_HANDED_OUT) for name in place.names),
        games=seen.place == "games",
        shelf=own is not None and own.means == "games",
        saves=seen.place == "saves",
        moved=moved,
    )


def inside_places(session: Session, role_path: str) -> tuple[str, ...]:
    """App-private storage on the device that is called like the folder."""
    from handhold.device.listing import joined, listed
    from handhold.layouts.recognition.words import squeezed

    name = squeezed(role_path.rpartition("/")[2])
    found: dict[str, None] = {}
    for path in volumes_of(session).values():
        entries, _ = listed(os.scandir, joined(path, "Android/data"))
        for entry in entries:
            if name and _PACKAGE.fullmatch(entry.name) and squeezed(entry.name.rpartition(".")[2]) == name:
                found[f"*:Android/data/{entry.name}/files"] = None
    return tuple(found)


def own_name(names: Sequence[str]) -> str:
    """The folder that plays the emulator's role: this one, or the nearest above it that has a name."""
    from handhold.layouts.recognition.recognise import role

    for count in range(1, len(names) + 1):
        found = role("/".join(names[-count:]))
        if found:
            return found
    return ""


def title_of(role_path: str, place: Placed) -> str:
    """A title from the folder's name."""
    from handhold.layouts.reading import MOST_TITLE

    name = role_path.rpartition("/")[2] or (place.names[-1] if place.names else "")
    if _PACKAGE.fullmatch(name):
        name = name.rpartition(".")[2].capitalize()
    text = " ".join(words.printable(name).split())[:MOST_TITLE].strip()
    return text or "Loose files"
