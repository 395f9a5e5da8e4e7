"""What every archive says of itself: ``archive.yaml`` for programs, ``ARCHIVE.md`` for people."""

from __future__ import annotations

import hashlib
import os
import re

from handhold.errors import Damaged, OwnerError

FORMAT = 1
DESCRIPTION, GUIDE = "archive.yaml", "ARCHIVE.md"
#: No larger description is read (bytes).
LARGEST = 64 << 10
ADVICE = "handhold verify says what else is hurt; another copy of this archive may still hold it."
_FORM = re.compile(rb"(format: ([0-9]{1,9})\n(?:[a-z0-9_-]+: [^\n]*\n)*)check: \"([0-9a-f]{64})\"\n")
_FORM_1 = re.compile(r'format: 1\nid: "([0-9a-f]{32})"\ncreated: "([^"\n]{1,64})"\nguide: "([0-9a-f]{64})"\n')


def guide_text() -> str:
    """The text for whoever finds the archive; every archive carries it."""
    with open(os.path.join(os.path.dirname(__file__), GUIDE), encoding="utf-8") as file:
        return file.read()


def description(archive_id: str, created: str, guide: bytes) -> bytes:
    """The bytes of an archive's ``archive.yaml``."""
    lines = (
        f'format: {FORMAT}\nid: "{archive_id}"\ncreated: "{created}"\n'
        f'guide: "{hashlib.sha256(guide).hexdigest()}"\n'
    ).encode()
    return lines + f'check: "{hashlib.sha256(lines).hexdigest()}"\n'.encode()


def described(where: str, data: bytes) -> str:
    """The archive's id from its description; raises ``Damaged``, and ``OwnerError`` for another format."""
    form = _FORM.fullmatch(data) if len(data) <= LARGEST else None
    if form is None or hashlib.sha256(form[1]).hexdigest() != form[3].decode():
        raise Damaged(f"The archive's {DESCRIPTION} is cut off or hurt: {where}", ADVICE)
    if int(form[2]) != FORMAT:
        raise OwnerError(
            f"The archive is of format {int(form[2])}, and this handhold reads format {FORMAT}: {where}",
            "Use the version of handhold that made it, or a later one.",
        )
    own = _FORM_1.fullmatch(form[1].decode("utf-8", "replace"))
    if own is None:
        raise Damaged(f"The archive's {DESCRIPTION} does not say what it should: {where}", ADVICE)
    return own[1]
