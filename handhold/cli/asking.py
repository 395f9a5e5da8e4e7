"""The yes of the owner, without which nothing is written."""

from __future__ import annotations

from typing import TYPE_CHECKING

from handhold.cli.line import Ended
from handhold.errors import Exit, WrongInput

if TYPE_CHECKING:
    from handhold.cli.console import Console


def settled(json: bool, *, dry_run: bool, yes: bool) -> None:
    """Refuses ``--json`` where a question would have to be asked: ``WrongInput``."""
    if json and not (dry_run or yes):
        raise WrongInput("--json cannot ask.", "Add --dry-run to see the plan, or --yes to carry it out.")


def agree(console: Console, yes: bool, question: str) -> None:
    """Goes on only if the owner said yes, now or on the command line."""
    if yes:
        return
    if not console.asks:
        raise WrongInput(
            "Nothing was written: nobody is here to say yes.",
            "Add --yes to carry it out, or --dry-run to look.",
        )
    if not console.agrees(f"\n{question}"):
        console.say("Nothing was written.")
        raise Ended(Exit.DONE)
