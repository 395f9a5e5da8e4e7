"""Three handhelds, one archive: play, copies, restores, carries, undos in any order, and a model that knows.

Every evening's play writes a content that there never was before, so the model knows which content came out
of which, whatever the clocks say and whatever the archive has seen. It knows nothing of how a plan is made.
What must hold:

- no content that a restore, a carry or an undo finds on a device is lost from both the device and the
  archive;
- a carry puts nothing in place of a content that it did not come out of, unless its owner said so: so newer
  progress is never replaced, and no fork is resolved silently; nor does a restore;
- what an owner went back to stays until its owner takes something else;
- what was deleted stays away where nobody played on;
- where nobody copied, deleted, went back or had the power cut, the newest always comes.

What the owner says: a restore with ``replace``, a carry with ``take``, an undo, and a copy by hand. Then what
was put there counts as coming out of what it replaced.

The long form takes 200,000 steps in twenty chapters that can be run one by one: ``-k chapter-07``.
"""

from __future__ import annotations

import gc
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest import mock

import pytest
from hypothesis import HealthCheck, seed, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    rule,
    run_state_machine_as_test,
)

from handhold.ahead import Task
from handhold.archive import manifest as manifests
from handhold.errors import WrongInput
from handhold.intake import intake
from handhold.model import Kind
from handhold.restore.newest import Here
from handhold.restore.select import Selection
from handhold.restore.steps import OnNewer
from handhold.restore.undo import prepare_undo
from tests.restore.power import cut_off
from tests.restore.world import World, nanoseconds, tree

GAMES = ("moss", "fern")
NAMES = ("plover", "lantern", "heron")
DEVICES = st.sampled_from(NAMES)
JUMPS = st.sampled_from([-9000.0, -400.0, -1.0, -0.04, 0.0, 0.04, 1.0, 400.0, 4000.0])  # days
TAKES = st.sampled_from([None, None, None, *NAMES])
SOME = st.sampled_from(["*", "*", *GAMES])
MOMENTS = st.just(0) | st.just(0) | st.integers(0, 60)  # of the cut of power; 0: none
_FAST = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None

steps = 0  # taken so far, over all runs
gave_way = (
    0  # contents that a restore, a carry or an undo replaced or removed, each looked for in the archive
)
losses = 0  # of them, those that the archive does not hold


class Truth:
    """Which content came out of which, or was put in its place by its owner."""

    def __init__(self) -> None:
        self.after: dict[bytes, set[bytes]] = {}
        self.loosely: dict[
            bytes, set[bytes]
        ] = {}  # also what came to stand after it without having replaced it

    def add(self, old: bytes | None, new: bytes, *, replaced: bool = True) -> None:
        if old is not None and old != new:
            self.loosely.setdefault(old, set()).add(new)
            if replaced:
                self.after.setdefault(old, set()).add(new)

    def leads(
        self, old: bytes, new: bytes, *, without: frozenset[bytes] = frozenset(), loose: bool = False
    ) -> bool:
        """Whether ``new`` came out of ``old`` over nothing of what is to be left out."""
        ways = self.loosely if loose else self.after
        seen, todo = {old}, [old]
        while todo:
            for content in ways.get(todo.pop(), ()):
                if content == new and content not in without:
                    return True
                if content not in seen and content not in without:
                    seen.add(content)
                    todo.append(content)
        return False


