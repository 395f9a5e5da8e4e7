"""The versions of saves and the evenings of play, as people and as scripts read them."""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from handhold import amounts
from handhold.cli import words
from handhold.history.evenings import Evening, weeks
from handhold.history.versions import History, Stay, Version
from handhold.model import Kind
from handhold.restore.select import title

if TYPE_CHECKING:
    from handhold.archive.head import Snapshot
    from handhold.archive.standing import Line
    from handhold.cli.console import Console
    from handhold.history.reading import Histories

#: So many saves are shown version by version; more are a list with a line for each.
_MOST_SAVES = 6
_MOST_LINES = 60
#: So many versions are shown one by one; the older ones are one line for each month.
_NEWEST = 16
#: So many weeks of the calendar.
_MOST_WEEKS = 26


def show(console: Console, saves: Sequence[History], *, every: bool) -> None:
    """The versions of each save; where many fit, a line for each of them."""
    if len(saves) > _MOST_SAVES:
        _list(console, saves, every=every)
        return
    for at, save in enumerate(saves):
        if at:
            console.say()
        _versions(console, save, every=every)
    _hint(console, saves)


def _list(console: Console, saves: Sequence[History], *, every: bool) -> None:
    newest = sorted(saves, key=_last_new, reverse=True)
    shown = newest if every else newest[:_MOST_LINES]
    several = Counter(name_of(save) for save in shown)
    rows = [
        (
            name_of(save) if several[name_of(save)] == 1 else save.identity[2].rpartition("/")[2],
            save.identity[0],
            save.identity[1].value,
            f"{len(save.versions):,}",
            words.moment(_latest(save).taken),
            _where(save),
        )
        for save in shown
    ]
    console.table(
        ("Game or file", "Emulator", "Part", "Versions", "Last new one", "Stands on"), rows, right=(3,)
    )
    if len(saves) > len(shown):
        console.say(f"and {len(saves) - len(shown):,} more (--all or --json lists all)")
    console.say("\nhandhold history GAME, or a file's name or path, shows the versions of one.")


def _latest(save: History) -> Snapshot:
    """The snapshot that first saw the version that was seen last of all."""
    return max(save.versions, key=lambda one: one.number).first


def _last_new(save: History) -> float:
    return _latest(save).sequence


def name_of(save: History) -> str:
    """What a player calls it."""
    return title(save.entry.game, save.identity[2])


def _where(save: History) -> str:
    if save.forked:
        return f"fork: {words.listed([_devices(version.stands) for version in save.forked])}"
    return _devices(line for version in save.versions for line in version.stands) or "gone"


def _devices(lines: Iterable[Line]) -> str:
    return ", ".join(sorted({line.device for line in lines}))


def _versions(console: Console, save: History, *, every: bool) -> None:
    emulator, part, path = save.identity
    console.say(f"{name_of(save)} ({emulator}, {part.value}), {words.amount(len(save.versions), 'version')}")
    console.say(f"  in exports: {path}" if save.inside else f"  {path}")
    _fork(console, save)
    for line, night in sorted(save.gone.items()):
        place = f"{line.device} ({line.volume})"
        console.say(f"  Not on {place} any more since {words.moment(night.taken)}.")
    shown = save.versions if every else save.versions[:_NEWEST]
    folded = save.versions[len(shown) :]
    if len(folded) == 1:
        shown, folded = save.versions, ()
    after = save.after()
    rows = [_row(version, after.get(version.number)) for version in shown]
    console.table(("No", "First stood", "Until", "Size", "Nights", "On", ""), rows, right=(0, 3, 4))
    if folded:
        console.say("Before that, by month:")
        months = [_folded(month, list(some)) for month, some in groupby(folded, key=_month)]
        console.table(("Month", "Versions", "No", "Largest", "Nights", "On"), months, right=(1, 3, 4))
    star = "* stood there when last seen. " if any(version.stands for version in shown) else ""
    more = "--all shows every version on a line of its own." if folded else ""
    if star or more:
        console.say(f"{star}{more}".rstrip())


def _row(version: Version, after: int | None) -> tuple[str, ...]:
    return (
        str(version.number),
        words.moment(version.first.taken),
        f"{version.last.taken:%Y-%m-%d}",
        amounts.size(version.size),
        f"{version.nights:,}",
        _few(version.devices, {line.device for line in version.stands}),
        _note(version, after),
    )


def _note(version: Version, after: int | None) -> str:
    notes = []
    if after is not None and after != version.number - 1:
        notes.append(f"after {after}")
    if after is None and version.number > 1:
        notes.append("begun apart")
    if not version.snapshots:
        notes.append("let go")
    if version.first.kind is Kind.ADOPTED:
        notes.append("adopted")
    return ", ".join(notes)


def _few(devices: Sequence[str], now: Collection[str] = ()) -> str:
    """Devices in a column: by name, or by their number where they are many; a star where it stands now."""
    if len(devices) > 2:
        return f"{len(devices)} devices{'*' if now else ''}"
    return ", ".join(f"{device}*" if device in now else device for device in devices)


def _month(version: Version) -> str:
    return f"{version.last.taken:%Y-%m}"


def _folded(month: str, some: Sequence[Version]) -> tuple[str, ...]:
    """The versions of a month in one line."""
    numbers = sorted(version.number for version in some)
    return (
        month,
        f"{len(some):,}",
        f"{numbers[0]}-{numbers[-1]}" if len(numbers) > 1 else str(numbers[0]),
        amounts.size(max(version.size for version in some)),
        f"{sum(version.nights for version in some):,}",
        _few(sorted({device for version in some for device in version.devices})),
    )


