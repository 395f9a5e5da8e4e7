"""What a card can hold after the power went: a model of disks, and every state that a recording leads to.

A recording is what one run did to its folders, call by call (``watching.record`` gives it). ``states`` cuts
it between any two calls and builds what a card could then hold:

- what was written to a file and not flushed is there or not, sector by sector, in any combination, and the
  file is as long as before, as long as now, or ends at any sector between; a sector that did not get there
  holds what it held before, or in a file that grew zeros, ones or rubbish;
- names that were given, taken or changed and whose folder was not flushed are there or not. On an ``ordered``
  file system (one with a journal) they become durable in the order of the calls, and a rename is one step.
  Otherwise (FAT, exFAT) any of them may be there without any other, and a rename is as many steps as it
  touches entries: the old name, the new one, the file that stood there before;
- flushing a file makes its content durable and not its name; flushing a folder makes its names durable.

Volumes forget independently of each other. Where there are more combinations than are asked for, some are
drawn from a seed; the states say how many of the cuts were covered wholly.

>>> for state in states(recording, most=50):                        # doctest: +SKIP
...     state.lay_out(folder)
"""

from __future__ import annotations

import hashlib
import itertools
import math
import os
import random
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

#: Bytes that a medium writes as one.
SECTOR = 512

#: Content of each path, None for a folder. Paths begin with the volume's name: ``"card/Tinplate/a.sav"``.
Tree = dict[str, bytes | None]


class Make(NamedTuple):
    """A file or folder comes to be, empty; nothing happens if it is there."""

    path: str
    folder: bool = False


class Write(NamedTuple):
    """Bytes are written into a file at an offset."""

    path: str
    offset: int
    data: bytes


class Resize(NamedTuple):
    """A file is cut or made longer."""

    path: str
    size: int


class Stamp(NamedTuple):
    """A file gets a modification time (nanoseconds)."""

    path: str
    modified: int


class Flush(NamedTuple):
    """A file's content, or a folder's names, are made durable."""

    path: str


class FlushAll(NamedTuple):
    """Everything on the volume of this path is made durable."""

    path: str


class Rename(NamedTuple):
    """A file gets another name, in place of what had it."""

    old: str
    new: str


class Link(NamedTuple):
    """A file gets a second name."""

    old: str
    new: str


class Remove(NamedTuple):
    """A file or an empty folder goes."""

    path: str


Operation = Make | Write | Resize | Stamp | Flush | FlushAll | Rename | Link | Remove


@dataclass(frozen=True)
class Recording:
    """What stood in the folders before a run, and what the run did, in its order."""

    before: Tree
    times: Mapping[str, int]  # modification times before, nanoseconds
    operations: tuple[Operation, ...]


@dataclass(frozen=True)
class State:
    """What the volumes hold after a cut: ``after`` so many operations of the recording."""

    after: int
    tree: Tree
    times: Mapping[str, int]
    ordered: bool  # whether names became durable in the order of the calls

    def lay_out(self, folder: str | os.PathLike[str]) -> None:
        """Builds it as real folders, one for each volume, in an empty folder."""
        root = os.fspath(folder)
        for path in sorted(self.tree):
            content = self.tree[path]
            place = os.path.join(root, path)
            if content is None:
                os.makedirs(place, exist_ok=True)
                continue
            with open(place, "xb") as file:
                file.write(content)
            if path in self.times:
                os.utime(place, ns=(self.times[path], self.times[path]))


@dataclass
class Tally:
    """What ``states`` built: so many states, all different, and how many cuts were covered wholly."""

    cuts: int = 0
    wholly: int = 0
    drawn: int = 0
    states: int = 0

    def __str__(self) -> str:
        return (
            f"{self.states:,} different states of {self.cuts} cuts "
            f"({self.wholly} covered wholly, {self.drawn} by drawing)"
        )


def states(
    recording: Recording,
    *,
    most: int = 64,
    seed: int = 0,
    sector: int = SECTOR,
    ordered: Sequence[bool] = (True, False),
    tally: Tally | None = None,
) -> Iterator[State]:
    """Every different state that a card could hold after a cut, at most ``most`` for each cut and order.

    Where a cut allows more, the extremes are among those that are drawn: nothing more was durable, all was,
    and all but one thing.
    """
    counts = tally if tally is not None else Tally()
    for in_order in ordered:
        disk = Disk(recording, in_order, sector)
        seen: set[bytes] = set()
        for after in range(len(recording.operations) + 1):
            if after:
                disk.do(recording.operations[after - 1])
            for state in disk.cut(most, f"{seed}/{in_order}/{after}", counts):
                mark = _mark(state)
                if mark not in seen:
                    seen.add(mark)
                    counts.states += 1
                    yield state