class Playing(RuleBasedStateMachine):
    """After a first night of each: play, nights and carries; clocks jump, and times are reset."""

    cuts = False  # of power

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp(prefix="three-handhelds-", dir=_FAST))
        self.world = World(self.root)
        self.true_time = self.world.now
        self.wrong: dict[str, float] = {}  # days by which a device's clock is off
        self.progress = 0
        self.truth = Truth()
        self.last: dict[tuple[str, str], bytes] = {}  # what stood last at a path of a device
        #: What the archive saw there last; more than one where the power was cut. A copy by hand that no
        #: snapshot saw can lie between it and what stands there: what is played then seems to come out of it.
        self.seen: dict[tuple[str, str], set[bytes]] = {}
        self.gave_way: dict[
            tuple[str, str], set[bytes]
        ] = {}  # to what its owner went back to, and stands now
        self.clean = dict.fromkeys(GAMES, True)  # nothing but play, nights and carries
        self.unseen: set[tuple[str, str]] = set()  # (device, game) that changed since the last night
        self.nightly: dict[tuple[str, str], set[bytes]] = {}  # what nights saw at a path of a device
        self.kept: set[str] = set()  # what manifests say is held: nights and safety snapshots
        self.read: set[str] = set()

    def teardown(self) -> None:
        try:
            read: set[str] = set()
            for snapshot in self.world.archive.snapshots():
                for entry in self.world.entries(snapshot):
                    if entry.sha256 in read:
                        continue
                    read.add(entry.sha256)
                    data = b"".join(self.world.archive.content(entry))
                    assert hashlib.sha256(data).hexdigest() == entry.sha256
        finally:
            shutil.rmtree(self.root)

    # -- the model ---------------------------------------------------------------------------------------

    def turn_on(self, device: str) -> None:
        """Time goes by, and the clock is that of this device."""
        global steps
        steps += 1
        self.true_time += timedelta(minutes=7)
        self.world.now = self.true_time + timedelta(days=self.wrong.get(device, 0))

    def saves(self, device: str) -> dict[str, bytes]:
        found = tree(self.world.card(device) / "Tinplate")
        return {path: data for path, data in found.items() if ".part" not in path}

    def stand(self, device: str, path: str, data: bytes) -> None:
        """From now on this stands there."""
        if self.last.get((device, path)) != data:
            self.gave_way.pop((device, path), None)
        self.last[device, path] = data

    def put(self, device: str, path: str, data: bytes) -> None:
        """Somebody writes a file, by play or by hand."""
        for before in {self.last.get((device, path)), *self.seen.get((device, path), ())}:
            self.truth.add(before, data)
        self.world.put(device, path, data)
        self.stand(device, path, data)
        self.unseen.add((device, path))

    def note_kept(self) -> None:
        for snapshot in self.world.archive.snapshots():
            if snapshot.name not in self.read and snapshot.kind is not Kind.RESTORED:
                self.kept |= {entry.sha256 for entry in self.world.entries(snapshot)}
            self.read.add(snapshot.name)

    def held(self, data: bytes) -> bool:
        return hashlib.sha256(data).hexdigest() in self.kept

    def spoil(self, *paths: str) -> None:
        """From now on too much happened to these saves to know what must come."""
        for path in paths:
            self.clean.update({game: False for game in GAMES if game in path})

    def check(
        self,
        device: str,
        before: dict[str, bytes],
        *,
        asked: Container[str] = (),
        back: bool = False,
        loose: bool = False,
    ) -> None:
        """After something was written to a device.

        The owner said what should happen to the paths that were ``asked`` for; with ``back``, to go back.
        ``loose``: what stood after something else counts as having come out of it.
        """
        global gave_way, losses
        after = self.saves(device)
        self.note_kept()
        for path in sorted({*before, *after}):
            old, new = before.get(path), after.get(path)
            if old == new:
                continue
            at = (device, path)
            self.unseen.add(at)
            self.seen.setdefault(at, set()).update(data for data in (old, new) if data is not None)
            if old is None and new is not None:
                self.truth.add(self.last.get(at), new, replaced=False)
            if old is not None:
                gave_way += 1
                losses += not self.held(old)
                assert self.held(old), f"{device} {path}: {old!r} is lost"
                if path not in asked:
                    assert new is not None, f"{device} {path} was removed"
                    without = frozenset() if loose else frozenset(self.gave_way.get(at, ()))
                    came = self.truth.leads(old, new, without=without, loose=loose)
                    assert came, f"{device} {path}: {old!r} gave way to {new!r}"
                elif new is not None:
                    self.truth.add(old, new)
            if new is not None:
                self.stand(device, path, new)
                if old is not None and back:
                    self.gave_way.setdefault(at, set()).add(old)

    def with_power(self, device: str, moment: int, work: Callable[[], object]) -> None:
        """Does it, or has the power cut at that moment; 0: never."""
        if not (moment and self.cuts):
            work()
            return
        cut_off(work, moment, bool(moment % 2))
        self.world.reopened()
        self.spoil(*GAMES)

    # -- what happens ------------------------------------------------------------------------------------

    @initialize()
    def first_nights(self) -> None:
        for device in NAMES:
            for game in GAMES:
                self.play(device, game)
            self.night(device)
        for device in NAMES:
            for game in GAMES:  # each begins with the first one's save: its owner chose so
                self.carry(device, "plover", game, 0)
            self.night(device)

    @rule(device=DEVICES, game=st.sampled_from(GAMES))
    def play(self, device: str, game: str) -> None:
        self.turn_on(device)
        path = f"saves/{game}.sav"
        self.progress += 1
        data = f"{game} {self.progress}".encode()
        # What was deleted before no snapshot need have seen gone: then the new one seems to come out of it.
        self.put(device, path, data)

    @rule(device=DEVICES)
    def night(self, device: str) -> None:
        self.turn_on(device)
        if self.saves(device):
            self.world.night(device)
        for path, data in self.saves(device).items():
            self.nightly.setdefault((device, path), set()).add(data)
            self.seen[device, path] = {data}
        self.unseen = {(name, path) for name, path in self.unseen if name != device}
        self.note_kept()

    @rule(device=DEVICES, games=st.sets(st.sampled_from(GAMES)))
    def evening(self, device: str, games: set[str]) -> None:
        """Some play, then the night's snapshot."""
        for game in sorted(games):
            self.play(device, game)
        self.night(device)

    @rule(device=DEVICES, take=TAKES, game=SOME)
    def carry_over(self, device: str, take: str | None, game: str) -> None:
        self.carry(device, take, game, 0)

    @rule(player=DEVICES, device=DEVICES, game=st.sampled_from(GAMES))
    def to_and_fro(self, player: str, device: str, game: str) -> None:
        """An evening on one device, the next one's carry on another."""
        self.evening(player, {game})
        self.carry(device, None, "*", 0)

    def carry(self, device: str, take: str | None, game: str, moment: int) -> None:
        self.turn_on(device)
        before = self.saves(device)
        selection = Selection(games=(game,))
        try:
            prepared = self.world.prepare_carry(device, take=take, selection=selection)
        except WrongInput:
            return
        told = {save.path: save for save in prepared.saves}
        for path, save in told.items():
            if save.here is Here.FORK:
                sides = {version.sha256 for version in save.versions if version.newest}
                assert len(sides) > 1, f"{path} is no fork"
        self.with_power(device, moment, lambda: self.world.carry(device, prepared=prepared))
        # Only what the owner chose for is the owner's choice; all else is as without it.
        chosen = {path for path, save in told.items() if take and save.here in (Here.FORK, Here.REMOVED)}
        after = self.saves(device)
        for path, save in told.items():
            if save.here is Here.FORK and path not in chosen:
                assert after.get(path) == before.get(path), f"{path}: a fork was resolved silently"
        for path in (after.keys() - before.keys()) - chosen:
            assert after[path] not in self.nightly.get((device, path), ()), f"{path} was deleted here"
        assert before.keys() <= after.keys()
        self.check(device, before, asked=chosen)
        if not moment and not take:
            self._check_came(device, game, after)

    def _check_came(self, device: str, game: str, after: dict[str, bytes]) -> None:
        """Where nothing but play, nights and carries happened, the newest of all devices stands here now."""
        for name in GAMES if game == "*" else (game,):
            path = f"saves/{name}.sav"
            if not self.clean[name] or any(
                (other, path) in self.unseen for other in NAMES if other != device
            ):
                continue
            stands = {self.saves(other)[path] for other in NAMES}
            newest = [
                one for one in stands if all(one == other or self.truth.leads(other, one) for other in stands)
            ]
            if newest:
                assert after[path] == newest[0], f"{device} {path}: {newest[0]!r} did not come"

    @rule(device=DEVICES, days=JUMPS)
    def jump(self, device: str, days: float) -> None:
        self.wrong[device] = days

    @rule(device=DEVICES, days=JUMPS)
    def reset_times(self, device: str, days: float) -> None:
        """The card is copied to another one, and every file has the time of that."""
        self.turn_on(device)
        time = nanoseconds(self.world.now + timedelta(days=days))
        for path in self.saves(device):
            os.utime(self.world.card(device) / "Tinplate" / path, ns=(max(time, 0), max(time, 0)))


