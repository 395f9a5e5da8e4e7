"""What a restore says of saves without a game on this device, and of emulators in another version."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from handhold.cli import words

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.restore.madewith import OtherVersion
    from handhold.restore.prepare import Prepared

_MOST = 16


def show_games(console: Console, prepared: Prepared) -> None:
    """The saves whose game is not here, those first of which a game is called nearly so.

    Before them the copies that go by another name, as asked.
    """
    if prepared.renamed:
        console.say("\nRenamed in the copy, as asked:")
    for new in prepared.renamed[:_MOST]:
        console.say(f"  {new.emulator}  {new.was}")
        console.say(f"    becomes {new.path}")
    if len(prepared.renamed) > _MOST:
        console.say(f"  and {len(prepared.renamed) - _MOST} more (--json lists all)")
    missing = prepared.without_game
    if not missing:
        return
    saves = words.amount(len(missing), "game")
    console.say(f"\nNot on {prepared.plan.device} under that name: {saves} of which saves come along.")
    offered = [one for one in missing if one.near]
    for one in offered[:_MOST]:
        console.say(f"  {one.emulator}  {one.game}")
        here = words.listed(['"' + title + '"' for title in one.near])
        console.say(f"    here is {here}")
        console.say(f"    to rename the copy: --rename {shlex.quote(f'{one.game}={one.near[0]}')}")
    if len(offered) > _MOST:
        console.say(f"  and {len(offered) - _MOST} more of nearly that name (--json lists all)")
    by_emulator: dict[str, list[str]] = {}
    for one in missing:
        if not one.near:
            by_emulator.setdefault(one.emulator, []).append(one.game)
    for emulator, games in by_emulator.items():
        console.say(f"  {emulator}  {words.listed(games, 8)}")
    if by_emulator:
        console.say("    Copy them here under the same names; a save is found by the name of its game.")


def show_versions(console: Console, versions: Sequence[OtherVersion]) -> None:
    """The emulators that are here in another version than on the night of the snapshot."""
    if versions:
        console.say("\nIn another version here; its save states may not load, its saves will:")
        for one in versions:
            console.say(f"  {one.emulator}  made with {one.then}, here is {one.here}")


def games_document(prepared: Prepared) -> dict[str, Any]:
    """The same for scripts."""
    return {
        "renamed": [{"emulator": one.emulator, "old": one.was, "new": one.path} for one in prepared.renamed],
        "without_game": [
            {"emulator": one.emulator, "game": one.game, "files": one.files, "near": list(one.near)}
            for one in prepared.without_game
        ],
        "versions": [
            {"emulator": one.emulator, "snapshot": one.then, "device": one.here} for one in prepared.versions
        ],
    }
