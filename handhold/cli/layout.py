"""``layout``: the layouts that are known, one of them with its patterns in it, mistakes, and the schema."""

from __future__ import annotations

import json as json_text
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from handhold.cli import draft, words
from handhold.cli.line import App, Argument, Context, Ended, Option
from handhold.cli.options import Json
from handhold.cli.session import Session
from handhold.errors import Exit, UnknownName

if TYPE_CHECKING:
    from handhold.layouts.catalogue import Catalogue, Checked
    from handhold.layouts.layout import Layout

app = App(
    name="layout",
    help="Where emulators keep their data, and what of it is kept.",
)


def join(parent: App) -> None:
    """Adds the commands."""
    draft.join(app)
    parent.add(app)


@app.command("list")
def list_(context: Context, json: Json = False) -> None:
    """Shows your layouts, and the patterns to build one on."""
    session: Session = context.obj
    catalogue = session.catalogue(patterns=True)
    if json:
        session.console.document(listing(catalogue))
        return
    console = session.console
    own = [
        (one.id, one.title, one.like[0] if one.like else "", words.listed(places(one), 3))
        for one in in_order(catalogue.layouts)
    ]
    if own:
        console.table(("Layout", "Title", "Like", "Where"), own)
    else:
        console.say(
            "No layouts of your own yet: a few lines in a file for each emulator, on top of a pattern."
        )
    console.say("\nPatterns, to put into your layout as like:")
    console.table(("Pattern", "For"), [(one.id, one.title) for one in in_order(catalogue.patterns)])
    console.tell("\nhandhold layout show NAME shows one whole; the patterns' files say which to choose.")


@app.command()
def show(
    context: Context,
    name: Annotated[str, Argument(metavar="ID", help="A layout or a pattern.")],
    json: Json = False,
) -> None:
    """Shows one layout with everything that its patterns add."""
    session: Session = context.obj
    layout = one_named(session.catalogue(patterns=True), name)
    if json:
        session.console.document(described(layout))
        return
    console = session.console
    console.say(f"{layout.title} ({layout.id})")
    if layout.like:
        console.say(f"like {', like '.join(layout.like)}")
    console.say(f"from {layout.source}\n")
    console.table(
        ("Home", "Kind", "Where"),
        [(h.name, h.kind.value, ", ".join(map(str, h.at)) or "not said yet") for h in layout.homes],
    )
    console.say("\nThe first rule that fits a file wins:")
    for rule in layout.rules:
        what = rule.part.value if rule.part else "left out"
        only = f"  in {rule.home}" if rule.home else ""
        why = f"  ({rule.why})" if rule.why else ""
        console.say(f"  {what:<9} {rule.pattern.text}{only}{why}")
    held = [part.value for part in layout.carry if not layout.carries(part)]
    brought = [part.value for part in layout.carry if layout.carries(part)]
    if held:
        console.say(f"\nNot brought to another device: {', '.join(held)}.")
    if brought:
        console.say(f"\nBrought to another device: {', '.join(brought)}.")
    for when, steps in (
        ("Before data is put back", layout.before),
        ("To import an export", layout.imports),
        ("After it", layout.after),
    ):
        if steps:
            console.say(f"\n{when}, by hand:")
            for number, step in enumerate(steps, 1):
                console.say(f"  {number}. {step}")


@app.command()
def check(
    context: Context,
    files: Annotated[list[Path] | None, Argument(metavar="FILE...", help="Layout files.")] = None,
    json: Json = False,
) -> None:
    """Finds every mistake in layout files. Without a file, in all of yours."""
    from handhold.layouts.catalogue import check_files

    session: Session = context.obj
    checked = check_files(files or (), session.layout_folders)
    if json:
        session.console.document(found(checked))
    else:
        for mistake in checked.mistakes:
            # One line for each, however long: editors and scripts read them.
            print(words.printable(str(mistake)), file=session.console.out)
        looked_at = words.amount(len(checked.files), "layout")
        session.console.tell(f"{looked_at}: {words.amount(len(checked.mistakes), 'mistake')}.")
    raise Ended(Exit.WRONG_INPUT if checked.mistakes else Exit.DONE)


@app.command()
def schema(
    context: Context,
    json: Annotated[bool, Option("--json", help="The same; it is JSON either way.")] = False,
) -> None:
    """Prints the JSON Schema (2020-12) of layout files, for editors."""
    from handhold.layouts.schema import schema as layout_schema

    session: Session = context.obj
    session.console.document(layout_schema())


def in_order(layouts: Any) -> list[Layout]:
    """By id."""
    return [layouts[name] for name in sorted(layouts)]


def places(layout: Layout) -> list[str]:
    """Where its homes may lie."""
    return [str(place) for home in layout.homes for place in home.at]


def one_named(catalogue: Catalogue, name: str) -> Layout:
    """The layout or pattern of that id; ``UnknownName`` offers the nearest."""
    known = {**catalogue.patterns, **catalogue.layouts}
    layout = known.get(name.lower())
    if layout is None:
        raise UnknownName("layout", name, sorted(known))
    return layout


def listing(catalogue: Catalogue) -> dict[str, Any]:
    """The list for scripts."""
    return {
        "layouts": [
            {
                "id": one.id,
                "title": one.title,
                "pattern": one.is_pattern,
                "like": list(one.like),
                "homes": homes(one),
                "source": one.source,
            }
            for one in in_order({**catalogue.patterns, **catalogue.layouts})
        ]
    }


def homes(layout: Layout) -> list[dict[str, Any]]:
    """The homes for scripts."""
    return [{"name": h.name, "kind": h.kind.value, "at": [str(p) for p in h.at]} for h in layout.homes]


def described(layout: Layout) -> dict[str, Any]:
    """One layout for scripts, as it is stored with a night."""
    from handhold.layouts.stored import stored_form

    document: dict[str, Any] = json_text.loads(stored_form(layout))
    del document["form"]
    return {**document, "pattern": layout.is_pattern, "source": layout.source}


def found(checked: Checked) -> dict[str, Any]:
    """The mistakes for scripts."""
    return {
        "ok": not checked.mistakes,
        "files": list(checked.files),
        "mistakes": [
            {"file": m.file, "line": m.line, "column": m.column, "what": m.what, "expected": m.expected}
            for m in checked.mistakes
        ],
    }
