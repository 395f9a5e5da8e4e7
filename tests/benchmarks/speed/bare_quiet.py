"""A quiet night's floor: only what cannot be left out, as a program of its own; with FILE a busy night's.

``python bare_quiet.py DEVICE ARCHIVE [FILE]``: the lists of the archive's last night are unpacked, held
against their digests, and read as far as path, size and time of each file go; each file of the device's
folder is looked at and held against them, a folder at a time. Prints how many are as they were. No rule is
asked, no list is checked for what it says, nobody looks whether the archive still has the files. A second
process looks at most of the files while the first one reads the lists. The archive holds one home, whose
names are plain.

Where FILE is given, files of which size or time is another are read, named by their SHA-256 and packed, and
so are the lists that they stand in, each with its new lines; all that is written to FILE, which is flushed.
"""

from __future__ import annotations

import gc
import hashlib
import marshal
import os
import struct
import sys
from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from itertools import compress, count
from operator import ne
from typing import Any

#: A bundle's header, a row of its table, and its end (FORMAT.md, "Bundles").
HEADER, ROW, END = 64, struct.Struct("<32sIIIIQ"), 24
#: So many folders are found before they are shared; the second process looks at so many in a hundred of them.
ENOUGH, THEIRS = 16, 75

#: Names as lines, sizes, and times of the files of a folder, sorted by name.
Columns = tuple[str, bytes, bytes]


