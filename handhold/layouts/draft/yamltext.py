"""A draft as the text of a layout file, with comments for the owner who looks it over."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Iterable, Sequence

from handhold.layouts.draft.doubts import Doubt, Doubts
from handhold.layouts.draft.likeness import Likeness
from handhold.layouts.draft.ownrule import OwnRule
from handhold.layouts.recognition.recognise import SURE

#: A layout file may have 256 KiB; the rules and then the comments stop before that.
_MOST_BYTES = 200 * 1024
_WIDTH = 110
_LONGEST = 70  # characters of one name in a comment
#: Above this nothing needs to be said about how certain it was.
_CERTAIN = SURE + 10
#: Kinds of characters that YAML does not take as they are, or that change how the text around them looks.
_ESCAPED = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
#: Ids that YAML would not take for text.
_NOT_TEXT = ("null", "true", "false")


def quoted(text: str) -> str:
    r"""Text as a YAML value in double quotes.

    >>> print(quoted('a "b" \\ c'), quoted("bell\x07"))
    "a \"b\" \\ c" "bell\u0007"
    """
    return _visible(json.dumps(text, ensure_ascii=False))


def remark(text: str) -> str:
    """Text for one line of a comment."""
    return _visible(" ".join(text.split()))


def layout_text(
    *,
    id: str,
    title: str,
    source: str,
    like: Likeness,
    runner_up: Likeness | None,
    homes: Sequence[tuple[str, Sequence[str], str]],
    keep: Sequence[OwnRule],
    skip: Sequence[OwnRule],
    doubts: Doubts,
) -> str:
    """The whole file. ``homes`` are name, places and a remark; ``source`` is the folder looked at."""
    seen = f"{like.right} of {like.of} recognised files are what this pattern has them for"
    if runner_up is not None and runner_up.score > 0:
        seen += f"; next best: {runner_up.pattern}, {runner_up.right}"
    lines = [
        *_comment(f"Drafted from {source}. Look it over: what stands here decides what is kept.", ""),
        "",
        "layout: 1",
        f"id: {id if id[0].isalpha() and id not in _NOT_TEXT else quoted(id)}",
        f"title: {quoted(title)}",
        *_comment(f"{seen}.", ""),
        f"like: {like.pattern}",
        "homes:",
    ]
    for name, places, about in homes:
        lines += _comment(about, "  ") if about else []
        lines.append(f"  - {{name: {name}, at: [{', '.join(quoted(place) for place in places)}]}}")
    room = _MOST_BYTES - len("\n".join(lines).encode())
    left_out = 0
    for key, rules in (("keep", keep), ("skip", skip)):
        blocks = []
        for rule in rules:
            block = "\n".join(_rule(rule))
            room -= len(block.encode()) + 1
            if room > 0:
                blocks.append(block)
            else:
                left_out += 1
        if blocks:
            lines += [f"{key}:", *blocks]
    if left_out:
        lines += _comment(f"{left_out} more rules would have made this file too large.", "")
    for doubt in _doubts(doubts):
        room -= len(doubt.encode()) + 1
        if room > 0:
            lines.append(doubt)
    return "\n".join(lines) + "\n"


def _rule(rule: OwnRule) -> list[str]:
    why = f": {'; '.join(rule.reasons)}" if rule.reasons else ""
    sure = f" (not very sure, {rule.confidence} of 100)" if rule.confidence < _CERTAIN else ""
    lines = _comment(f"{_files(rule.files)}, such as {_examples(rule.examples)}{why}{sure}", "  ")
    if rule.part is None:
        lines.append(f"  - {{path: {quoted(rule.path)}, why: {quoted(rule.why)}}}")
    else:
        lines.append(f"  - {{part: {rule.part}, path: {quoted(rule.path)}}}")
    return lines


def _doubts(doubts: Doubts) -> Iterable[str]:
    if doubts.perhaps:
        yield ""
        yield "# Perhaps worth keeping; put such a line among those of keep if it is so:"
        for doubt in doubts.perhaps:
            yield from _comment(_about(doubt), "")
            yield f"#   - {{part: {doubt.part}, path: {quoted(doubt.path)}}}"
    if doubts.otherwise:
        yield ""
        yield "# Taken for something else than they look like:"
        for doubt in doubts.otherwise:
            yield from _comment(
                f"{_about(doubt)}; looks like {doubt.part}, is {doubt.given or 'left out'} here", ""
            )
    if doubts.unknown:
        yield ""
        yield "# Claimed by nothing, and like nothing that is known:"
        for doubt in doubts.unknown:
            yield from _comment(f"{doubt.path}: {_about(doubt)}", "")
    if doubts.more:
        yield from _comment(f"And {_files(doubts.more)} of other kinds.", "")


def _about(doubt: Doubt) -> str:
    why = f": {'; '.join(doubt.reasons)}" if doubt.reasons else ""
    sure = f" ({doubt.confidence} of 100)" if doubt.confidence else ""
    return f"{_files(doubt.files)}, such as {_examples(doubt.examples)}{why}{sure}"


def _files(count: int) -> str:
    return f"{count:,} file{'' if count == 1 else 's'}"


def _examples(paths: Iterable[str]) -> str:
    return " and ".join(f'"{path if len(path) <= _LONGEST else "…" + path[-_LONGEST:]}"' for path in paths)


def _comment(text: str, indent: str) -> list[str]:
    """The text as comment lines of a readable width."""
    lines: list[str] = []
    for word in remark(text).split(" "):
        if lines and len(lines[-1]) + len(word) < _WIDTH:
            lines[-1] += f" {word}"
        else:
            lines.append(f"{indent}# {word}")
    return lines


def _visible(text: str) -> str:
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escape(char) if unicodedata.category(char) in _ESCAPED else char for char in text)


def _escape(char: str) -> str:
    number = ord(char)
    if number < 0x100:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"
