"""What the first bytes of a file say."""

from __future__ import annotations

import re
from typing import NamedTuple

from handhold.layouts.recognition.signals import Signals
from handhold.layouts.recognition.words import folded, words

_NO_TEXT = bytes(b for b in range(32) if b not in b"\t\n\r\f\x1b")
# Every repetition is bounded: a file from a stranger must not keep these busy.
_LINE = re.compile(r"^([^=:]{1,80}?)\s{0,20}[=:]\s{0,20}(.*)$|^(\S{1,80})\s{1,20}(\S+)$")
_HEADING = re.compile(r"^(?:\[{1,2}([^\[\]]+)\]{1,2}|<(\w{1,80})[^>]*>|\"?([\w .-]{1,80})\"?:\s{0,20}\{?)$")
_ATTRIBUTE = re.compile(
    r"([\w.-]{1,80})\s{0,4}=\s{0,4}[\"']([^\"']{0,200})[\"']|<([\w.-]{1,80})>([^<]{0,200})<"
)
_JSON = re.compile(r"\"([^\"]{1,80})\"\s{0,20}:\s{0,20}(?:\"([^\"]{0,200})\"|([^,{}\[\]]{1,200}))")
#: Longer lines are no settings in lines.
_LONG = 400


class Content(NamedTuple):
    """The first bytes in a few words."""

    kind: str  # a kind of signature; blank, text, binary, or nothing (could not be read, or empty)
    what: str  # for the owner
    unused: bool = False  # long runs that were never written, as in battery memory


def looked_at(head: bytes, known: Signals) -> Content:
    """What the first bytes of a file say."""
    if not head:
        return Content("nothing", "nothing in it")
    for signature in known.first_bytes:
        if head.startswith(signature.begins, signature.at):
            return Content(signature.kind, signature.what)
    if _cartridge(head, known):
        return Content("game", "a cartridge")
    never = max(head.count(0), head.count(255))
    if never == len(head):
        return Content("blank", "memory that was never written", True)
    if is_text(head):
        return Content("text", "text")
    unused = b"\xff" * 32 in head or b"\0" * 32 in head
    return Content("binary", "bytes that are no text", unused)


def _cartridge(head: bytes, known: Signals) -> bool:
    """Whether the header's own sum fits, and the program begins as it must."""
    sign = known.cartridge
    if len(head) <= sign["sum"]:
        return False
    entry: str = head[sign["entry"] : sign["entry"] + 2].hex()
    if entry not in sign["begins"]:
        return False
    own = -sum(byte + 1 for byte in head[sign["first"] : sign["last"] + 1]) & 0xFF
    return bool(head[sign["sum"]] == own)


def is_text(head: bytes) -> bool:
    """Whether bytes are text in UTF-8, or in an older 8-bit form with few letters beyond ASCII."""
    if head.translate(None, _NO_TEXT) != head or b"\x7f" in head:
        return False
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start >= len(head) - 3:
            return True  # cut in the middle of a letter
        beyond = sum(byte > 127 for byte in head)
        return beyond * 20 < len(head)
    return True


def zip_members(head: bytes) -> list[str]:
    """The names of members whose headers stand in the first bytes of a zip.

    Source: PKWARE, APPNOTE.TXT, 4.3.7: the name's length at 26, the name at 30.
    """
    names: list[str] = []
    at = head.find(b"PK\x03\x04")
    while at >= 0 and at + 30 <= len(head) and len(names) < 64:
        length = int.from_bytes(head[at + 26 : at + 28], "little")
        names.append(head[at + 30 : at + 30 + length].decode("utf-8", "replace"))
        at = head.find(b"PK\x03\x04", at + 30)
    return names


def speaks_of_inputs(head: bytes, known: Signals) -> bool:
    """Whether a settings file is about the buttons, axes or device ids of one handheld.

    It is if at least two of its settings (or all of them), and at least half, name such a thing.
    """
    text = head.decode("utf-8", "replace")
    all_of_them = of_inputs = 0
    heading = False
    for line in text.splitlines():
        line = line.strip()
        if not line or line[0] in ";#":
            continue
        title = _HEADING.match(line[:_LONG])
        if title:
            heading = _is_heading(title[1] or title[2] or title[3] or "", known)
            pairs = [(m[0] or m[2], m[1] or m[3]) for m in _ATTRIBUTE.findall(line)]
        elif (json := _JSON.findall(line)) or (xml := _ATTRIBUTE.findall(line)):
            pairs = (
                [(m[0], m[1] or m[2]) for m in json] if json else [(m[0] or m[2], m[1] or m[3]) for m in xml]
            )
        else:
            setting = _LINE.match(line[:_LONG])
            pairs = [(setting[1] or setting[3], setting[2] or setting[4] or "")] if setting else []
        for key, value in pairs:
            all_of_them += 1
            of_inputs += _is_input(key.strip(" \"'"), value.strip(" \"',"), heading, known)
    return of_inputs >= min(2, all_of_them) > 0 and of_inputs * 2 >= all_of_them


def _is_heading(text: str, known: Signals) -> bool:
    return any(word in known.inputs.headings or word in known.inputs.words for word in words(text))


def _is_input(key: str, value: str, heading: bool, known: Signals) -> bool:
    said = words(key)
    run = "".join(said)
    if any(word in known.inputs.words for word in said) or any(piece in run for piece in known.inputs.pieces):
        return True
    last = re.split(r"[\s_.-]+", folded(key))[-1]
    if last in known.inputs.buttons or folded(key) in known.inputs.buttons:
        return heading or known.inputs.values.fullmatch(value) is not None
    return heading and bool(said) and any(word in known.inputs.buttons for word in said)
