"""Weighs what speaks for each file of one folder."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from handhold.layouts.recognition.content import Content, looked_at, speaks_of_inputs, zip_members
from handhold.layouts.recognition.place import Surroundings, meaning
from handhold.layouts.recognition.signals import UNKNOWN, Likely, Meaning, signals
from handhold.layouts.recognition.words import folded, squeezed
from handhold.model import Part

_NUMBERED = re.compile("([a-z]{1,12})[._-]?([0-9]{1,3})")
#: What a copy leaves behind an ending: "sav (1)", "sav - copy", "sav~".
_OF_A_COPY = re.compile(r"(?<=[a-z0-9])[ _(\[~-].*$")
_SLOT = re.compile(
    r"[ _.-]*[(\[]?(?:(?:slot|state|save|quick ?save|auto)[ _.-]*)?(?:[0-9]{1,2}|auto)[)\]]?$", re.I
)
#: Kinds of endings that a game can have.
_PLAYED = frozenset(("game", "disc", "archive", "ambiguous", UNKNOWN))
#: What the first bytes can say that no save and no state says.
_OTHER = frozenset(("picture", "audio", "video", "document", "program", "game"))
#: The smallest memory card, in bytes (common practice, no source).
_CARD = 131072
_KEPT = (Part.SAVES, Part.STATES)


class Seen(NamedTuple):
    """A file as its folder lists it."""

    name: str  # written form
    size: int  # bytes
    modified: int  # nanoseconds


@dataclass(frozen=True, slots=True)
class Looks:
    """What a file looks like: its part, how certain that is out of 100, and why, in the owner's words."""

    part: Part | None
    confidence: int
    reasons: tuple[str, ...]
    game: str | None = None


@lru_cache(maxsize=8192)
def kind_of(ending: str) -> str:
    """The kind of an ending, in lower case and without its dot."""
    known = signals()
    kind = known.kinds.get(ending)
    if kind is not None:
        return kind
    original = _OF_A_COPY.sub("", ending)
    if original != ending:
        return kind_of(original)
    numbered = _NUMBERED.fullmatch(ending)
    if numbered:
        if numbered[1] in known.numbered:
            return "state"
        if known.points["save"].get(numbered[1], 0) >= 55:
            return "save"
    return UNKNOWN


@lru_cache(maxsize=8192)
def points_of(ending: str, kind: str) -> int:
    """How much an ending says by itself for a save or a state."""
    known = signals()
    if kind not in known.points:
        return 0
    ending = _OF_A_COPY.sub("", ending)
    points = known.points[kind].get(ending)
    if points is None:
        numbered = _NUMBERED.fullmatch(ending)
        base = numbered[1] if numbered else ""
        points = known.numbered.get(base, 0) if kind == "state" else known.points["save"].get(base, 0) - 5
    return points


def parted(name: str) -> tuple[str, str]:
    """A name without its ending, and the lower-case ending; one that begins with its only dot has none."""
    dot = name.rfind(".")
    return (name[:dot], name[dot + 1 :].lower()) if dot > 0 else (name, "")


class _Evidence:
    """What speaks for one file being a save or a state."""

    def __init__(self) -> None:
        self.points = 0
        self.reasons: list[str] = []

    def add(self, points: int, reason: str = "") -> None:
        self.points += points
        if reason and points > 0:
            self.reasons.append(reason)


