"""Settings files with other places in them: just those values, and everything else byte for byte."""

from __future__ import annotations

import codecs
import configparser
import json
import tomllib
from collections.abc import Mapping
from xml.etree import ElementTree

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from handhold.errors import WrongInput
from handhold.restore.repoint.encoded import encoded_values
from handhold.restore.repoint.rewriting import Change, repoint_option, repoint_options, rewrite
from handhold.restore.repoint.values import Was, roots_named, values

OLD, NEW = "/storage/card", "/mnt/kärtchen & co"
PLACES = {OLD: NEW}
SIMPLE = {OLD: "/mnt/sd"}


def rewritten(text: str | bytes, name: str, places: Mapping[str, str] = SIMPLE) -> bytes:
    data = text.encode() if isinstance(text, str) else text
    result = rewrite(data, name, places)
    return data if result is None else result.data


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("games=/storage/card", "games=/mnt/sd"),
        ("games = /storage/card/Games\r\n", "games = /mnt/sd/Games\r\n"),
        ('games="/storage/card/"', 'games="/mnt/sd/"'),
        ("a=/storage/card:/storage/card/b", "a=/mnt/sd:/mnt/sd/b"),
        ("a=/storage/card/x;/storage/card", "a=/mnt/sd/x;/mnt/sd"),
        ("a = /storage/card  ; the card", "a = /mnt/sd  ; the card"),
        ("[/storage/card]", "[/mnt/sd]"),
        ("a=\\storage\\card\\x", "a=\\mnt\\sd\\x"),
        ("a=\\\\storage\\\\card\\\\x", "a=\\\\mnt\\\\sd\\\\x"),
        ("a=file:///storage/card/x", "a=file:///mnt/sd/x"),
        # addresses, in which some characters are written as their bytes
        ("a=file:///storage/c%61rd/x%20y", "a=file:///mnt/sd/x%20y"),
        ("a=FILE:///%73torage/card", "a=FILE:///mnt/sd"),
        ("a=file:///storage/card%20two/x", None),
        ("a=/storage/c%61rd/x", None),
        ("run --dir /storage/card/x", "run --dir /mnt/sd/x"),
        # What is no whole name of that path is another path.
        ("a=/storage/cardinal", None),
        ("a=/storage/card2/x", None),
        ("a=/storage/card-old", None),
        ("a=/storage/card.bak", None),
        ("a=/storage/card 2/x", None),
        ("a=/storage/card copy", None),
        ("a=/mnt/storage/card", None),
        ("a=../storage/card", None),
        ("a=~/storage/card", None),
        ("a=$HOME/storage/card", None),
        ("a=${HOME}/storage/card", None),
        ("a=storage/card", None),
        ("a=D:/storage/card", None),
        ("a=http://host/storage/card", None),
        ("a=http://storage/card", None),
        ("a=/Storage/card", None),
        ("a=//storage/card", None),
    ],
)
def test_whole_paths_and_no_others(before: str, after: str | None) -> None:
    assert rewritten(before, "main.cfg").decode() == (before if after is None else after)


def test_the_longer_path_counts_and_nothing_is_rewritten_twice() -> None:
    places = {"/a": "/b", "/a/games": "/b/x", "/b": "/c"}
    assert rewritten("1=/a/games/z\n2=/a/z\n3=/b/z\n", "x.ini", places) == b"1=/b/x/z\n2=/b/z\n3=/c/z\n"


def test_ini_as_a_library_reads_it() -> None:
    text = "; /storage/card\n[paths]\nGames = /storage/card/Games\nName=/storage/cardinal\n\n[x]\nN : 5\n"
    before, after = configparser.ConfigParser(), configparser.ConfigParser()
    before.read_string(text)
    after.read_string(rewritten(text, "main.ini").decode())
    expected = {name: dict(before[name]) for name in before.sections()}
    expected["paths"]["games"] = "/mnt/sd/Games"
    assert {name: dict(after[name]) for name in after.sections()} == expected


