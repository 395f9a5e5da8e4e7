"""A quiet night's floor: only what cannot be left out, as a program of its own.

``python bare_quiet.py DEVICE ARCHIVE``: the lists of the archive's last night are unpacked, held against
their digests, and read as far as path, size and time of each file go; each file of the device's folder is
looked at and held against them. Prints how many are as they were. Nothing is written, no rule is asked, no
list is checked for what it says, nobody looks whether the archive still has the files, and the order does not
matter. A second process looks at most of the files while the first one reads the lists. The archive holds one
home.
"""

from __future__ import annotations

import gc
import hashlib
import marshal
import os
import struct
import sys
from collections.abc import Callable, Sequence
from typing import Any

#: A bundle's header, a row of its table, and its end (FORMAT.md, "Bundles").
HEADER, ROW, END = 64, struct.Struct("<32sIIIIQ"), 24
#: So many folders are found before they are shared; the second process looks at so many in a hundred of them.
ENOUGH, THEIRS = 16, 75


def look(folders: Sequence[tuple[str, str]]) -> list[tuple[str, list[tuple[str, int, int]]]]:
    """Name, size and time of each file, by folder; ``folders`` are paths, and the same in the device."""
    found = []
    folders = list(folders)
    while folders:
        path, shown = folders.pop()
        found.append((shown, files_in(path, shown, folders)))
    return found


def files_in(path: str, shown: str, folders: list[tuple[str, str]]) -> list[tuple[str, int, int]]:
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
    return files


def lists(archive: str) -> dict[str, dict[tuple[str, int, int], bool]]:
    """Name, size and time of each file of the last night, by folder."""
    import msgspec
    import zstandard

    fields = [("path", str), ("size", int), ("modified", int)]
    line_type = msgspec.defstruct("Line", fields, gc=False)
    unpack = zstandard.ZstdDecompressor().decompress
    newest = max(os.scandir(f"{archive}/manifests"), key=lambda one: one.name.split(".")[1])
    with open(newest.path, "rb") as file:
        manifest = unpack(file.read()).split(b"\n")
    (site,) = msgspec.json.decode(manifest[0])["sites"]  # one home, as in the benchmark
    wanted = {bytes.fromhex(line[9:73].decode()) for line in manifest if line.startswith(b'{"page":"')}
    decode: Callable[[bytes], list[Any]] = msgspec.json.Decoder(line_type).decode_lines
    found: dict[str, dict[tuple[str, int, int], bool]] = {}
    there, here = "", {}
    for fan in os.scandir(f"{archive}/bundles"):
        for bundle in os.scandir(fan):
            with open(bundle.path, "rb") as file:
                size = file.seek(-END, os.SEEK_END)
                length = struct.unpack_from("<8xI", file.read())[0]
                file.seek(size - length)
                rows = [row for row in ROW.iter_unpack(file.read(length)) if row[0] in wanted]
                for ident, offset, stored, plain_size, codec, _ in rows:
                    wanted.discard(ident)
                    page = os.pread(file.fileno(), stored, offset + HEADER)
                    if codec:
                        page = unpack(page, plain_size)
                    if hashlib.sha256(page).digest() != ident:
                        raise SystemExit("a list is hurt")
                    for line in decode(page):
                        folder, _, name = line.path.rpartition("/")
                        if folder != there:
                            there, here = folder, found.setdefault(f"{site['path']}/{folder}/", {})
                        here[name, line.size, line.modified] = True
    if wanted:
        raise SystemExit("a list is not there")
    return found


def main() -> None:
    """Tells how many files are as they were."""
    gc.disable()
    now = []
    folders = [(sys.argv[1], "")]
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
    then = lists(sys.argv[2])
    now += look(folders[shared:])
    with open(reading, "rb") as pipe:
        now += marshal.load(pipe)
    os.wait()
    as_then = files = 0
    for folder, there in now:
        known = then.get(folder, {})
        files += len(there)
        as_then += sum(map(known.__contains__, there))
    others = sum(map(len, then.values())) - as_then
    print(f"{as_then} of {files} files are as they were, {others} are not or are gone")


if __name__ == "__main__":
    main()
