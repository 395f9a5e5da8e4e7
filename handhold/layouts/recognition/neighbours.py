"""The files of one folder, asked what lies beside a file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from handhold.layouts.recognition.endings import OPEN, PLAYED, kind_of, parted
from handhold.layouts.recognition.looks import Seen
from handhold.layouts.recognition.signals import signals
from handhold.layouts.recognition.words import folded


def size_of(size: int) -> str | None:
    """What has exactly this size, if anything."""
    known = signals()
    what = known.sizes.get(size)
    if what is None and size > 512:
        for more in (16, 20, 24, 44, 48, 64):
            if more <= known.clock_tail and (what := known.sizes.get(size - more)):
                return what
    return what


#: Of thousands of files with one stem so many are looked at, first those whose endings say something.
_MOST = 64


class Neighbours:
    """The files of one folder by name and by stem; each list is made when it is first asked for."""

    def __init__(self, files: Sequence[Seen]) -> None:
        self.files = files
        self._names: frozenset[str] | None = None
        self._stems: dict[str, list[tuple[str, int, str]]] | None = None
        self._series: dict[str, bool] | None = None
        self._discs: bool | None = None

    def game_beside(self, file: Seen, stem: str, kind: str) -> str | None:
        """The name of a larger file, or one with a game's ending, with the same stem."""
        best: tuple[bool, int, str] | None = None
        for other_kind, size, name in self.stems().get(folded(stem), ()):
            if name == file.name or other_kind not in PLAYED:
                continue
            alike = other_kind in OPEN
            if kind in OPEN and ((alike and size <= file.size) or other_kind == "disc"):
                continue
            best = max(best or (False, 0, ""), (not alike, size, name))
        return best[2] if best else None

    def save_beside(self, file: Seen, stem: str) -> bool:
        """Whether a smaller file of the same stem has the ending of a save."""
        return any(
            kind == "save" and size * 2 <= file.size for kind, size, _ in self.stems().get(folded(stem), ())
        )

    def named(self, stem: str, kinds: tuple[str, ...]) -> str | None:
        """A file with that very name, or that stem, of one of these kinds."""
        wanted = folded(stem)
        if wanted in self.names() and kind_of(parted(stem)[1]) in kinds:
            return stem
        return min((name for kind, _, name in self.stems().get(wanted, ()) if kind in kinds), default=None)

    def played(self, stem: str, among_games: bool) -> bool:
        """Whether a game of that stem lies here; ``among_games``: whatever its ending."""
        played = PLAYED if among_games else ("game", "disc", "archive")
        return any(kind in played for kind, _, _ in self.stems().get(folded(stem), ()))

    def pictured(self, name: str) -> bool:
        """Whether a picture is named after this file, ending and all."""
        names = self.names()
        base = folded(name)
        return (
            f"{base}.png" in names
            or f"{base}.jpg" in names
            or f"{base}.bmp" in names
            or f"{base}.jpeg" in names
        )

    def series(self, ending: str) -> bool:
        """Whether several files of this ending have sizes of battery memories."""
        if self._series is None:
            counts = Counter(parted(file.name)[1] for file in self.files if size_of(file.size))
            least = signals().evidence["series_from"]
            self._series = {other: count >= least for other, count in counts.items()}
        return self._series.get(ending, False)

    def discs(self) -> bool:
        """Whether a disc's table lies here."""
        if self._discs is None:
            self._discs = any(kind_of(parted(file.name)[1]) == "disc" for file in self.files)
        return self._discs

    def names(self) -> frozenset[str]:
        if self._names is None:
            self._names = frozenset(folded(file.name) for file in self.files)
        return self._names

    def stems(self) -> dict[str, list[tuple[str, int, str]]]:
        """Kind, size and name of the files with each stem."""
        if self._stems is None:
            self._stems = {}
            for file in self.files:
                stem, ending = parted(file.name)
                self._stems.setdefault(folded(stem), []).append((kind_of(ending), file.size, file.name))
            for stem, files in self._stems.items():
                if len(files) > _MOST:
                    self._stems[stem] = sorted(files, key=lambda file: (file[0] in OPEN, file[2]))[:_MOST]
        return self._stems
