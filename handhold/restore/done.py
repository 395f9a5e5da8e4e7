"""What became of a step: what stands there now, or why it did not work, in the owner's words."""

from __future__ import annotations

import errno
import os

import msgspec
from msgspec.structs import replace

from handhold.device.times import modified_of
from handhold.device.trouble import why_unreadable
from handhold.errors import Damaged, OwnerError
from handhold.model import Entry
from handhold.restore.found import Target
from handhold.restore.steps import NOT_HELD, Action, Decision, Step

_UNSURE = "it was written, but the card reports an error since; look whether it can be trusted"


class Done(msgspec.Struct, frozen=True):
    """A step after it was tried. ``written`` is the entry as it stands now, None if nothing was written."""

    step: Step
    written: Entry | None


def standing_as(step: Step, target: Target, modified: int) -> Entry:
    """The entry as it stands once the step is done. ``modified`` in nanoseconds."""
    entry = step.entry
    return Entry(
        emulator=entry.emulator,
        part=entry.part,
        home=target.site.home,
        path=step.path,
        size=entry.size,
        modified=modified,
        sha256=entry.sha256,
        game=entry.game,
        recipe=entry.recipe,
        members=entry.members,
    )


def arrived(step: Step, told: os.stat_result) -> Done:
    """The step with what ``told`` says of the file that has its name now."""
    assert step.target is not None
    stands = standing_as(step, step.target, modified_of(told))
    if not timely(step, told):
        step = replace(step, why=f"{step.why}; its time could not be set on this card")
    return Done(step, stands)


def timely(step: Step, told: os.stat_result) -> bool:
    """Whether a file has the time that it should, as well as its volume can tell."""
    assert step.target is not None
    return abs(modified_of(told) - step.entry.modified) <= step.target.traits.step_ns


def unsure(done: Done) -> Done:
    """One that was written, and whose medium then reported an error."""
    step = replace(done.step, decision=Decision.FAILED, action=Action.LEAVE, why=_UNSURE)
    return Done(step, done.written)


def failed(step: Step, error: Exception) -> Done:
    """A step of which nothing was written, and why."""
    return failed_for(step, *why_failed(error))


def failed_for(step: Step, why: str, damage: bool) -> Done:
    """The same with what ``why_failed`` said of the error."""
    damage = damage or step.damage
    return Done(replace(step, decision=Decision.FAILED, action=Action.LEAVE, why=why, damage=damage), None)


def why_failed(error: Exception) -> tuple[str, bool]:
    """Why a step failed, in the owner's words, and whether it is the archive that is hurt."""
    return _words(error), isinstance(error, Damaged)


def _words(error: Exception) -> str:
    if isinstance(error, Damaged):
        return NOT_HELD
    if isinstance(error, OwnerError):
        return error.what
    if isinstance(error, OSError):
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            return "there was no room left on the card; what was written before stays"
        if error.errno == errno.EROFS:
            return "that place can only be read, not written"
        if error.errno in (errno.EACCES, errno.EPERM):
            return "writing there is not permitted"
        if error.errno == errno.EFBIG:
            return "the file is larger than this card can hold"
        return f"it could not be written: {why_unreadable(error)}"
    return str(error)
