"""Two handhelds, one archive, wrong clocks, copies by hand, restores in any order, and a model that knows.

Every evening's play of a game counts a number up that stands in the save, so the model knows which progress
is newer, whatever the clocks say. It knows nothing of how a plan is made. What must hold:

- newer progress is never overwritten, unless somebody asked for it (``replace``, ``undo``);
- whatever a restore replaces or removes, the archive holds.

Going back on purpose makes what was given up fair game on every device: that is what the owner said.

The table lets time decide where the archive has never seen a save on the device at hand. A clock that is
wrong can then deceive it, so here each device has a first night before its clock goes wrong
(``WrongClocks``), and a device without any night has a right clock (``Newcomer``).
"""

from __future__ import annotations

import hashlib
import shutil
import tempfile
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    rule,
    run_state_machine_as_test,
)

from handhold.archive.head import Snapshot
from handhold.errors import WrongInput
from handhold.model import Kind
from handhold.restore.select import Selection
from handhold.restore.steps import Action, OnNewer
from tests.restore.world import World, tree

GAMES = ("moss", "fern", "reed")
DEVICES = st.sampled_from(["plover", "lantern"])
JUMPS = st.sampled_from([-9000.0, -4000.0, -400.0, -1.0, -0.04, 0.0, 0.04, 1.0, 400.0, 4000.0])  # days


class Truth(RuleBasedStateMachine):
    """The rules that both stories share."""

    def __init__(self) -> None:
        super().__init__()
        self.root = Path(tempfile.mkdtemp(prefix="two-handhelds-"))
        self.world = World(self.root)
        self.true_time = self.world.now
        self.wrong: dict[str, float] = {}  # days by which a device's clock is off
        self.progress = 0
        self.kept: set[str] = set()  # what manifests say is held: nights and safety snapshots
        self.read: set[str] = set()
        self.stood: dict[tuple[str, str], set[bytes]] = {}  # what ever stood at a path of a device
        self.given_up: set[bytes] = set()

    def teardown(self) -> None:
        try:
            for snapshot in self.world.archive.snapshots():
                for entry in self.world.entries(snapshot):
                    data = b"".join(self.world.archive.content(entry))
                    assert hashlib.sha256(data).hexdigest() == entry.sha256
        finally:
            shutil.rmtree(self.root)

    # -- the model ---------------------------------------------------------------------------------------

    def turn_on(self, device: str) -> None:
        """Time goes by, and the clock is that of this device."""
        self.true_time += timedelta(minutes=7)
        self.world.now = self.true_time + timedelta(days=self.wrong.get(device, 0))

    def saves(self, device: str) -> dict[str, bytes]:
        found = tree(self.world.card(device) / "Tinplate")
        assert not [path for path in found if path.endswith(".part")]
        for path, data in found.items():
            self.stood.setdefault((device, path), set()).add(data)
        return found

    def give_up(self, device: str, path: str, for_: bytes | None) -> None:
        level = -1 if for_ is None else count(for_)
        self.given_up |= {data for data in self.stood.get((device, path), ()) if count(data) > level}

    def check(self, device: str, before: dict[str, bytes], on_newer: OnNewer | None) -> None:
        """After a restore (or an undo: None) of this device."""
        after = self.saves(device)
        self.note_kept()
        for path, old in before.items():
            new = after.get(path)
            if new == old:
                continue
            assert hashlib.sha256(old).hexdigest() in self.kept, f"{path} is lost: {old!r}"
            if on_newer in (None, OnNewer.REPLACE):
                self.give_up(device, path, new)
                continue
            assert new is not None, f"{path} was removed"
            assert count(new) > count(old) or old in self.given_up, f"{path}: {old!r} gave way to {new!r}"

    def note_kept(self) -> None:
        for snapshot in self.world.archive.snapshots():
            if snapshot.name not in self.read and snapshot.kind is not Kind.RESTORED:
                self.kept |= {entry.sha256 for entry in self.world.entries(snapshot)}
            self.read.add(snapshot.name)

    # -- what happens ------------------------------------------------------------------------------------

    @rule(device=DEVICES, game=st.sampled_from(GAMES))
    def play(self, device: str, game: str) -> None:
        self.turn_on(device)
        self.progress += 1
        self.world.put(device, f"saves/{game}.sav", f"{game} {self.progress}")
        self.saves(device)

    @rule(device=DEVICES)
    def night(self, device: str) -> None:
        self.turn_on(device)
        if self.saves(device):
            self.world.night(device)
        self.note_kept()

    @rule(device=DEVICES, games=st.sets(st.sampled_from(GAMES)))
    def evening(self, device: str, games: set[str]) -> None:
        """Some play, then the night's snapshot."""
        for game in sorted(games):
            self.play(device, game)
        self.night(device)

    @rule(device=DEVICES, game=st.none() | st.sampled_from(GAMES))
    def bring_over(self, device: str, game: str | None) -> None:
        """What a player with two handhelds does: the other's last night is put onto this one."""
        theirs = [s for s in self.world.archive.nights() if s.device != device]
        if theirs:
            self._restore(device, theirs[-1], OnNewer.KEEP, "*")
        if theirs and game:
            self.evening(device, {game})

    @rule(
        device=DEVICES,
        number=st.integers(0, 30),
        on_newer=st.sampled_from([*OnNewer, OnNewer.KEEP, OnNewer.KEEP]),
        game=st.sampled_from(["*", "*", *GAMES]),
    )
    def restore(self, device: str, number: int, on_newer: OnNewer, game: str) -> None:
        """Any snapshot, of any device."""
        found = [s for s in self.world.archive.snapshots() if s.kind is not Kind.RESTORED]
        if found:
            self._restore(device, found[-1 - number % len(found)], on_newer, game)

    def _restore(self, device: str, snapshot: Snapshot, on_newer: OnNewer, game: str) -> None:
        self.turn_on(device)
        before = self.saves(device)
        try:
            applied = self.world.restore(
                device, snapshot, on_newer=on_newer, selection=Selection(games=(game,))
            )
        except WrongInput:
            return  # that snapshot holds nothing of that game
        assert not applied.failed
        self.check(device, before, on_newer)
        after = self.saves(device)
        for step in applied.plan.steps:
            if step.action is Action.BESIDE:
                assert after[step.path] == b"".join(self.world.archive.content(step.entry))
                assert after[step.entry.path] == before[step.entry.path]

    @rule(device=DEVICES)
    def undo(self, device: str) -> None:
        self.turn_on(device)
        before = self.saves(device)
        try:
            self.world.undo(device)
        except WrongInput:
            return  # there was no restore yet
        self.check(device, before, None)

    @rule(device=DEVICES, game=st.sampled_from(GAMES))
    def lose(self, device: str, game: str) -> None:
        """A player deletes a save by mistake."""
        self.saves(device)
        (self.world.card(device) / f"Tinplate/saves/{game}.sav").unlink(missing_ok=True)


