"""The JSON Schema of layout files, for editors that complete and check while one writes.

It says what a schema can say; ``handhold layout check`` finds the rest (places that leave their volume,
patterns that make no sense, ids that are there twice).

Source: JSON Schema, draft 2020-12, https://json-schema.org/draft/2020-12/json-schema-core
"""

from __future__ import annotations

from typing import Any

from handhold.documents.reader import MOST_TEXT
from handhold.layouts import reading
from handhold.layouts.layout import MOST_FIND
from handhold.layouts.pattern import MOST_CHARACTERS
from handhold.model import HomeKind, Part

_ID = "^[a-z0-9][a-z0-9-]{0,39}$"
#: A volume or "*", a colon, then a path in it: not absolute, no empty name, no "." or "..", no "**".
_PLACE = r"^(\*|[A-Za-z0-9][A-Za-z0-9_-]{0,39}):(?!/)(?!.*//)(?!.*\*\*)(?!(.*/)?\.{1,2}(/|$)).*$"
#: A path pattern: not absolute, no "/" at the end, no empty name, no "." or ".." as a name.
_PATH = r"^(?!/)(?!.*/$)(?!.*//)(?!(.*/)?\.{1,2}(/|$)).+$"


def schema() -> dict[str, object]:
    """The schema, as values for a JSON document."""
    path = {
        "type": "string",
        "pattern": _PATH,
        "maxLength": MOST_CHARACTERS,
        "description": "Which files, by their path in the home: * ? ** {a,b} and {game} as a capture.",
    }
    home = {"type": "string", "pattern": _ID, "description": "Only in the home of this name."}
    why = _text("The reason, for the owner.")
    carry = {"type": "boolean", "description": "Whether a restore onto another device brings it along."}
    home_item = _table(
        {
            "name": {"type": "string", "pattern": _ID},
            "kind": {
                "enum": [str(kind) for kind in HomeKind],
                "description": "folder; games: beside the games; private: app-private storage; export.",
            },
            "at": {
                "description": "Where it lies: volume:path. * as the volume means any volume.",
                "anyOf": [_place(), {"type": "array", "items": _place(), "maxItems": reading.MOST_PLACES}],
            },
        },
        ["name"],
    )
    parts = [str(part) for part in Part]
    keep = _table(
        {"part": {"enum": parts}, "path": path, "home": home, "carry": carry, "why": why}, ["part", "path"]
    )
    skip = _table({"path": path, "home": home, "why": why}, ["path"])
    steps = {"type": "array", "items": _text("One step."), "maxItems": reading.MOST_STEPS}
    document = _table(
        {
            "layout": {"const": 1, "description": "The form of this file."},
            "id": {"type": "string", "pattern": _ID, "description": "The emulator's id."},
            "title": _text("Its name, as its owner says it.", reading.MOST_TITLE),
            "like": {
                "type": "string",
                "pattern": _ID,
                "description": "The id of a pattern, whose homes and rules stand below these.",
            },
            "homes": {"type": "array", "items": home_item, "maxItems": reading.MOST_HOMES},
            "keep": {"type": "array", "items": keep, "maxItems": reading.MOST_RULES},
            "skip": {"type": "array", "items": skip, "maxItems": reading.MOST_RULES},
            "inside": {
                "type": "array",
                "items": _table({"part": {"enum": parts}, "path": path}, ["part", "path"]),
                "maxItems": reading.MOST_RULES,
                "description": "What the members of its zips are, by their names in the zip.",
            },
            "newest": {
                "description": "Each file or folder of an export home has everything: so many are kept.",
                "anyOf": [
                    {"const": "all"},
                    {"type": "integer", "minimum": 1, "maximum": reading.MOST_NEWEST},
                ],
            },
            "forms": {
                "type": "array",
                "items": {"type": "string", "pattern": _ID},
                "minItems": 2,
                "maxItems": 2,
                "description": "A home beside the games and a folder that hold the same saves.",
            },
            "version": {
                **_table(
                    {
                        "path": {"type": "string", "pattern": _PATH},
                        "find": {
                            "type": "string",
                            "pattern": r"^(?!.*\{version\}.*\{version\}).*\{version\}.*$",
                            "maxLength": MOST_FIND,
                        },
                        "home": home,
                    },
                    ["path", "find"],
                ),
                "description": "The text file in which the emulator's version stands, and what is around it.",
            },
            "carry": _table(dict.fromkeys(parts, carry), []),
            "by_hand": _table({"before": steps, "import": steps, "after": steps}, []),
        },
        ["layout", "id", "title"],
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A layout: where one emulator keeps its data, and what of it is worth keeping",
        **document,
        "anyOf": [{"required": ["homes"]}, {"required": ["like"]}],
    }


def _table(properties: dict[str, Any], required: list[str]) -> dict[str, object]:
    needed: dict[str, object] = {"required": required} if required else {}
    return {"type": "object", "properties": properties, "additionalProperties": False, **needed}


def _text(description: str, most: int = MOST_TEXT) -> dict[str, object]:
    return {"type": "string", "pattern": r"\S", "maxLength": most, "description": description}


def _place() -> dict[str, object]:
    return {"type": "string", "pattern": _PLACE}
