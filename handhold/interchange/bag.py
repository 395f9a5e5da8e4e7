"""An export as a bag: a folder with digests that archives and libraries exchange.

Source: RFC 8493, The BagIt File Packaging Format (V1.0), sections 2.1 and 2.2
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable

from handhold.interchange.folder import Folder, native_or_refused, put
from handhold.interchange.sink import About
from handhold.model import Entry

_DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


class Bag(Folder):
    """Writes files below ``data/``. The declaration is written last: without it there is no bag.

    Names are in written form, for a bag's manifest is text; see ``bag_name``.
    """

    def __init__(self, root: str, about: About) -> None:
        super().__init__(root)
        self._about = about
        self._lines: list[str] = []
        self._tags: list[tuple[str, str]] = []
        self._bytes = 0

    def add(self, path: str, entry: Entry, content: Iterable[bytes]) -> None:
        """Writes one file with its time. Raises ``Refused`` and ``OSError``."""
        native_or_refused(path)
        name = bag_name(path)
        # What stands in the bag is that text itself, with every backslash in it meant as one.
        super().add(name.replace("\\", "\\\\"), entry, content)
        self._lines.append(f"{entry.sha256}  {name}\n")
        self._bytes += entry.size

    def note(self, name: str, text: str) -> None:
        """Writes a text beside the payload."""
        self._tag(name.lower(), text)

    def finish(self) -> None:
        """Writes the manifest, the description, their digests, and the declaration."""
        about = self._about
        os.makedirs(os.path.join(self.root, "data"), exist_ok=True)
        self._tag("manifest-sha256.txt", "".join(self._lines))
        self._tag(
            "bag-info.txt",
            f"Bagging-Date: {about.taken.date().isoformat()}\n"
            f"External-Identifier: {about.snapshot}\n"
            f"External-Description: What {about.device} held on {about.taken.isoformat()}\n"
            f"Bag-Software-Agent: {about.tool}\n"
            f"Payload-Oxum: {self._bytes}.{len(self._lines)}\n",
        )
        digest = hashlib.sha256(_DECLARATION.encode()).hexdigest()
        tags = [*self._tags, ("bagit.txt", digest)]
        put(
            os.path.join(self.root, "tagmanifest-sha256.txt"),
            [f"{digest}  {name}\n".encode() for name, digest in sorted(tags)],
        )
        put(os.path.join(self.root, "bagit.txt"), [_DECLARATION.encode()])
        os.sync()

    def _tag(self, name: str, text: str) -> None:
        put(os.path.join(self.root, name), [text.encode()])
        self._tags.append((name, hashlib.sha256(text.encode()).hexdigest()))


def bag_name(path: str) -> str:
    r"""Where a path in written form lies in a bag.

    A bag's manifest has LF, CR and the percent sign in another form (RFC 8493, section 2.1.3), and libraries
    are not of one mind about the percent sign. So no name has one: it is escaped as the written form escapes
    what no text can hold, which holds neither LF nor CR.

    >>> bag_name("tinplate/main/100%.sav")
    'data/tinplate/main/100\\x25.sav'
    """
    return "data/" + path.replace("%", "\\x25")
