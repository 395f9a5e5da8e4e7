"""The form in which a layout is stored with a night: a restore years later then needs no file that is gone.

Canonical JSON (keys sorted, no spaces, UTF-8) of the layout with its patterns already in it, so that a
layout that did not change is stored once. What comes back can be from a stranger and is checked whole.
"""

from __future__ import annotations

import json

import msgspec

from handhold.documents.mistakes import Wrong
from handhold.documents.reader import says
from handhold.layouts.layout import (
    ALL,
    Home,
    Layout,
    Rule,
    Version,
    identifier,
    place,
    version_find,
    version_path,
)
from handhold.layouts.pattern import compile_pattern
from handhold.layouts.reading import (
    MOST_CHAIN,
    MOST_HOMES,
    MOST_NEWEST,
    MOST_PLACES,
    MOST_RULES,
    MOST_STEPS,
    MOST_TITLE,
)
from handhold.model import HomeKind, Part

FORM = 1
MOST_BYTES = 8 << 20


class _Home(msgspec.Struct, forbid_unknown_fields=True):
    name: str
    kind: HomeKind
    at: list[str]


class _Rule(msgspec.Struct, forbid_unknown_fields=True):
    part: Part | None
    path: str
    home: str | None
    carry: bool | None
    why: str


class _Steps(msgspec.Struct, forbid_unknown_fields=True):
    before: list[str]
    after: list[str]
    imports: list[str] = msgspec.field(name="import", default_factory=list)


class _Inside(msgspec.Struct, forbid_unknown_fields=True):
    part: Part
    path: str


class _Version(msgspec.Struct, forbid_unknown_fields=True):
    path: str
    find: str
    home: str | None


class _Stored(msgspec.Struct, forbid_unknown_fields=True):
    form: int
    id: str
    title: str
    like: list[str]
    homes: list[_Home]
    rules: list[_Rule]
    by_hand: _Steps
    carry: dict[Part, bool]
    inside: list[_Inside] = []
    newest: int | None = None
    forms: tuple[str, str] | None = None
    version: _Version | None = None


def stored_form(layout: Layout) -> bytes:
    """The layout as bytes; equal layouts give equal bytes."""
    hands = {"before": list(layout.before), "after": list(layout.after)}
    if layout.imports:
        hands["import"] = list(layout.imports)
    document: dict[str, object] = {
        "form": FORM,
        "id": layout.id,
        "title": layout.title,
        "like": list(layout.like),
        "homes": [{"name": h.name, "kind": h.kind, "at": [str(p) for p in h.at]} for h in layout.homes],
        "rules": [
            {"part": r.part, "path": r.pattern.text, "home": r.home, "carry": r.carry, "why": r.why}
            for r in layout.rules
        ],
        "by_hand": hands,
        "carry": {str(part): carried for part, carried in layout.carry.items()},
    }
    if layout.inside:
        document["inside"] = [{"part": r.part, "path": r.pattern.text} for r in layout.inside]
    if layout.newest is not None:
        document["newest"] = layout.newest
    if layout.forms is not None:
        document["forms"] = list(layout.forms)
    if (version := layout.version) is not None:
        document["version"] = {"path": version.path, "find": version.find, "home": version.home}
    return json.dumps(document, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


def from_stored(data: bytes) -> Layout:
    """The layout again; raises ``ValueError`` if the bytes are not a sound stored layout of a known form."""
    if len(data) > MOST_BYTES:
        raise ValueError("a stored layout that is far too large")
    try:
        stored = msgspec.json.decode(data, type=_Stored)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ValueError(f"no stored layout: {error}") from None
    if stored.form != FORM:
        raise ValueError(f"a stored layout of form {stored.form}")
    if (
        not 0 < len(stored.homes) <= MOST_HOMES * MOST_CHAIN
        or any(len(home.at) > MOST_PLACES for home in stored.homes)
        or len(stored.rules) > 2 * MOST_RULES * MOST_CHAIN
        or max(map(len, (stored.by_hand.before, stored.by_hand.imports, stored.by_hand.after))) > MOST_STEPS
        or len(stored.like) >= MOST_CHAIN
        or len(stored.inside) > MOST_RULES * MOST_CHAIN
        or not (stored.newest is None or ALL <= stored.newest <= MOST_NEWEST)
    ):
        raise ValueError("a stored layout beyond the limits of any layout")
    homes = tuple(Home(identifier(h.name), h.kind, tuple(place(p) for p in h.at)) for h in stored.homes)
    names = {home.name for home in homes}
    if len(names) < len(homes):
        raise Wrong("two homes of one name", "each name once")
    if any(rule.home is not None and rule.home not in names for rule in stored.rules):
        raise Wrong("a rule for a home that is not there", "one of its homes")
    version = stored.version
    if version is not None and not (version.home is None or version.home in names):
        raise Wrong("a version in a home that is not there", "one of its homes")
    kinds = {home.name: home.kind for home in homes}
    if stored.forms is not None and [kinds.get(name) for name in stored.forms] != [
        HomeKind.GAMES,
        HomeKind.FOLDER,
    ]:
        raise Wrong("forms that are no two homes of their kinds", "one beside the games, one a folder")
    return Layout(
        id=identifier(stored.id),
        title=says(stored.title, MOST_TITLE),
        like=tuple(identifier(name) for name in stored.like),
        homes=homes,
        rules=tuple(
            Rule(r.part, compile_pattern(r.path), r.home, r.carry, says(r.why) if r.why else "")
            for r in stored.rules
        ),
        before=tuple(says(step) for step in stored.by_hand.before),
        after=tuple(says(step) for step in stored.by_hand.after),
        carry=stored.carry,
        imports=tuple(says(step) for step in stored.by_hand.imports),
        source="stored with the snapshot",
        inside=tuple(Rule(r.part, compile_pattern(r.path)) for r in stored.inside),
        newest=stored.newest,
        forms=stored.forms,
        version=None
        if version is None
        else Version(version_path(version.path), version_find(version.find), version.home),
    )