@pytest.mark.parametrize("slash", ["/", "\\/", "\\u002f", "\\u002F"])
def test_json_as_a_library_reads_it(slash: str) -> None:
    text = (
        '{"dirs": ["/storage/card/Ga\\u00df", "/storage/cardinal"], "q": "\\"/storage/card\\"", "n": 1.50}'
    ).replace("/", slash)
    data = rewritten(text, "main.json", PLACES)
    assert data.isascii()  # as it was
    assert json.loads(data) == {
        "dirs": [f"{NEW}/Gaß", "/storage/cardinal"],
        "q": f'"{NEW}"',
        "n": 1.5,
    }
    assert b"1.50" in data


def test_a_name_with_a_quote_stays_one_string_of_json() -> None:
    data = rewritten('{"a": "/storage/card/x"}', "a.json", {OLD: '/mnt/the "card"'})
    assert json.loads(data) == {"a": '/mnt/the "card"/x'}


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_xml_as_a_library_reads_it(encoding: str) -> None:
    declared = {"latin-1": "iso-8859-1", "utf-8-sig": "utf-8"}.get(encoding, encoding)
    text = (
        f'<?xml version="1.0" encoding="{declared}"?>\r\n<!-- /storage/card -->\r\n'
        "<c p='&#47;storage/card'><d>/storage/card/Ä &amp; B</d><e>/storage/cardinal</e></c>\r\n"
    )
    root = ElementTree.fromstring(rewritten(text.encode(encoding), "main.xml", PLACES))
    assert root.attrib == {"p": NEW}
    assert root.findtext("d") == f"{NEW}/Ä & B" and root.findtext("e") == "/storage/cardinal"


def test_yaml_and_toml_as_libraries_read_them() -> None:
    text = "a: /storage/card/x  # it\nb: \"/storage/card/\\u00e4\"\nc: ['/storage/card', /storage/cardinal]\n"
    assert yaml.safe_load(rewritten(text, "a.yaml")) == {
        "a": "/mnt/sd/x",
        "b": "/mnt/sd/ä",
        "c": ["/mnt/sd", "/storage/cardinal"],
    }
    text = "a = \"/storage/card/x\"\nb = '/storage/card'\n[c]\nd = ['/storage/cardinal']\n"
    assert tomllib.loads(rewritten(text, "a.toml").decode()) == {
        "a": "/mnt/sd/x",
        "b": "/mnt/sd",
        "c": {"d": ["/storage/cardinal"]},
    }


def test_properties_keep_their_escapes() -> None:
    text = b"dir=/storage/card/G\\u00e4mes\nuri=file\\:///storage/card\n# \xe4\n"
    after = rewritten(text, "a.properties", PLACES)
    assert after == (
        b"dir=/mnt/k\\u00e4rtchen & co/G\\u00e4mes\nuri=file\\:///mnt/k%C3%A4rtchen%20%26%20co\n# \xe4\n"
    )


def test_what_cannot_be_written_safely_is_left_and_told() -> None:
    for name, text, new in [
        ("a.cfg", "a=/storage/card", "/mnt/a;b"),
        ("a.yaml", "a: /storage/card", "/mnt/a #1"),
        ("a.cfg", "run -d /storage/card -x", "/mnt/sd"),  # "card -x" may be a name
        ("a.cfg", "run -d /storage/card/y", "/mnt/my card"),
    ]:
        assert rewritten(text, name, {OLD: new}).decode() == text
    result = rewrite(b"# \xe4\n\na=/storage/card", "a.ini", PLACES)  # in which encoding?
    assert result is not None and not result.changes
    assert [line for line, _ in result.left] == [3]


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.cfg", b"\x00/storage/card"),
        ("a.bin", b"\x0d/storage/card"),  # a length, and so many characters
        ("a.dat", b"\xff/storage/card"),
        ("a.cfg", b"a=/storage/card\n" * 70_000),
        ("a.cfg", b"\xff\xfea"),
        ("a.cfg", "a=/storage/card".encode("utf-32")),
    ],
)
def test_binary_and_large_files_are_never_touched(name: str, data: bytes) -> None:
    assert rewrite(data, name, SIMPLE) is None and values(data, name) == []


