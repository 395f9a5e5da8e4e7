"""Parity for what has none, or a hurt one, after all else was mended."""

from __future__ import annotations

from collections.abc import Callable, Collection

from handhold.archive.mending.result import Mending
from handhold.archive.parity.checking import unprotected
from handhold.archive.parity.keeping import begin_parity, keeps_parity, protect
from handhold.archive.parity.sheet import parity_file
from handhold.archive.report import Findings
from handhold.archive.stock import take_stock
from handhold.archive.storage import Storage


def complete_parity(
    storage: Storage,
    result: Mending,
    still_hurt: Collection[str],
    add: bool,
    tell: Callable[[str, int, int], None],
) -> None:
    """Makes it, if the archive is kept with parity or is to be from now on (``add``).

    Never for a file that is ``still_hurt``: parity of what is wrong would keep it wrong. Hurt parity of files
    that are not here goes.
    """
    if not add and not keeps_parity(storage):
        return
    if add and not result.dry and not keeps_parity(storage):
        begin_parity(storage)
        result.parity += 2
    stock = take_stock(storage, Findings())
    there = {**stock.own, **stock.manifests, **stock.bundles}
    hurt = stock.parity.keys() & {one.file for one in result.before.damage}
    wanted = set(unprotected(there, stock.parity.keys() - hurt)) - {*still_hurt, *result.removed}
    for number, file in enumerate(sorted(wanted)):
        tell("Making parity", number, len(wanted))
        why = None if result.dry else protect(storage, file, there[file])
        if why:
            result.told.append(f"{file} is without parity: {why}")
        else:
            result.parity += 1
    for file in sorted(hurt - {parity_file(one) for one in there}):
        if not result.dry:
            storage.delete(file)
        result.removed.append(file)
