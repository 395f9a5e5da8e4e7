"""``verify``: proof that an archive is whole, or what is hurt in the owner's words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from handhold.cli import words
from handhold.cli.session import Session
from handhold.errors import Exit

if TYPE_CHECKING:
    from handhold.archive.verify import Affected, Damage, Report


def join(app: typer.Typer) -> None:
    """Adds the command."""
    app.command()(verify)


def verify(
    context: typer.Context,
    deep: Annotated[
        bool, typer.Option("--deep", help="Unpack everything and check every block and every file.")
    ] = False,
    json: Annotated[bool, typer.Option("--json", help="One JSON document for scripts.")] = False,
) -> None:
    """Checks every stored byte of the archive and says which nights are whole."""
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
    raise typer.Exit(Exit.DONE if report.ok else Exit.DAMAGE)


def document(report: Report) -> dict[str, Any]:
    """The report for scripts."""
    return {
        "ok": report.ok,
        "deep": report.deep,
        "snapshots": report.snapshots,
        "bundles": report.bundles,
        "blocks": report.blocks,
        "bytes": report.bytes,
        "damage": [
            {"file": d.file, "what": d.what, "affects": [_affected(a) for a in d.affects]}
            for d in report.damage
        ],
        "notes": list(report.notes),
        "whole": list(report.whole),
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


def show(session: Session, report: Report, most: int = 10) -> None:
    """The report for people: what is lost first, then what is whole."""
    console = session.console
    checked = (
        f"{words.amount(report.snapshots, 'snapshot')}, {words.amount(report.bundles, 'bundle')}, "
        f"{words.amount(report.blocks, 'block')}, {words.size(report.bytes)}"
    )
    for damage in report.damage[:most]:
        console.say(f"{damage.file}: {damage.what}")
        _show_affected(session, damage, most)
    if len(report.damage) > most:
        console.say(f"and {len(report.damage) - most} more places (--json lists all)")
    for note in report.notes:
        console.say(note)
    if report.ok:
        how = (
            "every block and every file was unpacked and checked"
            if report.deep
            else "every stored byte was checked"
        )
        console.say(f"The archive is whole: {how}. {checked}.")
        return
    console.say(f"\nThe archive is damaged. Checked: {checked}.")
    if report.whole:
        console.say(f"Whole nights: {words.listed(list(report.whole), 6)}.")
    else:
        console.say("No night is whole.")
    console.say(
        "What is not named above can still be restored. Take a new snapshot now: what the device "
        "still has is stored again. Copy the archive to another card before you trust this one."
    )


def _show_affected(session: Session, damage: Damage, most: int) -> None:
    """The files that are hurt, one line for each of them with the nights that held it."""
    nights: dict[tuple[str, str, str, str], list[str]] = {}
    for hurt in damage.affects:
        key = (hurt.device, hurt.emulator or "", hurt.game or "", hurt.path or "")
        nights.setdefault(key, []).append(hurt.snapshot)
    for (device, emulator, game, path), names in list(nights.items())[:most]:
        title = f" ({game})" if game else ""
        span = (
            names[0]
            if len(names) == 1
            else f"{words.amount(len(names), 'snapshot')}, {names[0]} to {names[-1]}"
        )
        what = f"{emulator}: {path or 'any file'}" if emulator else "any file"
        session.console.say(f"  {device}: {what}{title} in {span}")
    if len(nights) > most:
        session.console.say(f"  and {len(nights) - most} more files")
