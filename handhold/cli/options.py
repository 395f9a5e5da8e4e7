"""Options and arguments that several commands have, said once: they read the same wherever they stand."""

from __future__ import annotations

from typing import Annotated

from handhold.cli.line import Argument, Option

Emulators = Annotated[list[str] | None, Option(metavar="ID", help="Only this emulator; repeat.")]
Parts = Annotated[list[str] | None, Option(metavar="PART", help="Only this part; repeat.")]
Games = Annotated[
    list[str] | None, Option(metavar="GAME", help="Only this game; * and ? stand for text; repeat.")
]
Paths = Annotated[
    list[str] | None,
    Option(metavar="PATH", help="Only this path in an emulator's home; * and ? too; repeat."),
]
Homes = Annotated[
    list[str] | None, Option(metavar="EMULATOR=PATH", help="Where an emulator's home lies here.")
]
Checklist = Annotated[
    str | None,
    Option(metavar="FILE", help="Write what is to be done, to tick off, as FILE.md or FILE.html."),
]
EveryFile = Annotated[bool, Option("--files", help="Every file on a line of its own.")]
DryRun = Annotated[bool, Option("--dry-run", help="Only show what would be done.")]
Yes = Annotated[bool, Option("--yes", help="Do it without asking.")]
Json = Annotated[bool, Option("--json", help="One JSON document for scripts.")]

SnapshotName = Annotated[
    str, Argument(metavar="SNAPSHOT", help="latest, DEVICE, DEVICE.DATE or a whole name.")
]