def _picks(counts: Sequence[int], most: int, seed: str) -> Iterator[tuple[int, ...]]:
    """Which alternative of each chance: every combination, or some of them. 0 is nothing, the last is all."""
    if math.prod(counts) <= most:
        yield from itertools.product(*map(range, counts))
        return
    whole = tuple(count - 1 for count in counts)
    drawn = [tuple(0 for _ in counts), whole]
    drawn += [(*whole[:at], 0, *whole[at + 1 :]) for at in range(len(counts))]
    drawn += [
        (*(0 for _ in counts[:at]), whole[at], *(0 for _ in counts[at + 1 :])) for at in range(len(counts))
    ]
    yield from drawn[:most]
    chance = random.Random(seed)
    for _ in range(most - len(drawn)):
        yield tuple(chance.randrange(count) for count in counts)


def _mark(state: State) -> bytes:
    digest = hashlib.sha256()
    for path in sorted(state.tree):
        content = state.tree[path]
        digest.update(path.encode("utf-8", "surrogateescape"))
        digest.update(b"\0/" if content is None else b"\0" + hashlib.sha256(content).digest())
    return digest.digest()


# -- the disk --------------------------------------------------------------------------------------------


@dataclass
class _Node:
    """A file's content: what is durable, and what was done to it since."""

    content: bytes = b""
    pending: list[Write | Resize] = field(default_factory=list)
    modified: int | None = None
    folder: bool = False

    def written(self) -> bytes:
        now = bytearray(self.content)
        for change in self.pending:
            if isinstance(change, Resize):
                del now[change.size :]
                now.extend(bytes(change.size - len(now)))
            else:
                now.extend(bytes(max(0, change.offset - len(now))))
                now[change.offset : change.offset + len(change.data)] = change.data
        return bytes(now)


#: A change of one entry of a folder: the path, and what it names from then on (None: nothing).
_Entry = tuple[str, "_Node | None"]


@dataclass
class _Names:
    """One call's changes of names that are not durable yet: the ways in which it may have got there."""

    ways: list[list[_Entry]]  # the first is not at all, the last is wholly
    folders: set[str]


class _Got(NamedTuple):
    """What got there: entries that changed, and the content of a file."""

    entries: list[_Entry]
    content: tuple[_Node, bytes] | None = None


@dataclass(frozen=True)
class _Chance:
    """Something that got to the medium in one of ``count`` ways; ``take`` gives one by its number."""

    count: int
    take: Callable[[int], _Got]


class _Sectors:
    """Which sectors of a file that was not flushed got there, and how long it became."""

    def __init__(self, node: _Node, sector: int, rubbish: random.Random) -> None:
        self.node, self.sector = node, sector
        self.old, self.new = node.content, node.written()
        self.filler = rubbish.choice([b"\0", b"\xff", rubbish.randbytes(1)])
        low, high = sorted((len(self.old), len(self.new)))
        between = range(low - low % sector + sector, high, sector)
        self.sizes = [len(self.old), *between, len(self.new)]
        longest = max(len(self.old), len(self.new))
        self.differing = [
            at for at in range(0, longest, sector) if self.old[at : at + sector] != self.new[at : at + sector]
        ]
        self.count = len(self.sizes) << len(self.differing)

    def take(self, pick: int) -> _Got:
        size = self.sizes[pick >> len(self.differing)]
        content = bytearray(self.old[:size].ljust(size, self.filler))
        for number, at in enumerate(self.differing):
            if pick >> number & 1 and at < size:
                there = self.new[at : at + self.sector]
                content[at : at + len(there)] = there
        return _Got([], (self.node, bytes(content[:size])))


