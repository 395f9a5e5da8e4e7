"""Which folders of an old backup are the homes of layouts, wherever the owner copied them to. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from msgspec import structs

from handhold.device.homes import segment
from handhold.device.listing import folded
from handhold.errors import UnknownName
from handhold.layouts.layout import Home, Layout, Place
from handhold.layouts.recognition.place import is_id, meaning
from handhold.model import Site

#: Where a home lies in a backup, as its owner says: (emulator, home or "" for the first), and the path.
Given = Mapping[tuple[str, str], str]


class _Fit(NamedTuple):
    """How a folder fits a place; the least is the best."""

    elsewhere: bool  # than where the device has it, below a folder named after the volume
    unlike: int  # names of the place that the backup does not show
    depth: int
    path: str


def relocated(
    layouts: Sequence[Layout],
    folders: Iterable[str],
    root: str,
    given: Given,
    known: Iterable[Site] = (),
) -> list[Layout]:
    """The layouts that have a home in a backup, with each home where it lies there.

    ``folders`` are the paths of its folders, "" for itself, whose name is ``root``. A folder is a home if the
    path to it ends as the home's place does, in a name that is more than a usual one ("saves", "data").
    Of several that is the one below a folder named after its volume, as the layout or the device's nights
    (``known``) name that, then the one that is most like the place.
    Raises ``UnknownName`` for an emulator or a home that is ``given`` and that there is not.
    """
    _check(layouts, given)
    by_last: dict[str, list[str]] = {}
    every = list(folders)
    for folder in every:
        by_last.setdefault(folded(_names(root, folder)[-1]), []).append(folder)
    found = []
    lies: dict[tuple[str, str], set[str]] = {}
    for site in known:
        whole = f"{site.volume}/{site.path}".rstrip("/")
        lies.setdefault((site.emulator, site.home.partition("@")[0]), set()).add(_folded(whole))
    for layout in layouts:
        paths = [
            _path(layout, home, by_last, root, given, lies.get((layout.id, home.name), set()))
            for home in layout.homes
        ]
        if any(path is not None for path in paths):
            lie = [() if path is None else (Place("*", path),) for path in paths]
            homes = tuple(structs.replace(home, at=at) for home, at in zip(layout.homes, lie, strict=True))
            found.append(structs.replace(layout, homes=homes))
    return found


def _path(
    layout: Layout,
    home: Home,
    by_last: Mapping[str, Sequence[str]],
    root: str,
    given: Given,
    lies: Collection[str],
) -> str | None:
    first = layout.homes[0].name == home.name
    said = given.get((layout.id, home.name), given.get((layout.id, "")) if first else None)
    if said is not None:
        return said
    fits = [fit for place in home.at if place.path for fit in _fits(place.path.split("/"), by_last, root)]
    named = {_folded(f"{place.volume}/{place.path}") for place in home.at if place.path} | set(lies)
    near = [fit._replace(elsewhere=not _below(fit.path, named)) for fit in fits]
    return min(near).path if near else None


def _below(folder: str, places: Collection[str]) -> bool:
    """Whether the path ends as one of the places (volume and path on it) does."""
    shown = "/" + _folded(folder)
    return any(shown.endswith("/" + place) for place in places)


def _folded(path: str) -> str:
    return "/".join(map(folded, path.split("/")))


def _fits(place: Sequence[str], by_last: Mapping[str, Sequence[str]], root: str) -> Iterable[_Fit]:
    last = segment(place[-1])
    among = (
        by_last.get(last.folded, ())
        if last.wild is None
        else [folder for name, some in by_last.items() if last.wild.fullmatch(name) for folder in some]
    )
    for folder in among:
        if "*" in folder or "?" in folder:
            continue  # a place cannot name it
        names = _names(root, folder)
        alike = 0
        while alike < min(len(place), len(names)) and _same(place[-1 - alike], names[-1 - alike]):
            alike += 1
        depth = folder.count("/") + 1 if folder else 0
        at_top = alike == len(place) == depth
        if at_top or any(_tells(name) for name in names[len(names) - alike :]):
            yield _Fit(True, len(place) - alike, depth, folder)


def _names(root: str, folder: str) -> list[str]:
    return [root, *folder.split("/")] if folder else [root]


def _same(place: str, name: str) -> bool:
    wanted = segment(place)
    if wanted.wild is not None:
        return wanted.wild.fullmatch(folded(name)) is not None
    return wanted.folded == folded(name)


def _tells(name: str) -> bool:
    """Whether a folder's name says more than what kind of data is in it."""
    return bool(name) and meaning(name) is None and not is_id(name) and not name.isdigit()


def _check(layouts: Sequence[Layout], given: Given) -> None:
    by_id = {layout.id: layout for layout in layouts}
    for emulator, home in given:
        if emulator not in by_id:
            raise UnknownName("emulator", emulator, sorted(by_id), "--home takes one that has a layout.")
        names = [one.name for one in by_id[emulator].homes]
        if home and home not in names:
            raise UnknownName("home", home, names, f"{emulator} has no other.")
