"""The table of signals, read once from ``signals.yaml`` and made quick to ask."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from functools import cache
from typing import Any, NamedTuple

import msgspec

from handhold.layouts.recognition.words import folded, squeezed, words
from handhold.model import Part

#: The kind of ending of a file that has one which no signal names.
UNKNOWN = "unknown"
#: What a place says about a file that it does not decide.
LOOK = None


class Meaning(NamedTuple):
    """What a folder's name says."""

    means: str
    weak: bool
    word: str  # as much of the name as says it


class Likely(NamedTuple):
    """What a place says about a kind of file."""

    part: Part | None
    confidence: int


class Signature(NamedTuple):
    """First bytes that tell what a file is."""

    what: str
    kind: str
    at: int
    begins: bytes


class Vocabulary(msgspec.Struct, frozen=True):
    """Words that mean something: as the whole name, as words in it, as letters in it."""

    whole: Mapping[str, tuple[str, bool]]  # squeezed: meaning, weak
    words: Mapping[tuple[str, ...], str]
    pieces: tuple[tuple[str, str], ...]  # the longest first
    longest: int

    def meaning(self, name: str) -> Meaning | None:
        """What a name says; the most words in a row count, of as many the last ones in the name."""
        run = squeezed(name)
        if not run:
            return None
        found = self.whole.get(run) or self.whole.get(run + "s") or self.whole.get(run.removesuffix("s"))
        if found is not None:
            return Meaning(found[0], found[1], run)
        best: Meaning | None = None
        rank, size = (0, False, False), 0
        said = words(name)
        long = "".join(word for word in said if len(word) > 1)  # "card A" is a card
        if long != run and (found := self.whole.get(long)) is not None:
            return Meaning(found[0], found[1], long)
        for start in range(len(said)):
            for end in range(start + 1, min(start + self.longest, len(said)) + 1):
                key = tuple(said[start:end])
                means = self.words.get(key)
                if (
                    means is not None
                    and (new := (end - start, means != "exports", means == "states")) >= rank
                ):
                    best, rank, size = Meaning(means, False, " ".join(key)), new, len("".join(key))
        for piece, means in self.pieces:
            if len(piece) <= size:
                break
            if piece in run:
                return Meaning(means, False, piece)
        return best


class Inputs(msgspec.Struct, frozen=True):
    """The words of input settings."""

    buttons: frozenset[str]
    words: frozenset[str]
    pieces: tuple[str, ...]
    headings: frozenset[str]
    values: re.Pattern[str]


class Signals(msgspec.Struct, frozen=True):
    """Everything that recognition goes by."""

    sure: int
    folders: Vocabulary
    emulation: frozenset[str]
    kinds: Mapping[str, str]  # ending -> kind of ending
    points: Mapping[str, Mapping[str, int]]  # save, state -> ending -> points
    numbered: Mapping[str, int]  # ending of a state without its number -> points
    places: Mapping[str, Mapping[str, Likely | None]]  # place -> kind of ending -> what it is there
    otherwise: Mapping[str, Likely | None]  # place -> all other kinds
    stems: Mapping[str, Vocabulary]  # meaning -> names of files that say it
    sizes: Mapping[int, str]
    clock_tail: int
    first_bytes: tuple[Signature, ...]
    cartridge: Mapping[str, Any]
    tag_name: str
    tag_begins: bytes
    inputs: Inputs
    evidence: Mapping[str, int]
    against: Mapping[str, int]
    id_shortest: int
    id_zeros: int


@cache
def signals() -> Signals:
    """The signals that come with handhold. Raises ``ValueError`` or ``KeyError`` if the file is hurt."""
    import yaml

    with open(os.path.join(os.path.dirname(__file__), "signals.yaml"), "rb") as file:
        data = file.read()
    raw: dict[str, Any] = yaml.load(data, Loader=getattr(yaml, "CSafeLoader", yaml.SafeLoader))
    if raw["signals"] != 1:
        raise ValueError("signals.yaml is of another form")
    endings = raw["endings"]
    kinds: dict[str, str] = {}
    for kind, what in endings.items():
        for ending in what.get("names", what.get("points", ())):
            kinds.setdefault(str(ending), kind)
    places: dict[str, dict[str, Likely | None]] = {}
    for place, rules in raw["places"].items():
        unknown = set(rules) - set(endings) - {"_", UNKNOWN}
        if unknown:
            raise ValueError(f"signals.yaml: no such kinds of endings: {unknown}")
        places[place] = {kind: _likely(says) for kind, says in rules.items()}
    sizes: dict[int, str] = {}
    for row in raw["sizes"]:
        for size in row["sizes"]:
            sizes.setdefault(int(size), row["what"])
    inputs = raw["inputs"]
    return Signals(
        sure=raw["sure"],
        folders=_vocabulary(raw["folders"]),
        emulation=frozenset(squeezed(name) for name in raw["emulation"]),
        kinds=kinds,
        points={kind: {str(e): p for e, p in endings[kind]["points"].items()} for kind in ("save", "state")},
        numbered=endings["state"]["numbered"],
        places=places,
        otherwise={place: rules["_"] for place, rules in places.items()},
        stems={meaning: _vocabulary([{"means": meaning, **row}]) for meaning, row in raw["stems"].items()},
        sizes=sizes,
        clock_tail=raw["clock_tail"],
        first_bytes=tuple(
            Signature(row["what"], row["kind"], row["at"], bytes.fromhex(row["hex"]))
            for row in raw["first_bytes"]
        ),
        cartridge=raw["cartridge"],
        tag_name=raw["cache_tag"]["name"],
        tag_begins=raw["cache_tag"]["begins"].encode(),
        inputs=Inputs(
            buttons=frozenset(folded(word) for word in inputs["buttons"]),
            words=frozenset(folded(word) for word in inputs["words"]),
            pieces=tuple(inputs["pieces"]),
            headings=frozenset(folded(word) for word in inputs["headings"]),
            values=re.compile(inputs["values"]),
        ),
        evidence={name: points for name, points in raw["evidence"].items() if name != "against"},
        against=raw["evidence"]["against"],
        id_shortest=raw["ids"]["shortest"],
        id_zeros=raw["ids"]["zeros"],
    )


def _likely(says: str) -> Likely | None:
    if says == "look":
        return LOOK
    part, confidence = says.split()
    return Likely(None if part == "none" else Part(part), int(confidence))


def _vocabulary(rows: list[dict[str, Any]]) -> Vocabulary:
    whole: dict[str, tuple[str, bool]] = {}
    several: dict[tuple[str, ...], str] = {}
    pieces: dict[str, str] = {}
    for row in rows:
        means = row["means"]
        for name in row.get("whole", ()):
            whole.setdefault(squeezed(name), (means, False))
        for name in row.get("words", ()):
            several.setdefault(tuple(words(name)), means)
        for name in row.get("pieces", ()):
            pieces.setdefault(squeezed(name), means)
    for row in rows:  # a word alone is a folder's whole name, unless another row has it as one
        for name in row.get("words", ()) if len(rows) > 1 else ():
            whole.setdefault(squeezed(name), (row["means"], False))
        for name in row.get("weak", ()):
            whole.setdefault(squeezed(name), (row["means"], True))
    longest = max((len(key) for key in several), default=1)
    return Vocabulary(
        whole, several, tuple(sorted(pieces.items(), key=lambda piece: -len(piece[0]))), longest
    )
