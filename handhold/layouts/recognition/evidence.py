"""What speaks for one file being a save or a state, and what against."""

from __future__ import annotations

from handhold.layouts.recognition.content import Content
from handhold.layouts.recognition.endings import NUMBERED, OPEN, parted, points_of
from handhold.layouts.recognition.looks import SURE, Seen
from handhold.layouts.recognition.neighbours import Neighbours, size_of
from handhold.layouts.recognition.place import Surroundings
from handhold.layouts.recognition.signals import UNKNOWN, signals
from handhold.layouts.recognition.titles import says

#: What the first bytes can say that no save and no state says.
OTHER = frozenset(("picture", "audio", "video", "document", "program", "game"))
#: The smallest memory card, in bytes (common practice, no source).
CARD = 131072


class Evidence:
    """The points of one file for one part, and the reasons that can be shown."""

    def __init__(self) -> None:
        self.points = 0
        self.reasons: list[str] = []

    def add(self, points: int, reason: str = "") -> None:
        self.points += points
        if reason and points > 0:
            self.reasons.append(reason)


def gathered(
    here: Surroundings, beside: Neighbours, file: Seen, ending: str, kind: str
) -> tuple[Evidence, Evidence]:
    """What speaks for a save and for a state, without opening it."""
    know, against = signals().evidence, signals().against
    place = here.place
    saves, states = Evidence(), Evidence()
    stem = parted(file.name)[0]
    points = points_of(ending, kind)
    if kind == "save":
        saves.add(points, f'".{ending}" is a usual ending of saves')
    elif kind == "state":
        states.add(points, f'".{ending}" is a usual ending of states')
    in_place = place in ("saves", "states")
    if place in ("saves", "maybe-saves"):
        saves.add(know["in_place" if in_place else "named_after"], f'it lies in "{here.because}"')
    elif place in ("states", "maybe-states"):
        states.add(know["in_place" if in_place else "named_after"], f'it lies in "{here.because}"')
    if place == "saves" and kind == "state":
        states.add(know["in_place"] if points >= know["clear"] else know["unclear"])
    if place == "states" and kind == "save":
        saves.add(know["in_place"] - points)
    size = size_of(file.size)
    if size:
        saves.add(know["size"], f"{_bytes(file.size)} is the size of a {size}")
    for part, evidence in (("states", states), ("saves", saves)):
        said = says(part, stem)
        if said == "whole" or (said == "word" and place != "games"):
            whole = "whole state" if part == "states" else "whole"
            evidence.add(know[whole if said == "whole" else said], f"its name speaks of {part}")
    if states.points >= know["word"] and says("states", stem) and kind != "save":
        if says("saves", stem):
            saves.points -= know["word"]
        if place == "saves":
            states.add(saves.points)
    if size and file.size >= CARD and says("cards", stem) and not says("saves", stem):
        saves.add(know["word"], "its name speaks of cards")
    if place in ("games", "nowhere", "exports", "noise", "firmware") and kind in (
        "save",
        "state",
        "ambiguous",
        UNKNOWN,
    ):
        game = beside.game_beside(file, stem, kind)
        if game:
            reason = f'"{game}" of the same name lies beside it'
            if kind != "save":
                states.add(know["beside"] if kind == "state" else 0, reason)
            if kind == "save" or (kind != "state" and size):
                saves.add(know["beside"], reason)
    if kind == UNKNOWN and (numbered := NUMBERED.fullmatch(ending)) and int(numbered[2]) <= 20:
        other = beside.game_beside(file, stem, "state") or beside.named(stem, ("save",))
        if other:
            states.add(know["numbered"] + know["beside"], f'it has a number, and "{other}" lies beside it')
    if kind != "save" and beside.pictured(file.name):
        states.add(know["pair"], "a picture is named after it")
    if kind in OPEN and size and place in ("nowhere", "exports") and beside.series(ending):
        saves.add(know["series"], "several such files lie here")
    if here.emulation and place in ("nowhere", "exports") and (saves.points or states.points):
        saves.add(know["emulation"] if saves.points else 0, "it lies among emulators")
        states.add(know["emulation"] if states.points else 0, "it lies among emulators")
    if here.of_ids and file.size <= know["small"]:
        saves.add(know["tree"], "it lies in a tree of ids")
    if kind == "game":
        saves.add(against["other"])
    elif ending in ("bin", "img", "raw"):
        told = (
            place in ("saves", "states", "maybe-saves")
            or says("saves", stem) == "whole"
            or says("cards", stem)
        )
        saves.add(0 if told and (size or not in_place) else against["image"])
    if in_place and kind in OPEN and not size and file.size > know["small"]:
        saves.add(against["large"])
    if in_place and kind in ("ambiguous", UNKNOWN, "game") and beside.save_beside(file, stem):
        saves.add(against["larger"])
    for evidence in (saves, states):
        if evidence.points > 0 and place in against:
            evidence.add(against[place])
    return saves, states


def weigh(here: Surroundings, content: Content, saves: Evidence, states: Evidence) -> None:
    """What the first bytes add."""
    know, against = signals().evidence, signals().against
    in_place = here.place in ("saves", "states")
    if content.kind == "picture" and (here.place == "saves" or here.of_ids):
        pass  # a save's icon, or a save that hides in a picture
    elif content.kind in OTHER:
        for evidence in (saves, states):
            evidence.add(against["other"])
    elif content.kind == "save":
        saves.add(know["header"], f"it begins like {content.what}")
    elif content.kind == "text":
        if not in_place:
            # Some games write their saves as text: a save by its ending is less sure then, but it is one.
            saves.add(max(against["text"], min(0, SURE - saves.points)))
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


def _bytes(size: int) -> str:
    return f"{size >> 10} KiB" if size >= 1024 and size % 1024 == 0 else f"{size} bytes"
