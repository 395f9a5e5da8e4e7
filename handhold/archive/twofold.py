"""All shares judged: in threads, and by two other processes where that pays and they can be had."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from handhold.archive.judging import Found, Judging, Result
from handhold.archive.mapped import MappedStorage
from handhold.archive.shares import Share
from handhold.archive.sharing import Sharing
from handhold.archive.storage import LocalStorage, Storage
from handhold.archive.wholes import Wholes

#: For fewer shares other processes take as long to make as they save.
WORTH = 4
#: They do all of it, while their caller follows what snapshots name: only they may look at what is mapped.
OTHERS = 2
#: They are nicer by so much: what their caller follows takes longer than what each of them reads.
_NICER = 5


def judged(
    storage: Storage,
    tables: dict[str, bytes],
    wholes: Wholes | None,
    shares: Sequence[Share],
    step: Callable[[int], None],
    meanwhile: Callable[[], Iterator[None]],
) -> Iterator[Result]:
    """What is found of each of the shares, in no order; ``step`` gets the bytes as they are done.

    Where other processes judge, ``meanwhile`` is done beside it, step by step. ``NotNow`` passes. What the
    others do not tell of is judged here: so is all that they were at when the archive went away, or memory,
    or one of them itself.
    """
    other = apart(storage) if len(shares) >= WORTH else None

    early = 0  # bytes that were told before their shares

    def take(count: int) -> None:
        nonlocal early
        early += count
        step(count)

    def done(count: int) -> None:
        nonlocal early
        known = min(early, count)
        early -= known
        step(count - known)

    def work(numbers: Iterable[int], go_on: Callable[[int], None]) -> Iterator[tuple[int, Any]]:
        assert other is not None
        os.nice(_NICER)
        with Judging(other, tables, wholes, _threads(OTHERS)) as judging:
            for number, (found, digests) in judging.results(shares, numbers, go_on):
                yield number, ([tuple(one) for one in found], digests)

    with Sharing(len(shares), work if other else None, OTHERS) as sharing:

        def told(wait: bool) -> Iterator[Result]:
            for found, digests in sharing.told(wait, take):
                result = Result([Found(*one) for one in found], digests)
                done(sum(one.done for one in result.found))
                yield result

        for _ in meanwhile() if sharing.others else ():
            yield from told(False)
        if sharing.others < OTHERS:
            with Judging(storage, tables, wholes, _threads(1 + sharing.others)) as judging:
                for number, result in judging.results(shares, sharing.numbers(), done):
                    sharing.done(number)
                    yield result
                    yield from told(False)
        yield from told(True)
        if left := sharing.left():
            with Judging(storage, tables, wholes, _threads(1)) as judging:
                for _, result in judging.results(shares, left, done):
                    yield result


def apart(storage: Storage) -> Storage | None:
    """The same place, with no file open yet, for another process; None where that cannot be had."""
    return MappedStorage(storage.root) if type(storage) is LocalStorage else None


def _threads(processes: int) -> int:
    """The threads that judge in each of so many processes; none where each has one core."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    threads = min(4, cores) // processes
    return threads if threads > 1 else 0
