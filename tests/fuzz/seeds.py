"""Valid bytes for each reader: what handhold itself writes, and what lies in the folders of the checkout."""

from __future__ import annotations

import io
import tempfile
import zipfile
from functools import cache

import pytest

from handhold.archive import bundle, inventory, members, ziptree
from handhold.archive.archive import Archive
from handhold.archive.blocks import decompress, seal
from handhold.archive.inventory import Game
from handhold.archive.parity.making import parity_of
from handhold.archive.recipe import Range, encode
from handhold.layouts.catalogue import read_catalogue
from handhold.layouts.stored import stored_form
from handhold.resources import examples_folder, patterns_folder
from tests.archive.damaged import Memory, small_world

_SETTINGS = [
    b'\0{"games": "/storage/card/Games", "x": ["\\/mnt\\/a\\/b", "\\u002fstorage\\u002fcard"]}',
    b"\1<?xml version='1.0'?><a path='/storage/card/Games'>&#47;mnt&#47;a, C:\\Games</a>",
    b'\2[paths]\r\ngames=/storage/card/Games;/mnt/a # here\r\nlast = "/mnt/a"\r\n',
    b"\3games: ['/storage/card', '/mnt/a']\n",
    b"\5path=/storage/card/a\\ b\\u0020c\n",
    b"\6\xff\xfe/\0m\0n\0t\0/\0a\0",
]


def _zips() -> list[bytes]:
    made = []
    for method in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", method) as file:
            file.writestr("saves/Mole Hollow.sav", b"LEVEL 3 SCORE 90" * 20)
            file.writestr("empty/", b"")
            with file.open(zipfile.ZipInfo("wide.sav"), "w", force_zip64=True) as stream:
                stream.write(b"x" * 150)
            file.comment = b"nightly"
        made.append(buffer.getvalue())
    return made


@cache
def seeds() -> dict[str, list[bytes]]:
    """Reader's name to valid inputs."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        world = small_world(folder, patch)
    archive = Archive(world.memory(), "")
    bundles = [data for file, data in world.files.items() if file.endswith(".bundle")]
    packed = [data for file, data in world.files.items() if file.endswith(".manifest")]
    manifests = [archive.read(one) for one in archive.snapshots()]
    pages = {ref.id: archive.block(ref.id) for one in manifests for ref in one.pages}
    tables = []
    for data in bundles:
        file = next(name for name, own in world.files.items() if own is data)
        table = bundle.read_table(world.memory(), file, len(data))
        rows = len(table) // bundle.ROW.size
        tables.append(bytes([rows]) + data[len(bundle.MAGIC) : -bundle.END_SIZE])
    zips = _zips()
    tree = ziptree.parse(lambda at, size: zips[0][at : at + size], len(zips[0]))
    layouts = [
        p.read_bytes() for f in (patterns_folder(), examples_folder() / "layouts") for p in f.glob("*.yaml")
    ]
    usable = read_catalogue([examples_folder() / "layouts"]).layouts.values()
    frame = seal(b"A" * 1000).stored
    description = world.files["archive.yaml"]
    protected = {"manifests/a.manifest": b"small" * 50, "bundles/aa/b.bundle": bytes(range(256)) * 70}
    parities = [b"".join(parity_of(Memory(protected), file, len(data))) for file, data in protected.items()]
    return {
        "block": [b"\1" + (1000).to_bytes(4, "little") + frame, b"\0\3\0\0\0abc"],
        "bundle": bundles,
        "bundle-table": tables,
        "bundle-torn": [data[8:-30] for data in bundles],
        "parity": parities,
        "recipe": [encode([Range(bytes(range(32)), 5, 700), Range(b"\xff" * 32, 0, 1)])],
        "page": list(pages.values()),
        "inventory": [
            inventory.encode([Game("tinplate", "main", "a/b.bin", 5, "B"), Game("x", "y", "z", 0)])
        ],
        "members": [members.encode(members.members_of(tree))],
        "manifest": packed,
        "manifest-lines": [decompress(data, 1 << 20) for data in packed],
        "description": [description],
        "description-summed": [description[: description.index(b"check: ")]],
        "zip": zips,
        "layout": layouts,
        "stored-layout": [stored_form(layout) for layout in usable],
        "config": [
            b"""config: 1
device: plover
archive: /media/card/handhold
volumes: {internal: /storage, card: /media/c}
layouts: [/home/me/layouts]
parts:
  textures: false
recognise: false
newest: 3
"""
        ],
        "pattern": [
            b"saves/**/{game}_{slot}.{sav,srm}\nsaves/a/My_Game_1.sav",
            b"**/a*b?c/**\nx/abcd/y",
            b"{a,b{c,d}}/\\{x\nac/{x",
        ],
        "version": [b'version="{version}"\nname\nversion="1.4"\n', b"v{version} \nx v3.2 b"],
        "names": ["caf\u00e9.sav".encode(), b"a\\\\b/\\xe9", b"\xe9\x01/..", b"../x"],
        "lock-note": [b'{"host": "h", "pid": 7, "since": "2031-01-01 00:00:00", "purpose": "snapshot"}'],
        "settings": _SETTINGS,
        "repoint": [b"/media/card=/storage/card", b"C:\\Games=/a"],
        "content": [*zips, b"[input]\nbutton_a = 3\nbutton_b = 4\n", bytes(range(256))],
    }
