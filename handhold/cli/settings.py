"""What a restore says of settings that name places: which, and what other places are put in their stead."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from handhold.cli import words

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.restore.prepare import Prepared
    from handhold.restore.settings import NamedPlace

_MOST_FILES, _MOST_LINES, _MOST_PROPOSALS = 8, 3, 6


def show_settings(console: Console, prepared: Prepared) -> None:
    """The places of the old device that the settings name, and the lines that are rewritten as asked."""
    named, source = prepared.named, prepared.plan.source.device
    plain = [place for place in named.places if place.rewritable]
    if plain:
        console.say(f"\nSettings that name places of {source}:")
        _show_places(console, plain)
        if named.proposals:
            console.say("  They are brought as they are. To rewrite them in the copy:")
            for proposal in named.proposals[:_MOST_PROPOSALS]:
                console.say(f"    {_option(*proposal)}")
            _more(console, len(named.proposals) - _MOST_PROPOSALS, "such option", "    ")
        else:
            console.say("  They are brought as they are. To rewrite them in the copy: --repoint OLD=NEW")
    if encoded := [place for place in named.places if not place.rewritable]:
        console.say(f"\nSettings that name a place of {source} in a form that is not rewritten:")
        _show_places(console, encoded)
        console.say("  They are brought as they are: choose these places anew in the emulator.")
    changed = [one for one in prepared.rewrites if one.changes]
    if changed:
        console.say("\nRewritten in the copy, as asked; nothing else in these files changes:")
        for one in changed[:_MOST_FILES]:
            console.say(f"  {one.entry.emulator}  {one.entry.path}")
            for change in one.changes[:_MOST_LINES]:
                console.say(f"    line {change.line}: {change.old}")
                console.say(f"      becomes {change.new}")
            _more(console, len(one.changes) - _MOST_LINES, "line", "    ")
        _more(console, len(changed) - _MOST_FILES, "file", "  ")
    for old in prepared.unnamed:
        console.say(f"\nNo settings name {old}, so --repoint changes nothing for it.")
    left = [(one, line, why) for one in prepared.rewrites for line, why in one.left]
    if left:
        console.say("\nNot rewritten:")
        for one, line, why in left[:_MOST_FILES]:
            console.say(f"  {one.entry.emulator}  {one.entry.path}, line {line}: {why}")
        _more(console, len(left) - _MOST_FILES, "line", "  ")


def _show_places(console: Console, places: Sequence[NamedPlace]) -> None:
    by_file: dict[tuple[str, str], list[NamedPlace]] = {}
    for place in places:
        by_file.setdefault((place.emulator, place.path), []).append(place)
    for (emulator, path), some in list(by_file.items())[:_MOST_FILES]:
        console.say(f"  {emulator}  {path}")
        for place in some[:_MOST_LINES]:
            console.say(f"    line {place.line}: {place.value}")
        _more(console, len(some) - _MOST_LINES, "line", "    ")
    _more(console, len(by_file) - _MOST_FILES, "file", "  ")


def _option(old: str, new: str) -> str:
    return f"--repoint {shlex.quote(f'{old}={new}')}"


def _more(console: Console, count: int, what: str, indent: str) -> None:
    if count > 0:
        console.say(f"{indent}and {words.amount(count, what)} more (--json lists all)")


def settings_document(prepared: Prepared) -> dict[str, Any]:
    """The same for scripts, with everything."""
    named, rewrites = prepared.named, prepared.rewrites
    return {
        "named_places": [
            {
                "emulator": one.emulator,
                "path": one.path,
                "line": one.line,
                "value": one.value,
                "rewritable": one.rewritable,
            }
            for one in named.places
        ],
        "repoint_proposals": [{"old": old, "new": new} for old, new in named.proposals],
        "rewritten": [
            {
                "emulator": one.entry.emulator,
                "path": one.entry.path,
                "changes": [{"line": c.line, "old": c.old, "new": c.new} for c in one.changes],
                "left": [{"line": line, "why": why} for line, why in one.left],
            }
            for one in rewrites
        ],
    }
