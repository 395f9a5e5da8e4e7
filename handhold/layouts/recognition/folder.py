"""Weighs what speaks for each file of one folder."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from handhold.layouts.recognition.content import Content, looked_at, speaks_of_inputs, zip_members
from handhold.layouts.recognition.endings import OPEN, PLAYED, kind_of, parted
from handhold.layouts.recognition.evidence import CARD, OTHER, Evidence, gathered, weigh
from handhold.layouts.recognition.looks import Looks, Seen, nothing
from handhold.layouts.recognition.neighbours import Neighbours
from handhold.layouts.recognition.place import Surroundings, meaning
from handhold.layouts.recognition.signals import UNKNOWN, Likely, signals
from handhold.layouts.recognition.titles import game_of, says, says_nothing_else
from handhold.layouts.recognition.words import folded, squeezed
from handhold.model import Part

_KEPT = (Part.SAVES, Part.STATES)


class Folder:
    """One folder while its files are looked at."""

    def __init__(self, here: Surroundings, files: Sequence[Seen], head: Callable[[Seen], bytes]) -> None:
        self.here = here
        self.files = files
        self.head = head
        self.known = signals()
        self.place = here.place
        self.lies = f'it lies in "{here.because}"' if here.because else "its ending says so"
        self.ready: dict[str, Looks] = {}  # kind of ending -> what such a file is here, where that is all
        self.beside = Neighbours(files)

    # ------------------------------------------------------------------------------------------ the loop

    def looks(self) -> list[Looks]:
        """What each file looks like, in their order."""
        kinds = self.known.kinds
        ready = self.ready
        found: list[Looks] = []
        open_: list[int] = []  # what could still belong to a save beside it
        of_one_game = self.is_of_one_game()
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
                elif of_one_game and not anonymous and looks.part is Part.SAVES:
                    anonymous = says_nothing_else(parted(name)[0], "saves")
            found.append(looks)
        if anonymous and open_:
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
                says_states = says("states", parted(file.name)[0])
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
        if not self.here.of_ids:
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
        if kind in ("config", "text", "mapping") or (self.place == "settings" and kind in OPEN):
            return self.setting(file, kind)
        if kind in ("list", "database"):
            return self.listing(file, kind)
        if kind == "audio":
            return (
                Looks(Part.GAMES, 70, ("sound beside a disc's table",))
                if self.beside.discs()
                else nothing(70)
            )
        return self.weighed(file, ending, kind)

    # ------------------------------------------------------------------------------------------ by kind

    def weighed(self, file: Seen, ending: str, kind: str) -> Looks:
        """Whether a file is a save or a state, and if not, what its place makes of it."""
        saves, states = gathered(self.here, self.beside, file, ending, kind)
        sure = self.known.sure
        best = max(saves.points, states.points)
        # Only what could be one, and could still turn out to be something else, is opened.
        most = best + self.known.evidence["header" if file.size >= CARD else "unused"]
        if (best > 0 and most >= sure) or self.place == "pictures":
            content = looked_at(self.head(file), self.known)
            weigh(self.here, content, saves, states)
        else:
            content = None
        if max(saves.points, states.points) >= sure:
            if states.points > saves.points:
                return self.one(file, Part.STATES, states)
            return self.one(file, Part.SAVES, saves)
        return self.no_save(kind, ending, content, max(saves.points, states.points))

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
        if place == "saves" and kind in OPEN and (content is None or content.kind not in OTHER):
            return Looks(Part.GAMES, 65, ("it is too large for a save, or larger than the save beside it",))
        if content is not None and content.kind in ("picture", "video") and place == "pictures":
            return Looks(Part.PICTURES, 85, (f'it is {content.what}, in "{self.here.because}"',))
        if content is not None and content.kind in OTHER:
            return nothing(70, f"it is {content.what}")
        if place == "games" and kind in PLAYED:
            return Looks(Part.GAMES, 80, (self.lies,))
        if kind in ("save", "state"):
            return Looks(
                Part.SAVES if kind == "save" else Part.STATES, max(points, 0), ("only its ending says so",)
            )
        row = self.known.otherwise[place]
        if row is not None and row.part is not None and row.part not in _KEPT:
            return self.by_place(row)
        return (
            nothing(50)
            if points <= 0
            else Looks(Part.SAVES, min(points, self.known.sure - 1), ("little speaks for it",))
        )

    def picture(self, file: Seen) -> Looks:
        """A picture: of a state, of a save, or of something else."""
        stem = parted(file.name)[0]
        for part in (Part.STATES, Part.SAVES):
            kinds: tuple[str, ...] = (part.removesuffix("s"),)
            if self.beside.played(stem, self.place == "games"):
                kinds = kinds if folded(stem) in self.beside.names() else ()  # else the picture is the game's
            other = self.beside.named(stem, kinds)
            if other:
                return Looks(part, 85, (f'it is the picture of "{other}"',), game_of(self.here, other, part))
        if self.place == "saves":
            return Looks(
                Part.SAVES,
                75,
                (self.lies,),
                game_of(self.here, file.name, Part.SAVES),
            )
        if self.place == "games":
            return Looks(Part.PICTURES, 70, ("a picture among games",))
        if self.here.of_ids:
            return Looks(
                Part.SAVES, self.known.evidence["tree"], ("it lies in a tree of ids",), self.here.title
            )
        if self.here.emulation and says("pictures", stem):
            return Looks(Part.PICTURES, 70, ("its name says so",))
        return nothing(50)

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
                game_of(self.here, file.name, Part.SAVES) if place == "saves" else None,
            )
        played = any(kind_of(parted(name)[1]) in ("game", "disc") for name in members)
        if place == "games":
            return Looks(Part.GAMES, 85, (self.lies,))
        if place in ("saves", "maybe-saves") and not played:
            return Looks(
                Part.SAVES,
                72,
                (self.lies,),
                game_of(self.here, file.name, Part.SAVES),
            )
        if played:
            return Looks(Part.GAMES, 70, ("a game is in it",))
        if place in ("exports", "nowhere") and (other := self.beside.named(stem, ("save", "state"))):
            return Looks(Part.GAMES, 70, (f'"{other}" of the same name lies beside it',))
        if place in ("exports", "nowhere") and says("exports", stem):
            points = (45 if place == "exports" else 30) + (
                self.known.evidence["emulation"] if self.here.emulation else 0
            )
            return Looks(Part.SAVES, points, ("its name says that it is an export",))
        return nothing(50)

    def setting(self, file: Seen, kind: str) -> Looks:
        """Settings: of the buttons of one handheld, a front end's lists, or others."""
        place = self.place
        stem = parted(file.name)[0]
        if place == "saves":
            return Looks(
                Part.SAVES,
                66,
                (self.lies,),
                game_of(self.here, file.name, Part.SAVES),
            )
        among = self.here.emulation or place in ("settings", "firmware", "exports")
        if self.here.of_ids:
            return Looks(
                Part.SAVES, self.known.evidence["tree"], ("it lies in a tree of ids",), self.here.title
            )
        named = kind == "config" and place in ("nowhere", "exports") and says("saves", stem)
        if named == "whole" and (self.here.emulation or squeezed(stem).startswith("save")):
            return self.saved(file, 62, "its name speaks of saves")
        if not among and place != "games":
            return nothing(50)
        if says("controls", stem):
            return Looks(Part.CONTROLS, 80, ("its name speaks of inputs",))
        if (among or place == "games") and says("cheats", stem) == "whole":
            return Looks(Part.CHEATS, 75, ("its name speaks of cheats",))
        listed = says("library", stem)
        if listed == "whole" or (listed and place == "games"):
            return Looks(Part.LIBRARY, 75, ("its name speaks of lists of games",))
        if kind == "mapping":
            return Looks(Part.CONTROLS, 65, ("its ending speaks of inputs",))
        if file.size <= self.known.evidence["settings_most"]:
            head = self.head(file)
            content = looked_at(head, self.known)
            if content.kind == "text" and speaks_of_inputs(head, self.known):
                return Looks(Part.CONTROLS, 85, ("most of its settings name buttons, axes or a device",))
            if content.kind in OTHER:
                return nothing(60, f"it is {content.what}")
        if place == "games":
            return Looks(Part.SETTINGS, 50, ("settings among games",))
        if place == "settings":
            return Looks(Part.SETTINGS, 85, (self.lies,))
        if kind == "config" and place != "exports":
            return Looks(Part.SETTINGS, 70, ("settings among emulators",))
        return Looks(Part.FIRMWARE, 60, (self.lies,)) if place == "firmware" else nothing(50)

    def listing(self, file: Seen, kind: str) -> Looks:
        """Lists and databases."""
        stem = parted(file.name)[0]
        if says("library", stem) and (self.here.emulation or self.place == "games"):
            return Looks(Part.LIBRARY, 75, ("its name speaks of lists of games",))
        if self.place == "games" and kind == "list":
            return Looks(Part.GAMES, 75, ("a list of discs",))
        if self.here.emulation:
            return Looks(Part.LIBRARY, 62, ("a list among emulators",))
        return nothing(50)

    # ------------------------------------------------------------------------------------------ answers

    def kept(self, file: Seen, likely: Likely) -> Looks:
        """A save or a state by its place."""
        assert likely.part is not None
        return Looks(likely.part, likely.confidence, (self.lies,), game_of(self.here, file.name, likely.part))

    def by_place(self, likely: Likely) -> Looks:
        """Any other part by its place."""
        if likely.part is None:
            return nothing(likely.confidence)
        return Looks(likely.part, likely.confidence, (self.lies,))

    def one(self, file: Seen, part: Part, evidence: Evidence) -> Looks:
        """What the evidence says."""
        game = game_of(self.here, file.name, part)
        return Looks(part, min(99, evidence.points), tuple(evidence.reasons), game)

    def saved(self, file: Seen, confidence: int, reason: str) -> Looks:
        """A save, for one reason."""
        return Looks(Part.SAVES, confidence, (reason,), game_of(self.here, file.name, Part.SAVES))


def _speaks_of_saves(path: str) -> bool:
    """Whether a member of a zip is a save or a state by its folders or its ending."""
    folders, _, name = path.rpartition("/")
    if kind_of(parted(name)[1]) in ("save", "state"):
        return True
    means = [meaning(folder) for folder in folders.split("/") if folder]
    return any(m is not None and m.means in ("saves", "states") for m in means)