def test_the_changes_are_told_by_line() -> None:
    result = rewrite(b"one\r\n  a=/storage/card/x\rb=1\nc=/storage/card,/storage/card\n", "x.cfg", SIMPLE)
    assert result is not None
    assert result.changes == (
        Change(2, "a=/storage/card/x", "a=/mnt/sd/x"),
        Change(4, "c=/storage/card,/storage/card", "c=/mnt/sd,/mnt/sd"),
    )
    long = rewrite(b"x" * 500 + b" /storage/card " + b"/" * 500, "x.cfg", SIMPLE)
    assert long is not None and len(long.changes[0].new) < 200 and " /mnt/sd /" in long.changes[0].new


WORDS = st.lists(
    st.one_of(
        st.sampled_from(
            ["/storage/card", "/storage/cardinal", "/storage/card/x", "\\storage\\card", "=", " ", '"', "'",
             "\n", "\r\n", "\r", ":", "\\", "/", "&amp;", "&", "<a>", "{", "ä", "\t", "#", "\\u0041", "file://"]
        ),
        st.text(max_size=6),
    ),
    max_size=20,
)  # fmt: skip


@given(
    WORDS,
    st.sampled_from(["a.ini", "a.json", "a.xml", "a.yaml", "a.toml", "a.properties", "a", "a.txt", "a.dat"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16-le", "utf-16-be", "latin-1"]),
)
@settings(max_examples=300, deadline=None)
def test_all_but_the_values_stays_byte_for_byte(words: list[str], name: str, encoding: str) -> None:
    """Taking the new path out again, spelled the same, gives the old file back; so nothing else changed."""
    text = "".join(words)
    mark = {"utf-16-le": codecs.BOM_UTF16_LE, "utf-16-be": codecs.BOM_UTF16_BE}.get(encoding, b"")
    data = mark + text.encode(encoding, "surrogatepass" if encoding.startswith("utf") else "ignore")
    there, back = {OLD: "/qqqqq/zzzz"}, {"/qqqqq/zzzz": OLD}
    result = rewrite(data, name, there)
    if result is None or not result.changes:
        assert rewritten(data, name, there) == data
        return
    assert result.data != data and b"storage" in data.replace(b"\0", b"")
    assert rewritten(result.data, name, back) == data


@pytest.mark.parametrize(
    ("text", "pair"),
    [
        ("/a=/b", ("/a", "/b")),
        ("/a/=/b//c/", ("/a", "/b/c")),
        ("/a=b/c=/d", ("/a=b/c", "/d")),
        ("D:\\Games=/b", ("D:/Games", "/b")),
        ("\\a\\b=/c", ("/a/b", "/c")),
    ],
)
def test_options(text: str, pair: tuple[str, str]) -> None:
    assert repoint_option(text) == pair


@pytest.mark.parametrize(
    "text", ["", "/a", "a=b", "/a=b", "a=/b", "/=/b", "/a=/", "/a=/a/", "D:/=/b", "/a=/b\n", "/a=/b\\c"]
)
def test_options_that_cannot_be(text: str) -> None:
    with pytest.raises(WrongInput):
        repoint_option(text)


def test_one_old_path_gets_one_new() -> None:
    assert repoint_options(["/a=/b", "/a/=/b"]) == {"/a": "/b"}
    with pytest.raises(WrongInput):
        repoint_options(["/a=/b", "/a=/c"])


def named(text: str, name: str = "a.cfg") -> list[tuple[int, str]]:
    return [(value.line, value.text) for value in values(text.encode(), name)]


def test_the_values_of_a_file_with_their_lines() -> None:
    assert named("x\na = /storage/card/My Games (E)  # here\nb=D:\\Roms\\a;/x/y\n\nc='/q r/s' /z\n") == [
        (2, "/storage/card/My Games (E)"),
        (3, "D:\\Roms\\a"),
        (3, "/x/y"),
        (5, "/q r/s"),
        (5, "/z"),
    ]
    assert named('{"a": "\\/b\\/c d", "e": "file:///f"}', "a.json") == [(1, "/b/c d"), (1, "/f")]
    assert named("<a>/b &amp; c</a><d e='/f'/>", "a.xml") == [(1, "/b & c"), (1, "/f")]
    assert named("http://a.example/b and/or 1/2 // / ./x a/b") == []


def test_how_a_file_spells_the_root_of_a_volume_shows_in_the_way_to_a_home() -> None:
    found = values(b"a=/run/media/me/CARD/emulation/tinplate/saves\nb=/usr/share/x\n", "a.cfg")
    roots = roots_named(found, {"internal": "/data/"}, [Was("card", ("Emulation", "Tinplate"))])
    assert roots == {"internal": {"/data"}, "card": {"/run/media/me/CARD"}}


def test_an_address_of_a_file_is_read_and_written_as_one() -> None:
    """Source: RFC 3986, section 2.1 (a space is %20); RFC 3629, section 3 (ä is the octets C3 A4)"""
    old = {"/storage/my card": NEW}
    for spelling in ("file:///storage/my%20card/Games", "file:///storage/m%79%20card/Games"):
        (value,) = values(f"a={spelling}".encode(), "main.ini")
        assert value.below("/storage/my card") and value.text == spelling[7:]
        assert rewritten(f"a={spelling}", "main.ini", old) == b"a=file:///mnt/k%C3%A4rtchen%20%26%20co/Games"
    assert rewritten("a=/storage/my%20card", "main.ini", old) == b"a=/storage/my%20card"
    percent = {"/storage/my%20card": NEW}
    assert rewritten("a=file:///storage/my%20card", "main.ini", percent) == b"a=file:///storage/my%20card"
    assert rewritten("a=file:///storage/my%2520card", "main.ini", percent).startswith(b"a=file:///mnt/k%C3")


@pytest.mark.parametrize(
    ("text", "name", "found"),
    [
        ("a=1\npath=%2Fstorage%2Fcard%2FMy%20Games", "a.ini", [(2, ("", "storage", "card", "My Games"))]),
        ("p = %2fstorage%2fcard ; x", "a.ini", [(1, ("", "storage", "card"))]),
        ('{"a": "D%3A%5CGames"}', "a.json", [(1, ("D:", "Games"))]),
        ("u=app:open?dir=%2Fstorage%2Fcard&b=1", "a.ini", [(1, ("", "storage", "card&b"))]),
        # an address that is no path: told as it is
        ("t=content://com.example.files/tree/ABCD-1234%3AGames", "a.ini", [(1, ())]),
        ("<a b='content://com.example.files/tree/7'/>", "a.xml", [(1, ())]),
        # these are read as paths, or are on no device
        ("a=file:///storage/my%20card%2FGames", "a.ini", []),
        ("a=/storage/my%20card%2F", "a.ini", []),
        ("a=https://a.example/%2Fstorage%2Fcard", "a.ini", []),
        ("volume=80%\nname=Moss%20Song", "a.ini", []),
        ("a=Games%2FFieldfare", "a.ini", []),
        ("\0path=%2Fstorage%2Fcard", "a.ini", []),
    ],
)
def test_places_in_a_form_that_is_not_rewritten(
    text: str, name: str, found: list[tuple[int, tuple[str, ...]]]
) -> None:
    """Source: RFC 3986, section 2.1 (a slash is %2F, a colon %3A, a backslash %5C)"""
    assert [(value.line, value.names) for value in encoded_values(text.encode(), name)] == found
    assert rewritten(text, name) == text.encode()
