"""``list --last``: when each device was last kept, and what needs the owner."""

from __future__ import annotations

import os
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from handhold import amounts
from handhold.cli import words
from handhold.cli.session import Session

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.condition.copies import Only
    from handhold.condition.lately import Condition
    from handhold.condition.troubles import Trouble


def last(session: Session, archive: Archive, json: bool) -> None:
    """Tells how the archive and its devices are."""
    from handhold.condition.lately import condition

    clock = session.clock()
    with session.console.progress("Looking") as bar:
        found = condition(
            archive,
            session.archive_path,
            clock,
            shared_volumes(session),
            lambda done, total: bar(done, 0, total),
        )
    if json:
        session.console.document(_document(found, session.archive_path, clock))
    else:
        _show(session, found, clock)


def shared_volumes(session: Session) -> set[tuple[str, str]]:
    """The volumes (device, name) of the device at hand that lie on the archive's own medium."""
    from handhold.device.volumes import same_medium

    config = session.config
    if not config.device or not config.volumes:
        return set()
    return {(config.device, name) for name in same_medium(session.archive_path, config.volumes)}


def same_medium_line(volumes: Sequence[str]) -> str:
    """What to say of an archive that lies with what it protects."""
    return (
        f"The archive lies on the same medium as {words.listed(list(volumes))}: if that is lost, so is the "
        "archive. Keep a second archive elsewhere: handhold mirror FOLDER"
    )


def _show(session: Session, found: Condition, clock: datetime) -> None:
    console = session.console
    if not found.devices:
        console.say("The archive holds no night yet. handhold snapshot takes the first.")
    else:
        rows = [
            (
                one.device,
                words.moment(one.night.taken),
                _ago(one.night.taken, clock),
                f"{one.night.files:,}",
                amounts.size(one.night.bytes),
                "see below" if one.troubles else "all is well",
            )
            for one in found.devices
        ]
        console.table(("Device", "Last kept", "", "Files", "Size", ""), rows, right=(3, 4))
    for one in found.devices:
        _say_troubles(session, f"{one.device}: ", one.troubles)
    _say_troubles(session, "", found.archive)
    console.say()
    console.say(_mirrors(found, clock))
    if found.shared:
        console.say(same_medium_line(found.shared))
    if found.only:
        console.say(_only(found.only))


def _say_troubles(session: Session, whose: str, troubles: tuple[Trouble, ...]) -> None:
    for trouble in troubles:
        session.console.say(f"\n{whose}{trouble.what}.\n  {trouble.advice}")


def _ago(taken: datetime, clock: datetime) -> str:
    days = (clock.date() - taken.astimezone(clock.tzinfo).date()).days
    if days < 0:
        return "in the future"
    return "today" if days == 0 else "yesterday" if days == 1 else f"{days:,} days ago"


def _mirrors(found: Condition, clock: datetime) -> str:
    if not found.mirrors:
        return "This machine knows of no second archive (handhold mirror FOLDER makes one)."
    newest = found.mirrors[-1]
    return (
        f"Second archive: {newest.place}, brought up to date {_ago(newest.when, clock)}"
        + (f"; and {len(found.mirrors) - 1:,} more" if len(found.mirrors) > 1 else "")
        + "."
    )


def _only(only: tuple[Only, ...]) -> str:
    names = list(dict.fromkeys(one.game or os.path.basename(one.path) for one in only))
    count = words.amount(len(only), "save has", "saves have")
    return f"{count} one copy only, in this archive: {words.listed(names, 4)}."


def _document(found: Condition, where: str, clock: datetime) -> dict[str, Any]:
    return {
        "needs_owner": found.needs_owner,
        "devices": [
            {
                "device": one.device,
                "snapshot": one.night.name,
                "taken": one.night.taken.isoformat(),
                "days": (clock - one.night.taken).days,
                "files": one.night.files,
                "bytes": one.night.bytes,
                "gaps": one.night.gaps,
                "troubles": [_trouble(trouble) for trouble in one.troubles],
            }
            for one in found.devices
        ],
        "archive": {
            "path": where,
            "free": found.free,
            "total": found.total,
            "same_medium": list(found.shared),
            "troubles": [_trouble(trouble) for trouble in found.archive],
        },
        "mirrors": [{"path": one.place, "when": one.when.isoformat()} for one in found.mirrors],
        "one_copy": [
            {
                "emulator": one.emulator,
                "game": one.game,
                "path": one.path,
                "device": one.device,
                "snapshot": one.snapshot,
                "on_device": one.stands,
            }
            for one in found.only
        ],
    }


def _trouble(trouble: Trouble) -> dict[str, str]:
    return {"kind": trouble.need.value, "what": trouble.what, "advice": trouble.advice}
