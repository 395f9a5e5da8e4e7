"""Which pattern a folder resembles: the one that takes most of it for what recognition takes it for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from handhold.layouts.draft.sighting import KEPT, LEFT, Sighting, fits, kept_as, wanted
from handhold.layouts.layout import Layout
from handhold.layouts.recognition.place import is_zeros
from handhold.model import HomeKind, Part

#: Each part counts as a whole, so that thousands of textures do not outvote the saves.
_WEIGHT = {Part.SAVES: 4.0, Part.STATES: 3.0}
#: What keeping a game or a cache costs, and what taking a file that nothing is known of for a save does.
_HARM, _NOISE = 1.0, 0.2
#: What telling the games of saves and states counts.
_TITLES = 0.1
#: For a way of keeping data that nothing but its rules speaks for: some take whatever there is.
_UNLIKELY = 1.2
#: So many kinds of files are tried on the patterns; more change little, and take long.
_MOST_TRIED = 4000


class Evidence(NamedTuple):
    """What the folder's own place says."""

    private: bool = False  # in app-private storage
    exports: bool = False  # its name, or one above, speaks of exports or downloads
    games: bool = False  # its name, or one above, speaks of games
    shelf: bool = False  # its own name does
    saves: bool = False  # its own name speaks of saves
    moved: bool = False  # there is app-private storage of the same name as well


class Likeness(NamedTuple):
    """How well one home of a pattern fits."""

    pattern: str
    home: str
    kind: HomeKind
    score: float
    right: int  # files that it takes for what they look like
    of: int  # files that look like something


def likenesses(
    sightings: Sequence[Sighting], patterns: Mapping[str, Layout], evidence: Evidence
) -> list[Likeness]:
    """Every home of every pattern, the best first."""
    tried = _samples(sightings)
    hints = _hints(sightings, evidence)
    found = []
    for pattern in patterns.values():
        for home in pattern.homes:
            hint = hints.get(pattern.id, 0.0) + _by_kind(pattern.id, home.name, home.kind, evidence)
            found.append(_measured(pattern, home.name, home.kind, tried, hint))
    return sorted(found, key=lambda one: (-one.score, one.pattern, one.home))


class _Sample(NamedTuple):
    sighting: Sighting
    want: Part | None
    stands_for: int


def _samples(sightings: Sequence[Sighting]) -> list[_Sample]:
    """One file for each folder, ending and wish, with how many it stands for."""
    groups: dict[tuple[str, str, Part | None], list[Sighting]] = {}
    for sighting in sightings:
        folder, _, name = sighting.path.rpartition("/")
        dot = name.rfind(".")
        key = (folder, name[dot:].lower() if dot > 0 else "", wanted(sighting.looks))
        groups.setdefault(key, []).append(sighting)
    samples = [_Sample(group[0], want, len(group)) for (_, _, want), group in groups.items()]
    step = len(samples) // _MOST_TRIED + 1
    return samples[::step]


def _measured(
    pattern: Layout, home: str, kind: HomeKind, samples: Iterable[_Sample], hint: float
) -> Likeness:
    total: Counter[Part] = Counter()
    right: Counter[Part] = Counter()
    unknown = noise = titles = told = 0
    for sighting, want, count in samples:
        verdict = pattern.verdict(home, sighting.path)
        given = kept_as(verdict)
        if want is None:
            unknown += count
            noise += count if given in KEPT else 0
            continue
        if want in KEPT and sighting.looks.game:
            titles += count
            told += count if verdict and verdict.game == sighting.looks.game else 0
        total[want] += count
        # A game that is counted is better than one that nobody speaks of.
        if given is want or (want is Part.CACHE and given is None):
            right[want] += count
        elif want in LEFT and not fits(want, given):
            right[want] -= count
    parts = [part for part in total if part not in LEFT]
    weights = sum(_WEIGHT.get(part, 1.0) for part in parts)
    score = sum(_WEIGHT.get(p, 1.0) * right[p] / total[p] for p in parts) / weights if weights else 0.0
    score += sum(min(0.0, _HARM * right[p] / total[p]) for p in LEFT if total[p])
    score += 0.05 * max(0, right[Part.GAMES]) / total[Part.GAMES] if total[Part.GAMES] else 0.0
    score += _TITLES * told / titles if titles else 0.0
    score -= _NOISE * noise / unknown if unknown else 0.0
    kept = sum(max(0, n) for p, n in right.items() if p not in LEFT)
    return Likeness(pattern.id, home, kind, score + hint, kept, sum(total[p] for p in parts))


def _by_kind(pattern: str, home: str, kind: HomeKind, evidence: Evidence) -> float:
    """What the folder's place says about the kind of home."""
    if kind is HomeKind.PRIVATE:
        return (0.5 if pattern == "private-storage" else -2.0) if evidence.private else -2.0
    if pattern == "moved-folder":
        return 0.02 if evidence.moved else -2.0
    if kind is HomeKind.EXPORT:
        return 0.1 if evidence.exports else -_UNLIKELY
    if kind is HomeKind.GAMES:
        return 0.0 if evidence.games else -_UNLIKELY / 4
    if pattern == "beside-games":
        return 0.0 if evidence.saves else -_UNLIKELY
    return 0.0


def _hints(sightings: Sequence[Sighting], evidence: Evidence) -> dict[str, float]:
    """What the shape of the tree says, where several patterns' rules would fit alike."""
    zeros = users = kept = archives = beside = games = lists = 0
    cores: set[str] = set()
    played: set[tuple[str, str]] = set()
    for path, _, looks in sightings:
        lists += wanted(looks) is Part.LIBRARY
        if wanted(looks) is Part.GAMES:
            folder, _, name = path.rpartition("/")
            played.add((folder, name.rpartition(".")[0].lower()))
            games += 1
    for path, _, looks in sightings:
        if wanted(looks) not in KEPT:
            continue
        kept += 1
        *folders, name = path.split("/")
        zeros += any(is_zeros(folder) for folder in folders)
        users += any("user" in a.lower() and b.isdigit() for a, b in pairwise(folders))
        archives += name.lower().endswith((".zip", ".7z", ".tar", ".gz", ".tgz", ".xz", ".zst"))
        if len(folders) == 2 and looks.game not in folders:
            cores.add(folders[1].lower())
        beside += ("/".join(folders), name.rpartition(".")[0].lower()) in played
    if not kept:
        return {
            "games-folder": 0.5 if games else 0.0,
            "front-end": 0.05 if lists else 0.0,
            "chosen-folder": 0.01,
        }
    among_games = games or evidence.games
    return {
        "chosen-folder": 0.01,
        "many-cores": 0.03 if len(cores) > 1 else 0.0,
        "id-tree": 0.1 * zeros / kept if zeros else -0.1,
        "numbered-users": 0.3 * users / kept if users else -0.1,
        "zip-export": 0.5 if archives * 2 > kept else -0.5,
        "beside-games": 0.3 * beside / kept if among_games or evidence.saves else -_UNLIKELY,
        "front-end": (0.0 if lists * 2 > kept else -0.2) if lists else -_UNLIKELY,
        "games-folder": 0.5 if evidence.shelf and games else 0.0 if among_games else -_UNLIKELY,
    }