class WrongClocks(Truth):
    """After a first night of each, clocks jump, and folders are copied by hand with the time of the copy."""

    @initialize()
    def first_nights(self) -> None:
        for device in ("plover", "lantern"):
            for game in GAMES:
                self.play(device, game)
            self.night(device)

    @rule(device=DEVICES, days=JUMPS)
    def jump(self, device: str, days: float) -> None:
        self.wrong[device] = days

    @rule(device=DEVICES)
    def copy_by_hand(self, device: str) -> None:
        """The other device's whole folder over this one's, each file stamped with the time of the copy."""
        self.turn_on(device)
        other = "lantern" if device == "plover" else "plover"
        self.saves(device)
        for path, data in self.saves(other).items():
            self.world.put(device, path, data)
        self.saves(device)


class Newcomer(Truth):
    """Clocks are right; no device needs a night before it takes part, so time may decide."""

    @initialize()
    def some_progress(self) -> None:
        self.play("plover", GAMES[0])
        self.play("lantern", GAMES[0])
        self.night("plover")

    @rule(game=st.sampled_from(GAMES), after=st.booleans(), number=st.integers(0, 5))
    def another_handheld(self, game: str, after: bool, number: int) -> None:
        """One that the archive has never seen, with progress of its own, gets the last night of another."""
        device = f"other-{len(self.world.cards)}"
        self.play(device, game)
        if after:
            self.evening("plover", {game})
        nights = self.world.archive.nights()
        self._restore(device, nights[-1 - number % len(nights)], OnNewer.KEEP, "*")


def count(content: bytes) -> int:
    """The progress that stands in a save."""
    return int(content.split()[1])


@pytest.mark.parametrize("story", [WrongClocks, Newcomer])
@pytest.mark.parametrize(
    ("examples", "steps"), [(25, 15), pytest.param(400, 40, marks=pytest.mark.long, id="long")]
)
@pytest.mark.timeout(1800)
def test_newer_progress_is_never_lost(story: type[Truth], examples: int, steps: int) -> None:
    run_state_machine_as_test(
        story,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
