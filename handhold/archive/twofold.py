"""All shares judged: in threads, and by a second process beside this one where that pays and can be had."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from handhold.archive.judging import Found, Judging, Result
from handhold.archive.shares import Share
from handhold.archive.sharing import Sharing
from handhold.archive.storage import LocalStorage, Storage
from handhold.archive.wholes import Wholes

#: For fewer shares a second process takes as long to make as it saves.
WORTH = 4


def judged(
    storage: Storage,
    tables: dict[str, bytes],
    wholes: Wholes | None,
    shares: Sequence[Share],
    step: Callable[[int], None],
    meanwhile: Callable[[], None],
) -> Iterator[Result]:
    """What is found of each of the shares, in no order; ``step`` gets the bytes as they are done.

    ``meanwhile`` is done beside it. ``NotNow`` passes. What a second process does not tell of is judged here:
    so is all that it was at when the archive went away, or memory, or that process itself.
    """
    other = apart(storage) if len(shares) >= WORTH else None

    def work(numbers: Iterable[int], go_on: Callable[[], None]) -> Iterator[tuple[int, Any]]:
        assert other is not None
        with Judging(other, tables, wholes, _threads(2)) as judging:
            for number, (found, digests) in judging.results(shares, numbers, lambda _: go_on()):
                yield number, ([tuple(one) for one in found], digests)

    with Sharing(len(shares), work if other else None) as sharing:

        def told(wait: bool) -> Iterator[Result]:
            for found, digests in sharing.told(wait):
                result = Result([Found(*one) for one in found], digests)
                step(sum(one.done for one in result.found))
                yield result

        with Judging(storage, tables, wholes, _threads(1 if sharing.alone else 2)) as judging:
            beside = judging.beside(meanwhile)
            for number, result in judging.results(shares, sharing.numbers(), step):
                sharing.done(number)
                yield result
                yield from told(False)
            yield from told(True)
            for _, result in judging.results(shares, sharing.left(), step):
                yield result
            beside.result()


def apart(storage: Storage) -> Storage | None:
    """The same place, with no file open yet, for another process; None where that cannot be had."""
    return LocalStorage(storage.root) if type(storage) is LocalStorage else None


def _threads(processes: int) -> int:
    """The threads that judge in each of so many processes; none where each has one core."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    threads = min(4, cores) // processes
    return threads if threads > 1 else 0
