"""``restore --checklist``: what it says before, after and on a second run, and what no title can do to it."""

from __future__ import annotations

import os
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from handhold.cli.sheet import MARKER, Heading, Item, Text, as_html, as_markdown
from handhold.cli.words import printable
from tests.cli.world import Said, World

NASTY = "<script>alert(1)</script> & [x](http://a.example) *b* `c` www.d.example"


class Move:
    """Everything of one handheld, and a new one on which only one emulator has been started."""

    def __init__(self, folder: Path) -> None:
        self.world = World(folder)
        self.world.furnish()
        assert self.world.setup().status == 0
        assert self.world.run("snapshot").status == 0
        self.new = folder / "new"
        (self.new / "internal/Tinplate").mkdir(parents=True)
        (self.new / "card").mkdir()

    def restore(self, *options: str) -> Said:
        return self.world.run(
            "--device", "meadow", "--volume", f"internal={self.new / 'internal'}",
            "--volume", f"card={self.new / 'card'}", "restore", "plover", *options,
        )  # fmt: skip


@pytest.fixture
def move(tmp_path: Path) -> Move:
    return Move(tmp_path)


def chapters(text: str) -> dict[str, dict[str, list[str]]]:
    """Emulator -> heading -> lines of a Markdown checklist."""
    found: dict[str, dict[str, list[str]]] = {}
    chapter = section = ""
    for line in text.splitlines():
        if line.startswith("## "):
            chapter, section = line[3:], ""
        elif line.startswith("### "):
            section = line[4:]
        elif line and chapter:
            found.setdefault(chapter, {}).setdefault(section, []).append(line)
    return found


def test_a_move_from_plan_to_done(move: Move, tmp_path: Path) -> None:
    file = tmp_path / "move.md"
    said = move.restore("--dry-run", "--checklist", str(file))
    assert said.status == 3 and str(file) in "".join(said.err.split())
    text = file.read_text()
    assert text.startswith(f"{MARKER}\n\n# From plover to meadow\n")
    assert "4 files come along; 1 file held back; 1 file cannot come along yet." in text
    plan = chapters(text)
    assert list(plan) == ["Lantern", "Tinplate"]
    assert list(plan["Tinplate"]) == ["First", "Comes along", "Held back", "Afterwards"]  # the trade's order
    assert plan["Tinplate"]["First"][0] == "- [x] Install Tinplate, start it once, then close it."
    assert plan["Tinplate"]["First"][1].startswith("- [ ] Close it")
    assert plan["Tinplate"]["Comes along"] == [
        '- [ ] saves: 2 files, 1.3 KiB: Mole Hollow and Ärger & "Ruhm"',
        "- [ ] states: 1 file, 5.3 KiB: Mole Hollow",
        "- [ ] settings: 1 file, 22 B: main",
        'Newest progress in it: Ärger & "Ruhm" (saves), 2026-03-01 21:00.',
    ]
    assert plan["Tinplate"]["Held back"] == [
        "- controls, 1 file (pad): controls stay with plover; --part controls asks for them"
    ]
    assert plan["Tinplate"]["Afterwards"][:2] == [
        "- [ ] Point Tinplate at the games folder.",
        "- [ ] Map the buttons.",
    ]
    assert plan["Tinplate"]["Afterwards"][-1] == '- [ ] Start Ärger & "Ruhm" and load its save.'
    assert "install it, start it once" in plan["Lantern"]["Does not come along"][0]
    assert plan["Lantern"]["First"] and plan["Lantern"]["First"][0].startswith("- [ ] ")

    assert move.restore("--yes", "--checklist", str(file)).status == 3
    done = chapters(file.read_text())
    assert [line[:5] for line in done["Tinplate"]["Came along"][:3]] == ["- [x]"] * 3
    assert done["Tinplate"]["First"][1].startswith("- [x] Close it")
    assert "something is missing of Lantern" in file.read_text()

    # The emulator that was missing is started, and newer progress stays in the other one.
    (move.new / "card/Lantern").mkdir()
    move.world.write(move.new / "internal/Tinplate/saves/Mole Hollow.sav", b"chapter 2", minutes_ago=-10)
    move.world.next_evening()
    assert move.restore("--yes", "--checklist", str(file)).status == 3
    done = chapters(file.read_text())
    assert done["Lantern"]["Came along"][0] == "- [x] saves: 1 file, 7.8 KiB: 灯台"
    assert "Did not come along" not in done["Lantern"]
    assert "Mole Hollow" in done["Tinplate"]["Stayed, newer here or unsure"][0]
    assert "- [ ] Map the buttons." in done["Tinplate"]["Afterwards"]  # nobody can see that it was done


def test_what_the_owner_ticked_stays_ticked(move: Move, tmp_path: Path) -> None:
    file = tmp_path / "move.md"
    move.restore("--dry-run", "--checklist", str(file))
    saves = '- [ ] saves: 2 files, 1.3 KiB: Mole Hollow and Ärger & "Ruhm"'
    text = file.read_text()
    assert saves in text
    text = text.replace("- [ ] Map the buttons.", "- [X] Map the buttons.")
    file.write_text(text.replace(saves, saves.replace("[ ]", "[x]")), newline="\r\n")
    move.restore("--dry-run", "--checklist", str(file))
    text = file.read_text()
    assert "- [x] Map the buttons." in text and "- [ ] Point Tinplate at the games folder." in text
    assert saves in text  # what was written is not for the owner to say