class Anything(Playing):
    """Restores, undos, deletions and copies by hand as well."""

    @rule(
        device=DEVICES,
        number=st.integers(0, 30),
        on_newer=st.sampled_from([*OnNewer, OnNewer.KEEP, OnNewer.KEEP]),
        game=st.sampled_from(["*", *GAMES]),
        moment=MOMENTS,
    )
    def restore(self, device: str, number: int, on_newer: OnNewer, game: str, moment: int) -> None:
        """Any snapshot, of any device."""
        found = [s for s in self.world.archive.snapshots() if s.kind is not Kind.RESTORED]
        snapshot = found[-1 - number % len(found)]
        self.turn_on(device)
        before = self.saves(device)
        selection = Selection(games=(game,))
        try:
            prepared = self.world.prepare(device, snapshot, selection=selection, on_newer=on_newer)
        except WrongInput:
            return  # that snapshot holds nothing of that game
        self.with_power(
            device,
            moment,
            lambda: self.world.restore(device, snapshot, prepared=prepared),
        )
        asked = on_newer is OnNewer.REPLACE
        after = self.saves(device)
        if asked or on_newer is OnNewer.BOTH:
            self.spoil(*(path for path in after if before.get(path) != after[path]))
        self.check(device, before, asked={*before, *after} if asked else (), back=asked, loose=not asked)

    @rule(device=DEVICES, moment=MOMENTS)
    def undo(self, device: str, moment: int) -> None:
        self.turn_on(device)
        before = self.saves(device)
        try:
            prepared = prepare_undo(self.world.archive, self.world.device(device), clock=self.world.clock)
        except WrongInput:
            return  # there was no restore yet
        self.with_power(device, moment, lambda: self.world.undo(device, prepared))
        after = self.saves(device)
        self.spoil(*(path for path in {*before, *after} if before.get(path) != after.get(path)))
        self.check(device, before, asked=before, back=True)

    @rule(device=DEVICES, game=st.sampled_from(GAMES))
    def lose(self, device: str, game: str) -> None:
        """A player deletes a save by mistake, or on purpose."""
        self.spoil(game)
        (self.world.card(device) / f"Tinplate/saves/{game}.sav").unlink(missing_ok=True)

    @rule(source=DEVICES, device=DEVICES)
    def copy_by_hand(self, source: str, device: str) -> None:
        """A device's whole folder over another's, each file stamped with the time of the copy."""
        self.turn_on(device)
        here = self.saves(device)
        for path, data in self.saves(source).items():
            if here.get(path) != data:
                self.spoil(path)
            self.put(device, path, data)


