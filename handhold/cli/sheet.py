"""Headings, texts and items to tick, as Markdown and as a page that needs nothing else.

Titles and paths come from whoever named the files: nothing in them is taken for a mark of either form.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Iterator, Sequence
from hashlib import sha256
from html import escape
from itertools import groupby

import msgspec

from handhold.cli.words import printable

#: Stands in the first two lines of what is written; a file that has it may be written over.
MARKER = "<!-- handhold checklist 1 -->"


#: The sections of what is done by hand.
FIRST, AFTERWARDS = "First", "Afterwards"


class Heading(msgspec.Struct, frozen=True):
    """A heading of level 2 or 3."""

    text: str
    level: int


class Text(msgspec.Struct, frozen=True):
    """A paragraph."""

    text: str


class Item(msgspec.Struct, frozen=True):
    """A line of a list; ``ticked`` is None where there is nothing to tick."""

    text: str
    ticked: bool | None


Block = Heading | Text | Item

# Source: CommonMark 0.31.2, section 2.4 (any ASCII punctuation may be escaped with a backslash)
_MARKS = re.compile(r"[\\`*_\[\]<>~#$@]|&(?=#?\w+;)|(?<=[Ww]{3})\.|:(?=//)")
_AT_BEGINNING = re.compile(r"(?:[-+=]|\d+[.)])")


def as_markdown(title: str, blocks: Sequence[Block]) -> str:
    """The blocks as Markdown with task lists.

    Source: GitHub Flavored Markdown Spec 0.29, section 5.3 (task list items)
    """
    lines = [MARKER, "", f"# {_plain(title)}"]
    last: type[Block] | None = None
    for block in blocks:
        if not (isinstance(block, Item) and last is Item):
            lines.append("")
        last = type(block)
        if isinstance(block, Heading):
            lines.append(f"{'#' * block.level} {_plain(block.text)}")
        elif isinstance(block, Item):
            box = "" if block.ticked is None else "[x] " if block.ticked else "[ ] "
            lines.append(f"- {box}{_plain(block.text)}")
        else:
            lines.append(_plain(block.text))
    return "\n".join(lines) + "\n"


def with_ticks(text: str, before: str) -> str:
    """The Markdown with what was ticked in an earlier one of the same work ticked again. Pure.

    Only in sections of what is done by hand: what was written, handhold knows best.
    """
    ticked = {place for place, line in _placed(before) if line.startswith("- [x] ") and place[0]}
    return "\n".join(
        f"- [x] {line[6:]}" if line.startswith("- [ ] ") and place in ticked else line
        for place, line in _placed(text)
    )


def _placed(text: str) -> Iterator[tuple[tuple[str, str, str], str]]:
    """Each line with its chapter, its section and what stands behind its box; all empty elsewhere."""
    chapter = section = ""
    for line in text.split("\n"):
        if line.startswith("## "):
            chapter, section = line, ""
        elif line.startswith("### "):
            section = line
        by_hand = section in (f"### {FIRST}", f"### {AFTERWARDS}")
        yield ((chapter, section, line[6:]) if by_hand else ("", "", "")), line


def _plain(text: str) -> str:
    """The text with everything that Markdown would take for a mark escaped, on one line."""
    line = _MARKS.sub(lambda mark: f"\\{mark[0]}", " ".join(printable(text).split()))
    begins = _AT_BEGINNING.match(line)
    if begins:
        at = begins.end() - 1
        line = f"{line[:at]}\\{line[at:]}"
    return line


_STYLE = """\
:root { color-scheme: light dark; }
body { font: 1rem/1.45 system-ui, sans-serif; max-width: 42rem; margin: 0 auto; padding: 1rem;
  overflow-wrap: anywhere; }
h2 { margin: 2rem 0 .5rem; border-bottom: 1px solid; }
h3 { margin: 1rem 0 .25rem; font-size: 1rem; }
p { margin: .5rem 0; }
ul { list-style: none; margin: 0; padding: 0; }
li { padding: .25rem 0; }
li.told { padding-left: 2rem; }
label { display: flex; gap: .75rem; align-items: flex-start; }
input { flex: none; width: 1.25rem; height: 1.25rem; margin: .1rem 0 0; }
input:checked + span { opacity: .6; }
@media print { input { width: .8rem; height: .8rem; } }
"""
#: Keeps what was ticked until the page is opened again, where the browser lets a page keep anything.
_SCRIPT = """\
for (const box of document.querySelectorAll("input")) {
  const key = "handhold " + document.title + " " + box.id;
  try {
    if (localStorage.getItem(key) === "yes") box.checked = true;
    box.addEventListener("change", () => localStorage.setItem(key, box.checked ? "yes" : "no"));
  } catch (error) { /* it is ticked for this time only */ }
}
"""


def as_html(title: str, blocks: Sequence[Block]) -> str:
    """The blocks as one page: no other file, nothing from elsewhere, no script but the one in it.

    Source: W3C Content Security Policy Level 3, section 2.3.1 (hash sources)
    """
    digest = b64encode(sha256(_SCRIPT.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    head = (
        f"<!DOCTYPE html>\n{MARKER}\n"
        '<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_safe(title)}</title>\n<style>\n{_STYLE}</style>\n</head>\n<body>\n<h1>{_safe(title)}</h1>\n"
    )
    return head + "\n".join(_lines(blocks)) + f"\n<script>{_SCRIPT}</script>\n</body>\n</html>\n"


def _lines(blocks: Sequence[Block]) -> Iterator[str]:
    chapter, section = "", ""
    used: dict[str, int] = {}
    for is_list, run in groupby(blocks, key=lambda block: isinstance(block, Item)):
        if is_list:
            yield "<ul>"
        for block in run:
            if isinstance(block, Heading):
                chapter, section = (block.text, "") if block.level == 2 else (chapter, block.text)
                yield f"<h{block.level}>{_safe(block.text)}</h{block.level}>"
            elif isinstance(block, Text):
                yield f"<p>{_safe(block.text)}</p>"
            elif block.ticked is None:
                yield f'<li class="told">{_safe(block.text)}</li>'
            else:
                name = sha256(
                    "\0".join((chapter, section, block.text)).encode("utf-8", "replace")
                ).hexdigest()[:12]
                used[name] = used.get(name, 0) + 1
                tick = " checked" if block.ticked else ""
                box = f'<input type="checkbox" id="t{name}-{used[name]}"{tick}>'
                yield f"<li><label>{box}<span>{_safe(block.text)}</span></label></li>"
        if is_list:
            yield "</ul>"


def _safe(text: str) -> str:
    return escape(printable(text), quote=True)