class Folder:
    """What the lists say of a folder, and where each run of it stands: its first file, its page and line."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.sizes, self.times = array("q"), array("q")
        self.runs: list[tuple[int, int, int]] = []

    def columns(self) -> Columns:
        """The same as of a folder that was looked at."""
        return "\n".join(self.names), self.sizes.tobytes(), self.times.tobytes()


def look(folders: Sequence[tuple[str, str]]) -> list[tuple[str, Columns]]:
    """Name, size and time of each file, by folder; ``folders`` are paths, and the same in the device."""
    found = []
    folders = list(folders)
    while folders:
        path, shown = folders.pop()
        found.append((shown, files_in(path, shown, folders)))
    return found


def files_in(path: str, shown: str, folders: list[tuple[str, str]]) -> Columns:
    """Those right in a folder; the folders in it are added."""
    files = []
    folder = os.open(path, os.O_RDONLY)
    with os.scandir(folder) as names:  # by its number: the system need not look up the way to each file
        for name in names:
            if name.is_dir(follow_symlinks=False):
                folders.append((f"{path}/{name.name}", f"{shown}{name.name}/"))
            else:
                status = name.stat(follow_symlinks=False)
                files.append((name.name, status.st_size, status.st_mtime_ns))
    os.close(folder)
    files.sort()
    named, sizes, times = zip(*files, strict=True) if files else ((), (), ())
    return "\n".join(named), array("q", sizes).tobytes(), array("q", times).tobytes()


def lists(archive: str) -> tuple[dict[str, Folder], list[bytes]]:
    """The files of the last night by folder, and the lists themselves."""
    import msgspec
    import zstandard

    fields = [("path", str), ("size", int), ("modified", int)]
    line_type = msgspec.defstruct("Line", fields, gc=False)
    unpack = zstandard.ZstdDecompressor().decompress
    newest = max(os.scandir(f"{archive}/manifests"), key=lambda one: one.name.split(".")[1])
    with open(newest.path, "rb") as file:
        manifest = unpack(file.read()).split(b"\n")
    (site,) = msgspec.json.decode(manifest[0])["sites"]  # one home, as in the benchmark
    order = [bytes.fromhex(line[9:73].decode()) for line in manifest if line.startswith(b'{"page":"')]
    wanted, found = set(order), dict[bytes, bytes]()
    for fan in os.scandir(f"{archive}/bundles"):
        for bundle in os.scandir(fan):
            with open(bundle.path, "rb") as file:
                size = file.seek(-END, os.SEEK_END)
                length = struct.unpack_from("<8xI", file.read())[0]
                file.seek(size - length)
                rows = [row for row in ROW.iter_unpack(file.read(length)) if row[0] in wanted]
                for ident, offset, stored, plain_size, codec, _ in rows:
                    page = os.pread(file.fileno(), stored, offset + HEADER)
                    found[ident] = page = unpack(page, plain_size) if codec else page
                    if hashlib.sha256(page).digest() != ident:
                        raise SystemExit("a list is hurt")
    if len(found) != len(wanted):
        raise SystemExit("a list is not there")
    decode: Callable[[bytes], list[Any]] = msgspec.json.Decoder(line_type).decode_lines
    folders: dict[str, Folder] = {}
    pages = [found[ident] for ident in order]
    for number, page in enumerate(pages):
        lines = decode(page)
        paths = [line.path for line in lines]
        at = 0
        while at < len(paths):
            path = paths[at].rpartition("/")[0]
            end = bisect_left(paths, f"{path}0", at)  # "0" comes behind "/"
            text = "\n".join(paths[at:end])
            if text.count("/") != (end - at) * (path.count("/") + 1):
                raise SystemExit("folders in folders of files are nothing for this program")
            folder = folders.setdefault(f"{site['path']}/{path}/", Folder())
            folder.runs.append((len(folder.sizes), number, at))
            folder.names.append(f"\n{text}".replace(f"\n{path}/", "\n")[1:])
            folder.sizes.extend([line.size for line in lines[at:end]])
            folder.times.extend([line.modified for line in lines[at:end]])
            at = end
    return folders, pages


def apart(then: Columns, now: Columns) -> Iterator[tuple[int, str, int, int]]:
    """Of files with the names of then those with another size or time: number, name, size, time."""
    sizes, times = array("q", now[1]), array("q", now[2])
    others = set(compress(count(), map(ne, times, array("q", then[2]))))
    if now[1] != then[1]:
        others.update(compress(count(), map(ne, sizes, array("q", then[1]))))
    for number in sorted(others):
        yield number, now[0].split("\n", number + 1)[number], sizes[number], times[number]


def files_of(columns: Columns) -> Iterator[tuple[str, int, int]]:
    """Name, size and time of each."""
    names = columns[0].split("\n") if columns[1] else []
    return zip(names, array("q", columns[1]), array("q", columns[2]), strict=True)


def keep(
    device: str, file: str, pages: list[bytes], changed: list[tuple[str, Folder, tuple[int, str, int, int]]]
) -> None:
    """Reads files that are not as they were, and makes their lists anew."""
    import msgspec
    import zstandard

    line_type = msgspec.defstruct(
        "Whole", [(name, Any) for name in msgspec.json.decode(pages[0].split(b"\n")[0])], omit_defaults=True
    )
    decode: Callable[[bytes], Any] = msgspec.json.Decoder(line_type).decode
    encode = msgspec.json.Encoder().encode
    lines: dict[int, list[bytes]] = {}
    blocks: list[bytes | bytearray | memoryview] = []
    for shown, folder, (number, name, size, modified) in changed:
        path = f"{device}/{shown}{name}"
        opened = os.open(path, os.O_RDONLY)
        data = os.read(opened, size + 1)
        os.stat(path)
        os.close(opened)
        blocks.append(data)
        begin, page, line = folder.runs[bisect_right(folder.runs, (number, len(pages), 0)) - 1]
        of_page = lines.get(page)
        if of_page is None:
            of_page = lines[page] = pages[page].split(b"\n")
        entry = decode(of_page[line + number - begin])
        entry.size, entry.modified, entry.sha256 = size, modified, hashlib.sha256(data).hexdigest()
        of_page[line + number - begin] = encode(entry)
    anew: list[bytes | bytearray | memoryview] = [b"\n".join(of_page) for of_page in lines.values()]
    with open(file, "wb") as written:
        for some, level in ((blocks, 3), (anew, 1)):
            written.write(b"".join(hashlib.sha256(block).digest() for block in some))
            packed = zstandard.ZstdCompressor(level=level).multi_compress_to_buffer(some, threads=2)
            written.writelines(packed[number].tobytes() for number in range(len(packed)))
        written.flush()
        os.fsync(written.fileno())


def main() -> None:
    """Tells how many files are as they were."""
    gc.disable()
    device, archive, *file = sys.argv[1:]
    now = []
    folders = [(device, "")]
    while folders and len(folders) < ENOUGH:
        path, shown = folders.pop(0)
        now.append((shown, files_in(path, shown, folders)))
    shared = len(folders) * THEIRS // 100
    reading, writing = os.pipe()
    if not os.fork():
        os.close(reading)
        with open(writing, "wb") as pipe:
            marshal.dump(look(folders[:shared]), pipe)
        os._exit(0)
    os.close(writing)
    then, pages = lists(archive)
    now += look(folders[shared:])
    with open(reading, "rb") as pipe:
        now += marshal.load(pipe)
    os.wait()
    as_then = files = 0
    changed = []
    for shown, there in now:
        folder = then.get(shown, Folder())
        known = folder.columns()
        files += len(there[1]) // 8
        if there == known:
            as_then += len(there[1]) // 8
        elif there[0] == known[0]:
            others = [(shown, folder, one) for one in apart(known, there)]
            as_then += len(there[1]) // 8 - len(others)
            changed += others
        else:
            as_then += len({*files_of(there)} & {*files_of(known)})
    gone = sum(len(folder.sizes) for folder in then.values()) - as_then
    if file:
        keep(device, file[0], pages, changed)
    print(f"{as_then} of {files} files are as they were, {gone} are not or are gone")


if __name__ == "__main__":
    main()