def test_what_the_night_could_not_keep_did_not_come_along(move: Move, tmp_path: Path) -> None:
    (move.world.internal / "Tinplate/saves/Gone.sav").symlink_to("nowhere")
    move.world.run("snapshot")
    file = tmp_path / "move.md"
    move.restore("--dry-run", "--checklist", str(file))
    (line,) = chapters(file.read_text())["Tinplate"]["Does not come along"]
    assert "internal:Tinplate/saves/Gone.sav" in line and "not in the snapshot" in line


def test_on_its_own_device_there_is_nothing_to_set_up(move: Move, tmp_path: Path) -> None:
    (move.world.card / "Lantern/memory/灯台.mcr").unlink()
    file = tmp_path / "back.md"
    assert move.world.run("restore", "latest", "--yes", "--checklist", str(file)).status == 0
    text = file.read_text()
    assert "# Putting back onto plover" in text and "Map the buttons" not in text
    assert "- [x] saves: 1 file, 7.8 KiB: 灯台" in text


@pytest.mark.parametrize("name", ["list", "list.txt", "nowhere/list.md"])
def test_files_that_cannot_be(move: Move, tmp_path: Path, name: str) -> None:
    said = move.restore("--yes", "--checklist", str(tmp_path / name))
    assert said.status == 2 and "--checklist" in said.err
    assert not (move.new / "internal/Tinplate/saves").exists()  # nothing was done


@pytest.mark.parametrize("content", ["my own notes\n", "", f"notes\n\n{MARKER}\n", f" {MARKER}\n"])
def test_nobody_elses_file_is_written_over(move: Move, tmp_path: Path, content: str) -> None:
    file = tmp_path / "notes.md"
    file.write_text(content)
    assert move.restore("--yes", "--checklist", str(file)).status == 2
    assert file.read_text() == content
    link = tmp_path / "link.md"
    link.symlink_to(file)
    assert move.restore("--yes", "--checklist", str(link)).status == 2
    assert link.is_symlink() and file.read_text() == content


def test_an_own_one_is_replaced_whole_in_either_form(move: Move, tmp_path: Path) -> None:
    file = tmp_path / "move.HTML"
    file.write_text(f"<!DOCTYPE html>\n{MARKER}\n" + "old " * 100_000)
    assert move.restore("--dry-run", "--checklist", str(file)).status == 3
    assert "old old" not in file.read_text() and "Map the buttons." in file.read_text()
    assert sorted(os.listdir(tmp_path)).count("move.HTML") == 1
    assert not [name for name in os.listdir(tmp_path) if name.startswith(".handhold")]


class Page(HTMLParser):
    """What a page holds, as the library's parser reads it."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_the_page_needs_nothing_else_and_a_title_does_nothing_to_it() -> None:
    page = as_html(NASTY, [Heading(NASTY, 2), Text(NASTY), Item(NASTY, True), Item(NASTY, None)])
    read = Page(page)
    assert [tag for tag, _ in read.tags].count("script") == 1
    assert {"img", "a", "link", "b", "iframe"}.isdisjoint(tag for tag, _ in read.tags)
    assert not any(name in attrs for _, attrs in read.tags for name in ("src", "href", "onclick"))
    assert read.texts.count(NASTY) == 6  # title, h1, h2, p and two items
    metas = [attrs for tag, attrs in read.tags if tag == "meta"]
    assert {"charset": "utf-8"} in metas
    assert any(attrs.get("name") == "viewport" for attrs in metas)
    assert any("default-src 'none'" in (attrs.get("content") or "") for attrs in metas)
    boxes = [attrs for tag, attrs in read.tags if tag == "input"]
    assert len(boxes) == 1 and "checked" in boxes[0]


def test_two_items_of_one_text_are_two_boxes() -> None:
    read = Page(as_html("a", [Heading("b", 2), Item("c", False), Item("c", False)]))
    ids = [attrs["id"] for tag, attrs in read.tags if tag == "input"]
    assert len(ids) == len(set(ids)) == 2


TITLES = st.one_of(
    st.sampled_from(
        [NASTY, "- a", "+ a", "1. a", "12) a", "# a", "= a", "***", "&amp; &copy;", "a\nb", "    a"]
    ),
    st.text(st.characters(codec="utf-8"), min_size=1, max_size=40),
    st.text("\\`*_[]<>#&;-+.1!|~$@:/w \n", min_size=1, max_size=20),
)


@given(TITLES.filter(lambda title: bool(printable(title).split())))
@settings(max_examples=300, deadline=None)
def test_a_title_is_a_title_in_markdown(title: str) -> None:
    """Against a library that reads Markdown (CommonMark, with tables and strikethrough).

    Source: CommonMark 0.31.2
    """
    reader = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    text = as_markdown(title, [Heading(title, 2), Text(title), Item(title, True), Item(title, None)])
    tokens = reader.parse(text)
    kinds = [token.type for token in tokens if token.type.endswith("_open") or token.nesting == 0]
    assert kinds == [
        "html_block", "heading_open", "inline", "heading_open", "inline", "paragraph_open", "inline",
        "bullet_list_open", "list_item_open", "paragraph_open", "inline",
        "list_item_open", "paragraph_open", "inline",
    ]  # fmt: skip
    shown = " ".join(printable(title).split())
    inline = [token for token in tokens if token.type == "inline"]
    for token, before in zip(inline, ("", "", "", "[x] ", ""), strict=True):
        assert token.children is not None
        assert {child.type for child in token.children} <= {"text", "text_special"}, token.content
        assert "".join(child.content for child in token.children) == before + shown
