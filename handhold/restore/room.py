"""Whether what a plan writes finds room: on each storage of the handheld, and in the archive. Pure."""

from __future__ import annotations

from handhold.amounts import size
from handhold.restore.found import What
from handhold.restore.steps import Action, Scene, Step, block

#: Files are written a batch at a time; a batch stands on the card beside what it replaces. Bytes.
BATCH_BYTES = 64 << 20
#: What the records of a restore take in the archive besides what they keep, at the most. Bytes.
RECORD_BYTES = 64 << 10


def with_room(steps: list[Step], scene: Scene) -> list[Step]:
    """Blocks all writes on a storage that is too small for them, before anything is written."""
    needs: dict[str, _Need] = {}
    safety = 0
    for step in steps:
        if step.action is Action.LEAVE or step.target is None:
            continue
        needs.setdefault(step.target.storage, _Need()).add(step, step.target.traits.cluster)
        if step.replaces:
            safety += step.found.size
    if safety:
        safety += RECORD_BYTES
    archive = scene.archive_room
    reasons: dict[str, str] = {}
    for storage, need in needs.items():
        room = scene.rooms.get(storage)
        if room is None:
            continue
        wanted = need.bytes + (safety if archive is not None and storage == scene.archive_storage else 0)
        if wanted > room.free:
            reasons[storage] = (
                f"no room on {room.name}: {size(wanted)} needed, {size(room.free)} free; "
                "make room, or restore less at a time"
            )
    no_safety = archive is not None and scene.archive_storage not in needs and safety > archive.free
    if not (reasons or no_safety or scene.archive_trouble):
        return steps
    blocked: list[Step] = []
    for step in steps:
        writes = step.action is not Action.LEAVE and step.target is not None
        if writes and step.target is not None and step.target.storage in reasons:
            step = block(step, reasons[step.target.storage])
        elif writes and step.replaces and scene.archive_trouble:
            step = block(step, f"what it would replace cannot be kept first: {scene.archive_trouble}")
        elif writes and no_safety and step.replaces:
            assert archive is not None
            step = block(
                step,
                f"no room in the archive to keep what it would replace: {size(safety)} needed, "
                f"{size(archive.free)} free",
            )
        blocked.append(step)
    return blocked


class _Need:
    """Bytes that the writes on one storage take at the most, in whole clusters."""

    def __init__(self) -> None:
        self._growth = 0
        self._replacing = 0
        self._largest = 0
        self._folders: set[tuple[str, str]] = set()

    def add(self, step: Step, cluster: int) -> None:
        new = _clusters(step.entry.size, cluster)
        if step.replaces:
            self._growth += max(0, new - _clusters(step.found.size, cluster))
            self._replacing += new
            self._largest = max(self._largest, new)
        else:
            self._growth += new
        assert step.target is not None
        folder = (step.target.base, step.target.way(step.path).rpartition("/")[0])
        if step.found.what is What.NOTHING and folder not in self._folders:
            self._folders.add(folder)
            self._growth += cluster

    @property
    def bytes(self) -> int:
        """What replaces stands beside what it replaces until its batch is through."""
        return self._growth + min(self._replacing, max(BATCH_BYTES, self._largest))


def _clusters(count: int, cluster: int) -> int:
    return -(-count // cluster) * cluster
