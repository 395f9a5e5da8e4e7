"""``verify``: proof that an archive is whole, or what is hurt in the owner's words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.options import Json
from handhold.cli.session import Session
from handhold.errors import Exit

if TYPE_CHECKING:
    from handhold.archive.verify import Affected, Damage, Report
    from handhold.cli.console import Console


def join(app: App) -> None:
    """Adds the command."""
    app.command()(verify)


def verify(
    context: Context,
    deep: Annotated[
        bool, Option("--deep", help="Unpack everything and check every block and every file.")
    ] = False,
    json: Json = False,
) -> None:
    """Checks every stored byte and says which nights are whole."""
    from handhold.archive.storage import LocalStorage
    from handhold.archive.verify import verify as check

    session: Session = context.obj
    storage = LocalStorage(session.archive_path)
    with session.console.progress("Checking") as bar:
        report = check(storage, deep, progress=lambda done, total: bar(0, done, 0, total))
    if json:
        session.console.document(document(report))
    else:
        show(session, report)
    raise Ended(Exit.DONE if report.ok else Exit.DAMAGE)


def document(report: Report) -> dict[str, Any]:
    """The report for scripts."""
    return {
        "ok": report.ok,
        "deep": report.deep,
        "snapshots": report.snapshots,
        "bundles": report.bundles,
        "blocks": report.blocks,
        "bytes": report.bytes,
        "damage": [damage_document(one) for one in report.damage],
        "notes": list(report.notes),
        "whole": list(report.whole),
    }


def damage_document(damage: Damage) -> dict[str, Any]:
    """One place of damage for scripts."""
    return {
        "file": damage.file,
        "what": damage.what,
        "affects": [_affected(one) for one in damage.affects],
    }


def _affected(affected: Affected) -> dict[str, Any]:
    return {
        "snapshot": affected.snapshot,
        "device": affected.device,
        "emulator": affected.emulator,
        "part": affected.part,
        "game": affected.game,
        "path": affected.path,
    }


def show(session: Session, report: Report, most: int = 12) -> None:
    """The report for people: what is lost first, then where the damage is, then what is whole."""
    console = session.console
    checked = (
        f"{words.amount(report.snapshots, 'manifest')}, {words.amount(report.bundles, 'bundle')}, "
        f"{words.amount(report.blocks, 'block')}, {amounts.size(report.bytes)}"
    )
    if report.ok:
        for note in report.notes:
            console.say(note)
        how = "every block and every file was unpacked" if report.deep else "every stored byte was checked"
        console.say(f"The archive is whole: {how}. {checked}.")
        return
    show_lost(console, report.damage, most)
    console.say("Where the damage is:")
    for damage in report.damage[:most]:
        console.say(f"  {damage.file}: {damage.what}")
    if len(report.damage) > most:
        console.say(f"  and {len(report.damage) - most} more places (--json lists all)")
    for note in report.notes:
        console.say(note)
    console.say(f"\nThe archive is damaged. Checked: {checked}.")
    whole = words.listed(list(report.whole), 6)
    console.say(f"Whole nights: {whole}." if report.whole else "No night is whole.")
    console.say(
        "Everything else can still be restored. handhold mend --dry-run says what can be repaired: from "
        "parity, from what the device still has, and with --from PATH from another copy of the archive."
    )


def show_lost(console: Console, damages: Sequence[Damage], most: int) -> None:
    """The files that can no longer be given back, one line for each with the snapshots that held it."""
    held: dict[tuple[str, str, str, str], list[str]] = {}
    for damage in damages:
        for hurt in damage.affects:
            key = (hurt.device, hurt.emulator or "", hurt.game or "", hurt.path or "")
            names = held.setdefault(key, [])
            if hurt.snapshot not in names:
                names.append(hurt.snapshot)
    if not held:
        console.say("No kept file is lost.\n")
        return
    console.say("Lost:")
    for (device, emulator, game, path), names in list(held.items())[:most]:
        what = f"{emulator}: {game or path or 'any file'}" if emulator else "any file"
        file = f" ({path})" if game and path else ""
        nights = names[0] if len(names) == 1 else f"{words.amount(len(names), 'snapshot')}, first {names[0]}"
        console.say(f"  {device}, {what}{file}: in {nights}")
    if len(held) > most:
        console.say(f"  and {len(held) - most} more files (--json lists all)")
    console.say()