class Disk:
    """The folders of a recording while its operations are done to them, with what is durable of it."""

    def __init__(self, recording: Recording, ordered: bool, sector: int = SECTOR) -> None:
        self.ordered = ordered
        self.sector = sector
        self.done = 0
        self.names: dict[str, _Node] = {}  # as the running program sees them
        for path, content in recording.before.items():
            self.names[path] = _Node(
                content or b"", modified=recording.times.get(path), folder=content is None
            )
        self.durable = dict(self.names)
        self.pending: list[_Names] = []

    def do(self, one: Operation) -> None:
        """Does one operation."""
        self.done += 1
        if isinstance(one, Make):
            if one.path not in self.names:
                self._name([[], [(one.path, _Node(folder=one.folder))]], one.path)
        elif isinstance(one, Write | Resize):
            self.names[one.path].pending.append(one)
        elif isinstance(one, Stamp):
            self.names[one.path].modified = one.modified
        elif isinstance(one, Flush):
            self._flush(one.path)
        elif isinstance(one, FlushAll):
            volume = one.path.partition("/")[0]
            for path, node in self.names.items():
                if path.partition("/")[0] == volume:
                    _settle(node)
            self._settle_names(lambda folder: folder.partition("/")[0] == volume)
        elif isinstance(one, Rename):
            self._rename(one.old, one.new)
        elif isinstance(one, Link):
            self._name([[], [(one.new, self.names[one.old])]], one.new)
        else:
            self._name([[], [(one.path, None)]], one.path)

    def _rename(self, old: str, new: str) -> None:
        node = self.names[old]
        if node.folder:
            raise NotImplementedError("no run renames folders")
        there, gone, free = (new, node), (old, None), (new, None)
        ways: list[list[_Entry]] = [[]]
        if not self.ordered:
            ways += [[there], [gone]]
            if new in self.names:
                ways += [[free], [free, gone]]
        ways.append([there, gone])
        self._name(ways, old, new)

    def _name(self, ways: list[list[_Entry]], *paths: str) -> None:
        for path, node in ways[-1]:
            if node is None:
                self.names.pop(path)
            else:
                self.names[path] = node
        self.pending.append(_Names(ways, {os.path.dirname(path) for path in paths}))

    def _flush(self, path: str) -> None:
        node = self.names.get(path)
        if node is not None and not node.folder:
            _settle(node)
        else:
            self._settle_names(lambda folder: folder == path)

    def _settle_names(self, flushed: Callable[[str], bool]) -> None:
        """Makes pending changes of names durable: those in the folders that were flushed."""
        if self.ordered:  # a journal holds them in their order: what is before the last one is with it
            last = max((at for at, p in enumerate(self.pending) if any(map(flushed, p.folders))), default=-1)
            for one in self.pending[: last + 1]:
                _apply(self.durable, one.ways[-1])
            del self.pending[: last + 1]
            return
        left = []
        for one in self.pending:
            _apply(self.durable, [e for e in one.ways[-1] if flushed(os.path.dirname(e[0]))])
            rest = [[e for e in way if not flushed(os.path.dirname(e[0]))] for way in one.ways]
            whole = rest[-1]
            if whole:
                some = [way for at, way in enumerate(rest) if way not in rest[:at] and way != whole]
                left.append(_Names([*some, whole], {os.path.dirname(path) for path, _ in whole}))
        self.pending = left

    def cut(self, most: int, seed: str, tally: Tally) -> Iterator[State]:
        """What can be there if the power goes now: every combination, or ``most`` of them from a seed."""
        chances = self._chances(random.Random(seed))
        number = math.prod(chance.count for chance in chances)
        tally.cuts += 1
        tally.wholly += number <= most
        tally.drawn += number > most
        for picks in _picks([chance.count for chance in chances], most, seed):
            yield self._state([chance.take(pick) for chance, pick in zip(chances, picks, strict=True)])

    def _chances(self, rubbish: random.Random) -> list[_Chance]:
        """What may have got to the medium in more than one way, if the power goes now."""
        chances = []
        if self.ordered:
            volumes: dict[str, list[_Names]] = {}
            for one in self.pending:
                volumes.setdefault(min(one.folders).partition("/")[0], []).append(one)
            for some in volumes.values():
                prefixes = [
                    [entry for one in some[:length] for entry in one.ways[-1]]
                    for length in range(len(some) + 1)
                ]
                chances.append(_names_chance(prefixes))
        else:
            chances += [_names_chance(one.ways) for one in self.pending]
        nodes = {id(node): node for node in (*self.names.values(), *self._named())}
        for node in nodes.values():
            if node.pending:
                content = _Sectors(node, self.sector, rubbish)
                chances.append(_Chance(content.count, content.take))
        return chances

    def _named(self) -> Iterator[_Node]:
        yield from self.durable.values()
        for one in self.pending:
            for way in one.ways:
                yield from (node for _, node in way if node is not None)

    def _state(self, got: Sequence[_Got]) -> State:
        """What is there if this, and no more, got to the medium."""
        names = dict(self.durable)
        contents: dict[int, bytes] = {}
        for one in got:
            _apply(names, one.entries)
            if one.content is not None:
                contents[id(one.content[0])] = one.content[1]
        tree: Tree = {}
        times: dict[str, int] = {}
        for path in sorted(names):
            folder = os.path.dirname(path)
            if folder and (folder not in tree or tree[folder] is not None):
                continue  # its folder did not get there
            node = names[path]
            tree[path] = None if node.folder else contents.get(id(node), node.content)
            if node.modified is not None and not node.folder:
                times[path] = node.modified
        return State(self.done, tree, times, self.ordered)


def _names_chance(ways: Sequence[list[_Entry]]) -> _Chance:
    return _Chance(len(ways), lambda pick: _Got(ways[pick]))


def _settle(node: _Node) -> None:
    node.content = node.written()
    node.pending.clear()


def _apply(names: dict[str, _Node], entries: Sequence[_Entry]) -> None:
    for path, node in entries:
        if node is None:
            names.pop(path, None)
        else:
            names[path] = node