class Folder:
    """One folder while its files are looked at."""

    def __init__(self, here: Surroundings, files: Sequence[Seen], head: Callable[[Seen], bytes]) -> None:
        self.here = here
        self.files = files
        self.head = head
        self.known = signals()
        self.place = here.place
        self.ready: dict[str, Looks] = {}  # kind of ending -> what such a file is here, where that is all
        self._names: frozenset[str] | None = None
        self._stems: dict[str, list[tuple[str, int, str]]] | None = None
        self._series: dict[str, bool] | None = None

    # ------------------------------------------------------------------------------------------ the loop

    def looks(self) -> list[Looks]:
        """What each file looks like, in their order."""
        kinds = self.known.kinds
        ready = self.ready
        found: list[Looks] = []
        open_: list[int] = []  # what could still belong to a save beside it
        anonymous = False  # a save that is named after nothing
        for file in self.files:
            name = file.name
            dot = name.rfind(".")
            ending = name[dot + 1 :].lower() if dot > 0 else ""
            kind = kinds.get(ending) or kind_of(ending)
            looks = ready.get(kind)
            if looks is None:
                looks = self.look(file, ending, kind)
                if looks.confidence < self.known.sure:
                    open_.append(len(found))
                elif looks.part is Part.SAVES and not anonymous:
                    anonymous = self.stem_says("saves", parted(name)[0]) == "whole"
            found.append(looks)
        if anonymous and open_ and self.is_of_one_game():
            self.together(found, open_)
        return found

    def is_of_one_game(self) -> bool:
        """Whether the folder can be one game's: named after it, and not an emulator's own."""
        here = self.here
        return here.title is not None and (
            (here.place == "nowhere" and here.named > 1) or (here.place == "exports" and here.named > 0)
        )

    def together(self, found: list[Looks], open_: list[int]) -> None:
        """What is small and lies in one folder with a save without a name of its own belongs to it."""
        for index in open_:
            file = self.files[index]
            kind = kind_of(parted(file.name)[1])
            if (
                kind in ("ambiguous", UNKNOWN, "picture", "config", "text")
                and file.size <= self.known.evidence["small"]
            ):
                says_states = self.stem_says("states", parted(file.name)[0])
                found[index] = Looks(
                    Part.STATES if says_states else Part.SAVES,
                    self.known.evidence["together"],
                    ("it lies in one folder with a save that has no name of its own",),
                    self.here.title,
                )

    def look(self, file: Seen, ending: str, kind: str) -> Looks:
        """One file that is not like all of its kind in this folder."""
        row = self.known.places[self.place]
        likely = row[kind] if kind in row else self.known.otherwise[self.place]
        if likely is None:
            return self.closer(file, ending, kind)
        if likely.part in _KEPT:
            return self.kept(file, likely)
        looks = self.by_place(likely)
        if not (self.here.tree and self.place == "nowhere"):
            self.ready[kind] = looks
        return looks

    def closer(self, file: Seen, ending: str, kind: str) -> Looks:
        """One file that place and ending do not decide."""
        if kind == "wrapped":
            inner = parted(parted(file.name)[0])[1]
            if inner and kind_of(inner) in ("save", "state"):
                return self.weighed(file, inner, kind_of(inner))
            kind = UNKNOWN
        elif kind == UNKNOWN and (ending.isdigit() or not ending.isalnum()):
            inner = parted(parted(file.name)[0])[1]
            if inner and kind_of(inner) in ("save", "state"):
                return self.weighed(file, inner, kind_of(inner))
        if kind == "picture":
            return self.picture(file)
        if kind == "archive":
            return self.archive(file)
        if kind in ("config", "text", "mapping") or (
            self.place == "settings" and kind in ("ambiguous", UNKNOWN)
        ):
            return self.setting(file, kind)
        if kind in ("list", "database"):
            return self.listing(file, kind)
        if kind == "audio":
            disc = any(kind_of(parted(other.name)[1]) == "disc" for other in self.files)
            return Looks(Part.GAMES, 70, ("sound beside a disc's table",)) if disc else _nothing(70)
        return self.weighed(file, ending, kind)

    # ------------------------------------------------------------------------------------------ by kind

    def weighed(self, file: Seen, ending: str, kind: str) -> Looks:
        """Whether a file is a save or a state, and if not, what its place makes of it."""
        saves, states = self.evidence(file, ending, kind)
        sure = self.known.sure
        best = max(saves.points, states.points)
        # Only what could be one, and could still turn out to be something else, is opened.
        most = best + self.known.evidence["header" if file.size >= _CARD else "unused"]
        if (best > 0 and most >= sure) or self.place == "pictures":
            content = looked_at(self.head(file), self.known)
            self.weigh(content, saves, states, kind)
        else:
            content = None
        if max(saves.points, states.points) >= sure:
            if states.points > saves.points:
                return self.one(file, Part.STATES, states)
            return self.one(file, Part.SAVES, saves)
        return self.no_save(kind, ending, content, max(saves.points, states.points))

    def evidence(self, file: Seen, ending: str, kind: str) -> tuple[_Evidence, _Evidence]:
        """What speaks for a save and for a state, without opening it."""
        know = self.known.evidence
        against = self.known.against
        here = self.here
        place = self.place
        saves, states = _Evidence(), _Evidence()
        stem = parted(file.name)[0]
        points = points_of(ending, kind)
        if kind == "save":
            saves.add(points, f'".{ending}" is a usual ending of saves')
        elif kind == "state":
            states.add(points, f'".{ending}" is a usual ending of states')
        in_place = place in ("saves", "states")
        if place in ("saves", "maybe-saves"):
            saves.add(85 if in_place else know["named_after"], f'it lies in "{here.because}"')
        elif place in ("states", "maybe-states"):
            states.add(85 if in_place else know["named_after"], f'it lies in "{here.because}"')
        if place == "saves" and kind == "state":
            states.add(85 if points >= 55 else 20)
        if place == "states" and kind == "save":
            saves.add(85 - points)
        size = self.size(file.size)
        if size:
            saves.add(know["size"], f"{_bytes(file.size)} is the size of a {size}")
        for part, evidence in (("states", states), ("saves", saves)):
            said = self.stem_says(part, stem)
            if said == "whole" or (said == "word" and place != "games"):
                whole = "whole state" if part == "states" else "whole"
                evidence.add(know[whole if said == "whole" else said], f"its name speaks of {part}")
        if states.points >= know["word"] and self.stem_says("states", stem) and kind != "save":
            if self.stem_says("saves", stem):
                saves.points -= know["word"]
            if place == "saves":
                states.add(saves.points)
        if (
            size
            and file.size >= _CARD
            and self.stem_says("cards", stem)
            and not self.stem_says("saves", stem)
        ):
            saves.add(know["word"], "its name speaks of cards")
        if place in ("games", "nowhere", "exports", "noise", "firmware") and kind in (
            "save",
            "state",
            "ambiguous",
            UNKNOWN,
        ):
            game = self.game_beside(file, stem, kind)
            if game:
                reason = f'"{game}" of the same name lies beside it'
                if kind != "save":
                    states.add(know["beside"] if kind == "state" else 0, reason)
                if kind == "save" or (kind != "state" and size):
                    saves.add(know["beside"], reason)
        if kind == UNKNOWN and (numbered := _NUMBERED.fullmatch(ending)) and int(numbered[2]) <= 20:
            other = self.game_beside(file, stem, "state") or self.named(stem, ("save",))
            if other:
                states.add(
                    know["numbered"] + know["beside"], f'it has a number, and "{other}" lies beside it'
                )
        if kind != "save" and self.pictured(file.name):
            states.add(know["pair"], "a picture is named after it")
        if (
            kind in ("ambiguous", UNKNOWN)
            and size
            and place in ("nowhere", "exports")
            and self.series(ending)
        ):
            saves.add(know["series"], "several such files lie here")
        if here.emulation and place in ("nowhere", "exports") and (saves.points or states.points):
            saves.add(know["emulation"] if saves.points else 0, "it lies among emulators")
            states.add(know["emulation"] if states.points else 0, "it lies among emulators")
        if here.tree and place == "nowhere" and file.size <= know["small"]:
            saves.add(know["tree"], "it lies in a tree of ids")
        if kind == "game":
            saves.add(against["other"])
        elif ending in ("bin", "img", "raw"):
            told = (
                place in ("saves", "states", "maybe-saves")
                or self.stem_says("saves", stem) == "whole"
                or self.stem_says("cards", stem)
            )
            saves.add(0 if told and (size or not in_place) else against["image"])
        if in_place and kind in ("ambiguous", UNKNOWN) and not size and file.size > know["small"]:
            saves.add(-40)
        if in_place and kind in ("ambiguous", UNKNOWN, "game") and self.save_beside(file, stem):
            saves.add(-50)
        for evidence in (saves, states):
            if evidence.points > 0 and place in against:
                evidence.add(against[place])
        return saves, states

    def weigh(self, content: Content, saves: _Evidence, states: _Evidence, kind: str) -> None:
        """What the first bytes add."""
        know, against = self.known.evidence, self.known.against
        in_place = self.place in ("saves", "states")
        if content.kind in _OTHER:
            for evidence in (saves, states):
                evidence.add(against["other"])
        elif content.kind == "save":
            saves.add(know["header"], f"it begins like {content.what}")
        elif content.kind == "text":
            if not in_place:
                saves.add(against["text"])
                states.add(against["text"])
        elif content.kind == "database":
            if not in_place:
                saves.add(against["database"])
            states.add(against["database"])
        elif content.kind == "archive":
            if not in_place:
                saves.add(against["archive"])
                states.add(against["archive"])
        elif content.kind == "binary" and (saves.points or states.points):
            if content.unused and saves.points:
                saves.add(know["unused"], "binary, and partly never written")
            elif saves.points:
                saves.add(know["binary"])
            if states.points:
                states.add(know["binary"])

    def no_save(self, kind: str, ending: str, content: Content | None, points: int) -> Looks:
        """What a file is that is neither a save nor a state."""
        place = self.place
        if kind == "game" or (content is not None and content.kind == "game"):
            return Looks(
                Part.GAMES,
                75,
                (
                    f"it is {content.what}"
                    if content and content.kind == "game"
                    else f'".{ending}" is a usual ending of games',
                ),
            )
        if (
            place == "saves"
            and kind in ("ambiguous", UNKNOWN)
            and (content is None or content.kind not in _OTHER)
        ):
            return Looks(Part.GAMES, 65, ("a save of the same name lies beside it, and it is larger",))
        if content is not None and content.kind in ("picture", "video") and place == "pictures":
            return Looks(Part.PICTURES, 85, (f'it is {content.what}, in "{self.here.because}"',))
        if content is not None and content.kind in _OTHER:
            return _nothing(70, f"it is {content.what}")
        if place == "games" and kind in _PLAYED:
            return Looks(Part.GAMES, 80, (f'it lies in "{self.here.because}"',))
        if kind in ("save", "state"):
            return Looks(
                Part.SAVES if kind == "save" else Part.STATES, max(points, 0), ("only its ending says so",)
            )
        row = self.known.otherwise[place]
        if row is not None and row.part is not None and row.part not in _KEPT:
            return self.by_place(row)
        return (
            _nothing(50)
            if points <= 0
            else Looks(Part.SAVES, min(points, self.known.sure - 1), ("little speaks for it",))
        )

    def picture(self, file: Seen) -> Looks:
        """A picture: of a state, of a save, or of something else."""
        stem = parted(file.name)[0]
        for part in (Part.STATES, Part.SAVES):
            kinds: tuple[str, ...] = (part.removesuffix("s"),)
            if self.played(stem):
                kinds = kinds if folded(stem) in self.names() else ()  # else the picture is the game's
            other = self.named(stem, kinds)
            if other:
                return Looks(part, 85, (f'it is the picture of "{other}"',), self.game(other, part))
        if self.place == "saves":
            return Looks(
                Part.SAVES, 75, (f'it lies in "{self.here.because}"',), self.game(file.name, Part.SAVES)
            )
        if self.place == "games":
            return Looks(Part.PICTURES, 70, ("a picture among games",))
        if self.here.tree and self.place == "nowhere":
            return Looks(
                Part.SAVES, self.known.evidence["tree"], ("it lies in a tree of ids",), self.here.title
            )
        if self.here.emulation and self.stem_says("pictures", stem):
            return Looks(Part.PICTURES, 70, ("its name says so",))
        return _nothing(50)

    def archive(self, file: Seen) -> Looks:
        """A zip or the like: an export with saves in it, or a game."""
        place = self.place
        stem = parted(file.name)[0]
        members = zip_members(self.head(file)) if file.name[-4:].lower() == ".zip" else []
        inside = next((name for name in members if _speaks_of_saves(name)), None)
        if inside:
            return Looks(
                Part.SAVES,
                85,
                (f'"{inside}" is in it',),
                self.game(file.name, Part.SAVES) if place == "saves" else None,
            )
        played = any(kind_of(parted(name)[1]) in ("game", "disc") for name in members)
        if place == "games":
            return Looks(Part.GAMES, 85, (f'it lies in "{self.here.because}"',))
        if place in ("saves", "maybe-saves") and not played:
            return Looks(
                Part.SAVES, 72, (f'it lies in "{self.here.because}"',), self.game(file.name, Part.SAVES)
            )
        if played:
            return Looks(Part.GAMES, 70, ("a game is in it",))
        if place in ("exports", "nowhere") and (other := self.named(stem, ("save", "state"))):
            return Looks(Part.GAMES, 70, (f'"{other}" of the same name lies beside it',))
        if place in ("exports", "nowhere") and self.stem_says("exports", stem):
            points = (45 if place == "exports" else 30) + (
                self.known.evidence["emulation"] if self.here.emulation else 0
            )
            return Looks(Part.SAVES, points, ("its name says that it is an export",))
        return _nothing(50)

    def setting(self, file: Seen, kind: str) -> Looks:
        """Settings: of the buttons of one handheld, a front end's lists, or others."""
        place = self.place
        stem = parted(file.name)[0]
        if place == "saves":
            return Looks(
                Part.SAVES, 66, (f'it lies in "{self.here.because}"',), self.game(file.name, Part.SAVES)
            )
        among = self.here.emulation or place in ("settings", "firmware", "exports")
        if self.here.tree and place == "nowhere":
            return Looks(
                Part.SAVES, self.known.evidence["tree"], ("it lies in a tree of ids",), self.here.title
            )
        named = kind == "config" and place in ("nowhere", "exports") and self.stem_says("saves", stem)
        if named == "whole" and (self.here.emulation or squeezed(stem).startswith("save")):
            return Looks(Part.SAVES, 62, ("its name speaks of saves",), self.game(file.name, Part.SAVES))
        if not among and place != "games":
            return _nothing(50)
        if self.stem_says("controls", stem):
            return Looks(Part.CONTROLS, 80, ("its name speaks of inputs",))
        if (among or place == "games") and self.stem_says("cheats", stem) == "whole":
            return Looks(Part.CHEATS, 75, ("its name speaks of cheats",))
        listed = self.stem_says("library", stem)
        if listed == "whole" or (listed and place == "games"):
            return Looks(Part.LIBRARY, 75, ("its name speaks of lists of games",))
        if kind == "mapping":
            return Looks(Part.CONTROLS, 65, ("its ending speaks of inputs",))
        if file.size <= self.known.evidence["settings_most"]:
            head = self.head(file)
            content = looked_at(head, self.known)
            if content.kind == "text" and speaks_of_inputs(head, self.known):
                return Looks(Part.CONTROLS, 85, ("most of its settings name buttons, axes or a device",))
            if content.kind in _OTHER:
                return _nothing(60, f"it is {content.what}")
        if place == "games":
            return Looks(Part.SETTINGS, 50, ("settings among games",))
        if place == "settings":
            return Looks(Part.SETTINGS, 85, (f'it lies in "{self.here.because}"',))
        if kind == "config" and place != "exports":
            return Looks(Part.SETTINGS, 70, ("settings among emulators",))
        return (
            Looks(Part.FIRMWARE, 60, (f'it lies in "{self.here.because}"',))
            if place == "firmware"
            else _nothing(50)
        )

    def listing(self, file: Seen, kind: str) -> Looks:
        """Lists and databases."""
        stem = parted(file.name)[0]
        if self.stem_says("library", stem) and (self.here.emulation or self.place == "games"):
            return Looks(Part.LIBRARY, 75, ("its name speaks of lists of games",))
        if self.place == "games" and kind == "list":
            return Looks(Part.GAMES, 75, ("a list of discs",))
        if self.here.emulation:
            return Looks(Part.LIBRARY, 62, ("a list among emulators",))
        return _nothing(50)

    # ------------------------------------------------------------------------------------------ answers

    def kept(self, file: Seen, likely: Likely) -> Looks:
        assert likely.part is not None
        reason = f'it lies in "{self.here.because}"'
        return Looks(likely.part, likely.confidence, (reason,), self.game(file.name, likely.part))

    def by_place(self, likely: Likely) -> Looks:
        if likely.part is None:
            return _nothing(likely.confidence)
        reason = f'it lies in "{self.here.because}"' if self.here.because else "its ending says so"
        return Looks(likely.part, likely.confidence, (reason,))

    def one(self, file: Seen, part: Part, evidence: _Evidence) -> Looks:
        return Looks(part, min(99, evidence.points), tuple(evidence.reasons), self.game(file.name, part))

    # ------------------------------------------------------------------------------------------ questions

    def size(self, size: int) -> str | None:
        """What has exactly this size, if anything."""
        what = self.known.sizes.get(size)
        if what is None and size > 512:
            for more in (16, 20, 24, 44, 48, 64):
                if more <= self.known.clock_tail and (what := self.known.sizes.get(size - more)):
                    return what
        return what

    def stem_says(self, part: str, stem: str) -> str | None:
        """Whether a name speaks of a part: ``whole`` if it says nothing else, ``word``, or None."""
        return _says(part, stem)

    def game_beside(self, file: Seen, stem: str, kind: str) -> str | None:
        """The name of a larger file, or one with a game's ending, with the same stem."""
        best: tuple[bool, int, str] | None = None
        for other_kind, size, name in self.stems().get(folded(stem), ()):
            if name == file.name or other_kind not in _PLAYED:
                continue
            alike = other_kind in ("ambiguous", UNKNOWN)
            if kind in ("ambiguous", UNKNOWN) and ((alike and size <= file.size) or other_kind == "disc"):
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

    def played(self, stem: str) -> bool:
        """Whether a game of that stem lies here."""
        played = ("game", "disc", "archive") if self.place != "games" else _PLAYED
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
            counts = Counter(parted(file.name)[1] for file in self.files if self.size(file.size))
            least = self.known.evidence["series_from"]
            self._series = {other: count >= least for other, count in counts.items()}
        return self._series.get(ending, False)

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
        return self._stems

    def game(self, name: str, part: Part) -> str | None:
        """The game that a save or a state belongs to, as far as names tell."""
        if self.here.tree and self.here.title:
            return self.here.title
        stem, ending = parted(name)
        kind = kind_of(ending)
        inner, inner_ending = parted(stem)
        if inner_ending and kind_of(inner_ending) in ("save", "state"):
            stem, ending = inner, inner_ending
        if part is Part.STATES and not ending[-1:].isdigit():
            stem = _SLOT.sub("", stem) or stem
        if (
            self.stem_says("saves", stem) == "whole"
            or self.stem_says("cards", stem) == "whole"
            or self.stem_says("states", stem) == "whole"
            or not stem.strip("0123456789 _-")
        ):
            return self.here.title
        return (
            stem
            if kind
            in ("save", "state", "ambiguous", UNKNOWN, "picture", "wrapped", "archive", "config", "text")
            else None
        )


@lru_cache(maxsize=32768)
def _says(part: str, stem: str) -> str | None:
    vocabulary = signals().stems[part]
    means: Meaning | None = vocabulary.meaning(stem)
    if means is None:
        return None
    return "whole" if means.word in vocabulary.whole and _is_all(means.word, stem) else "word"


def _is_all(word: str, stem: str) -> bool:
    run = squeezed(stem)
    return run in (word, word + "s") or run + "s" == word


def _speaks_of_saves(path: str) -> bool:
    """Whether a member of a zip is a save or a state by its folders or its ending."""
    folders, _, name = path.rpartition("/")
    if kind_of(parted(name)[1]) in ("save", "state"):
        return True
    means = [meaning(folder) for folder in folders.split("/") if folder]
    return any(m is not None and m.means in ("saves", "states") for m in means)


def _nothing(confidence: int, *reasons: str) -> Looks:
    return _NOTHING.setdefault((confidence, reasons), Looks(None, confidence, reasons))


def _bytes(size: int) -> str:
    return f"{size >> 10} KiB" if size >= 1024 and size % 1024 == 0 else f"{size} bytes"


_NOTHING: dict[tuple[int, tuple[str, ...]], Looks] = {}