class Cut(Anything):
    """And the power is cut, in carries, restores and undos."""

    cuts = True

    @rule(device=DEVICES, take=TAKES, game=SOME, moment=st.integers(1, 60))
    def carry_cut_off(self, device: str, take: str | None, game: str, moment: int) -> None:
        self.carry(device, take, game, moment)


class AtOnce:
    """Does each task right away, in the thread that asks for what comes of it."""

    def __init__(self, tasks: Iterator[Task[Any]], in_order: Callable[[Any], Any], **_: object) -> None:
        self._tasks = tasks
        self._in_order = in_order

    def __enter__(self) -> Iterator[Any]:
        return (self._in_order(task.work()) for task in self._tasks)

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """No thread is to be ended."""


@contextmanager
def cheaply() -> Iterator[None]:
    """Nights without threads; a manifest that was read once, and never changes, is not unpacked again."""
    gc.collect()
    gc.freeze()
    try:
        with (
            mock.patch.object(manifests, "decode", lru_cache(1 << 12)(manifests.decode)),
            mock.patch.object(intake, "Ahead", AtOnce),
        ):
            yield
    finally:
        gc.unfreeze()


def run(kind: type[Playing], chapter: int, wanted: int, length: int) -> None:
    """Runs stories until so many steps were taken, and prints how many, and what gave way in them."""
    global steps
    begun, part, given, lost = steps, 0, gave_way, losses
    while steps - begun < wanted:
        examples = max(1, min(100, (wanted - steps + begun) // length))
        story = seed(chapter * 100_000 + part)(type(kind.__name__, (kind,), {}))
        with cheaply():
            run_state_machine_as_test(
                story,
                settings=settings(
                    max_examples=examples,
                    stateful_step_count=length,
                    deadline=None,
                    database=None,
                    suppress_health_check=list(HealthCheck),
                ),
            )
        part += 1
    print(
        f"\nchapter {chapter}: {steps - begun:,} steps, {gave_way - given:,} contents gave way, "
        f"losses {losses - lost}"
    )


@pytest.mark.parametrize("kind", [Playing, Cut])
def test_nothing_is_lost_and_no_fork_is_resolved_silently(kind: type[Playing]) -> None:
    run(kind, 0, 500, 20)


@pytest.mark.long
@pytest.mark.timeout(0)
@pytest.mark.parametrize("chapter", range(1, 21), ids=[f"chapter-{n:02}" for n in range(1, 21)])
def test_the_same_over_200_000_steps(chapter: int) -> None:
    kind = Cut if chapter % 10 == 1 else Playing if chapter % 4 == 0 else Anything
    run(kind, chapter, 10_000, 50)