def _fork(console: Console, save: History) -> None:
    if not save.forked:
        return
    sides = [f"{one.number} on {_devices(one.stands)}" for one in save.forked]
    console.say(f"  Fork: {words.listed(sides)}; neither came after the other.")
    device = save.forked[0].stands[0].device
    console.say("  To choose, on the device that is to have it:")
    console.say(f"    handhold carry --take {device} --game {_quoted(name_of(save))}")


def _quoted(text: str) -> str:
    return f'"{text}"' if not set('"$`\\') & set(text) else shlex.quote(text)


def _hint(console: Console, saves: Sequence[History]) -> None:
    """The command that brings a version back: an older one, or else the last one, if it is gone."""
    kept = [(save, version) for save in saves for version in save.versions if version.source]
    older = next(((save, version) for save, version in kept if not version.stands), None)
    if not kept:
        return
    save, version = older or kept[0]
    console.say(f"\nTo bring one back, here version {version.number}:")
    emulator, _, path = save.identity
    dash = "=" if path.startswith("-") else " "
    pieces = ["history", f"--emulator {emulator}", f"--path{dash}{_quoted(path)}"]
    console.command(*pieces, f"--restore {version.number}{' --on-newer replace' if older else ''}")
    console.say(
        "The plan is shown first. --on-newer replace goes back on purpose; without it newer progress stays. "
        "What is replaced goes into the archive first, and handhold undo brings it back."
    )


def show_calendar(
    console: Console, saves: Sequence[History], played: Sequence[Evening], *, every: bool
) -> None:
    """The weeks in which any of these saves was played, with the days of the month."""
    names = words.listed(sorted({name_of(save) for save in saves}), 3)
    if not played:
        console.say(f"{names}: no evening of play that the snapshots saw.")
        return
    days = sorted({evening.day for evening in played})
    console.say(f"{names}: {words.amount(len(days), 'evening')}, {days[0]} to {days[-1]}")
    for device in sorted({evening.device for evening in played}):
        own = {evening.day for evening in played if evening.device == device}
        console.say(f"  on {device}: {len(own):,}")
    rows: list[tuple[str, ...]] = []
    played_on = set(days)
    for empty, some in groupby(weeks(days), key=lambda week: not played_on.intersection(week.every)):
        run = list(some)
        if empty and len(run) > 1:
            rows.append(("…", f"{len(run)} weeks", *([""] * 8)))
            continue
        for week in run:
            marks = [str(day.day) if day in played_on else "." for day in week.every]
            rows.append((week.name, f"{week.monday}", *marks, str(7 - marks.count("."))))
    left = [] if every else rows[:-_MOST_WEEKS]
    console.say()
    headers = ("Week", "From", "Mo", "Tu", "We", "Th", "Fr", "Sa", "Su", "Evenings")
    console.table(headers, rows[len(left) :], right=(2, 3, 4, 5, 6, 7, 8, 9))
    if left:
        console.say(f"({words.amount(len(left), 'line')} of earlier weeks: --all shows them)")


def document(found: Histories, played: Sequence[Evening]) -> dict[str, Any]:
    """The same for scripts, complete."""
    return {
        "saves": [_save(save) for save in found.saves],
        "evenings": [
            {
                "day": f"{evening.day}",
                "week": _iso_week(evening),
                "device": evening.device,
                "saves": [
                    {"emulator": emulator, "part": part.value, "path": path}
                    for emulator, part, path in evening.saves
                ],
            }
            for evening in played
        ],
        "unreadable": list(found.unreadable),
    }


def _iso_week(evening: Evening) -> str:
    year, week, day = evening.day.isocalendar()
    return f"{year:04}-W{week:02}-{day}"


def _save(save: History) -> dict[str, Any]:
    emulator, part, path = save.identity
    after = save.after()
    return {
        "emulator": emulator,
        "part": part.value,
        "game": save.entry.game,
        "path": path,
        "inside": save.inside,
        "fork": [version.number for version in save.forked],
        "gone": [{**_place(line), "since": _about(night)} for line, night in sorted(save.gone.items())],
        "versions": [_version(save, version, after.get(version.number)) for version in save.versions],
    }


def _version(save: History, version: Version, after: int | None) -> dict[str, Any]:
    return {
        "number": version.number,
        **(
            {"crc32": version.content.partition("-")[0], "zip": version.entry.path}
            if save.inside
            else {"sha256": version.content}
        ),
        "size": version.size,
        "modified": None if version.modified is None else words.stamp(version.modified),
        "first": _about(version.first),
        "last": _about(version.last),
        "nights": version.nights,
        "snapshots": [one.name for one in version.snapshots],
        "stood": [_stay(stay) for stay in version.stays],
        "stands": [_place(line) for line in version.stands],
        "after": after,
        "newest": version.newest,
        "restore_from": version.source.name if version.source else None,
    }


def _about(snapshot: Snapshot) -> dict[str, str]:
    return {"snapshot": snapshot.name, "taken": snapshot.taken.isoformat(), "kind": snapshot.kind.value}


def _stay(stay: Stay) -> dict[str, Any]:
    return {
        **_place(stay.line),
        "first": stay.first.name,
        "last": stay.last.name,
        "nights": stay.nights,
    }


def _place(line: Line) -> dict[str, str]:
    return {"device": line.device, "volume": line.volume, "home": line.path}
