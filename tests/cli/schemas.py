"""The documents that ``--json`` promises, written by hand from the command line's description.

Source: JSON Schema, draft 2020-12
"""

from __future__ import annotations

from typing import Any

PARTS = [
    "saves", "states", "cheats", "settings", "controls", "library",
    "firmware", "textures", "pictures", "games", "cache",
]  # fmt: skip
DECISIONS = [
    "write", "same", "forward", "older", "newer", "fork",
    "unsure", "held-back", "by-hand", "blocked", "failed",
]  # fmt: skip
TEXT: dict[str, Any] = {"type": "string"}
MAYBE: dict[str, Any] = {"type": ["string", "null"]}
COUNT: dict[str, Any] = {"type": "integer", "minimum": 0}
#: RFC 3339, section 5.6: date-time with an offset
TIME: dict[str, Any] = {
    "type": "string",
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)$",
}
SHA256: dict[str, Any] = {"type": "string", "pattern": "^[0-9a-f]{64}$"}
PART: dict[str, Any] = {"enum": PARTS}


def table(required: dict[str, Any], **more: Any) -> dict[str, Any]:
    """An object that must have these keys; more may be there."""
    return {"type": "object", "required": list(required), "properties": {**required, **more}}


def rows(item: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": item}


GAP = table({"emulator": MAYBE, "path": TEXT, "why": TEXT})
SURVEY = table(
    {
        "device": TEXT,
        "volumes": rows(
            table(
                {
                    "name": TEXT,
                    "path": TEXT,
                    "filesystem": TEXT,
                    "free": {"type": ["integer", "null"], "minimum": 0},
                }
            )
        ),
        "emulators": rows(
            table(
                {
                    "id": TEXT,
                    "title": TEXT,
                    "reach": {"enum": ["folder", "games", "private", "export"]},
                    "state": {"enum": ["found", "absent", "unreachable"]},
                    "how": {"enum": ["layout", "recognised"]},
                    "homes": rows({"type": "object"}),
                    "parts": {
                        "type": "object",
                        "propertyNames": PART,
                        "additionalProperties": table({"files": COUNT, "bytes": COUNT, "newest": TIME}),
                    },
                }
            )
        ),
        "unclaimed": rows(
            table({"volume": TEXT, "path": TEXT, "part": {"anyOf": [PART, {"type": "null"}]}, "why": TEXT})
        ),
    }
)
SNAPSHOT = table(
    {
        "snapshot": TEXT,
        "device": TEXT,
        "files": COUNT,
        "bytes": COUNT,
        "new_files": COUNT,
        "stored_bytes": COUNT,
        "unread": rows(TEXT),
        "gaps": rows(GAP),
        "left_volumes": rows(table({"volume": TEXT, "files": COUNT})),
        "gone": rows(TEXT),
        "gone_files": rows(
            table(
                {
                    "emulator": TEXT,
                    "part": PART,
                    "game": MAYBE,
                    "path": TEXT,
                    "what": {"enum": ["gone", "renamed", "unnamed"]},
                }
            )
        ),
        "suspicious": rows(
            table(
                {
                    "emulator": TEXT,
                    "part": PART,
                    "game": MAYBE,
                    "path": TEXT,
                    "what": {"enum": ["empty", "all zero", "all 0xFF"]},
                    "last_good": TEXT,
                }
            )
        ),
        "seconds": {"type": "number", "minimum": 0},
    }
)
LIST = table(
    {
        "snapshots": rows(
            table(
                {
                    "snapshot": TEXT,
                    "device": TEXT,
                    "taken": TIME,
                    "sequence": COUNT,
                    "kind": {"enum": ["night", "safety", "restored"]},
                    "files": COUNT,
                    "bytes": COUNT,
                    "gaps": COUNT,
                    "note": TEXT,
                }
            )
        )
    }
)
SHOW = table(
    {
        "snapshot": TEXT,
        "device": TEXT,
        "taken": TIME,
        "entries": rows(
            table(
                {
                    "emulator": TEXT,
                    "part": PART,
                    "game": MAYBE,
                    "home": TEXT,
                    "path": TEXT,
                    "size": COUNT,
                    "modified": TIME,
                    "sha256": SHA256,
                }
            )
        ),
        "gaps": rows(GAP),
    }
)
RESTORE = table(
    {
        "restore": MAYBE,
        "snapshot": TEXT,
        "dry_run": {"type": "boolean"},
        "steps": rows(
            table(
                {
                    "decision": {"enum": DECISIONS},
                    "emulator": TEXT,
                    "part": {"anyOf": [PART, {"type": "null"}]},
                    "game": MAYBE,
                    "path": MAYBE,
                    "target": MAYBE,
                    "why": TEXT,
                }
            )
        ),
        "counts": {"type": "object", "propertyNames": {"enum": DECISIONS}, "additionalProperties": COUNT},
        "by_hand": rows(table({"emulator": TEXT, "when": {"enum": ["before", "after"]}, "what": TEXT})),
        "places": rows(
            table({"emulator": TEXT, "home": TEXT, "place": TEXT, "own_layout": {"type": "boolean"}})
        ),
        "unread_lists": COUNT,
    }
)
VERSION = table(
    {
        "device": TEXT,
        "here": {"type": "boolean"},
        "newest": {"type": "boolean"},
        "modified": TIME,
        "since": {"anyOf": [TIME, {"type": "null"}]},
        "size": COUNT,
        "sha256": SHA256,
        "evenings": COUNT,
    }
)
CARRY = table(
    {
        **RESTORE["properties"],
        "saves": rows(
            table(
                {
                    "emulator": TEXT,
                    "part": PART,
                    "game": MAYBE,
                    "path": TEXT,
                    "newest": {
                        "anyOf": [
                            table(
                                {
                                    "device": TEXT,
                                    "modified": TIME,
                                    "since": {"anyOf": [TIME, {"type": "null"}]},
                                }
                            ),
                            {"type": "null"},
                        ]
                    },
                    "here": {"enum": ["same", "older", "newer", "fork", "missing", "removed"]},
                    "taken": MAYBE,
                    "removed_on": {"type": "array", "items": TEXT},
                    "versions": rows(VERSION),
                }
            )
        ),
    }
)
DAMAGE = table(
    {
        "file": TEXT,
        "what": TEXT,
        "affects": rows(
            table(
                {
                    "snapshot": TEXT,
                    "emulator": MAYBE,
                    "part": {"anyOf": [PART, {"type": "null"}]},
                    "game": MAYBE,
                    "path": MAYBE,
                }
            )
        ),
    }
)
VERIFY = table(
    {
        "ok": {"type": "boolean"},
        "deep": {"type": "boolean"},
        "snapshots": COUNT,
        "bundles": COUNT,
        "blocks": COUNT,
        "bytes": COUNT,
        "damage": rows(DAMAGE),
    }
)
MEND = table(
    {
        "ok": {"type": "boolean"},
        "dry_run": {"type": "boolean"},
        "mended": rows(table({"file": TEXT, "what": TEXT, "source": TEXT})),
        "removed": rows(TEXT),
        "parity": COUNT,
        "lost_blocks": COUNT,
        "told": rows(TEXT),
        "damage": rows(DAMAGE),
    }
)
NUMBERS = rows({"type": "integer", "minimum": 1})
SEEN_BY = table(
    {"snapshot": TEXT, "taken": TIME, "kind": {"enum": ["night", "safety", "restored", "adopted"]}}
)
PLACE: dict[str, Any] = {"device": TEXT, "volume": TEXT, "home": TEXT}
HISTORY = table(
    {
        "saves": rows(
            table(
                {
                    "emulator": TEXT,
                    "part": PART,
                    "game": MAYBE,
                    "path": TEXT,
                    "inside": {"type": "boolean"},
                    "fork": NUMBERS,
                    "gone": rows(table({**PLACE, "since": SEEN_BY})),
                    "versions": rows(
                        table(
                            {
                                "number": {"type": "integer", "minimum": 1},
                                "size": COUNT,
                                "modified": MAYBE,
                                "first": SEEN_BY,
                                "last": SEEN_BY,
                                "nights": COUNT,
                                "snapshots": rows(TEXT),
                                "stood": rows(table({**PLACE, "first": TEXT, "last": TEXT, "nights": COUNT})),
                                "stands": rows(table(PLACE)),
                                "after": {"type": ["integer", "null"]},
                                "newest": {"type": "boolean"},
                                "restore_from": MAYBE,
                            },
                            sha256=SHA256,
                            crc32={"type": "string", "pattern": "^[0-9a-f]{8}$"},
                            zip=TEXT,
                        )
                    ),
                }
            )
        ),
        "evenings": rows(
            table(
                {
                    "day": {"type": "string", "format": "date"},
                    "week": {"type": "string", "pattern": r"^\d{4}-W\d\d-[1-7]$"},
                    "device": TEXT,
                    "saves": rows(table({"emulator": TEXT, "part": PART, "path": TEXT})),
                }
            )
        ),
        "unreadable": rows(TEXT),
    }
)
STATE = table({"snapshot": MAYBE, "device": TEXT, "taken": TIME, "gaps": rows(GAP)})
SIDE = {
    "anyOf": [
        table(
            {
                "emulator": TEXT,
                "part": PART,
                "home": TEXT,
                "volume": MAYBE,
                "path": TEXT,
                "size": COUNT,
                "modified": TIME,
                "sha256": SHA256,
            }
        ),
        {"type": "null"},
    ]
}
CHANGES = table(
    {
        "before": STATE,
        "after": STATE,
        "changes": rows(
            table(
                {
                    "what": {"enum": ["new", "changed", "gone", "moved", "unknown"]},
                    "emulator": TEXT,
                    "part": PART,
                    "game": MAYBE,
                    "path": TEXT,
                    "before": SIDE,
                    "after": SIDE,
                }
            )
        ),
        "same": COUNT,
    }
)
THIN = table(
    {
        "dry_run": {"type": "boolean"},
        "goes": rows(TEXT),
        "stays": rows(table({"snapshot": TEXT, "device": TEXT, "why": {**rows(TEXT), "minItems": 1}})),
        "only_there": rows(table({"snapshot": TEXT, "emulator": TEXT, "part": PART, "path": TEXT})),
        "records": rows(TEXT),
        "frees": COUNT,
        "freed": {"type": "integer"},
        "told": rows(TEXT),
    }
)
MIRROR = table(
    {
        "archive": TEXT,
        "mirror": TEXT,
        "id": {"type": "string", "pattern": "^[0-9a-f]{32}$"},
        "made": {"type": "boolean"},
        "files": COUNT,
        "bytes": COUNT,
        "arrived": rows(TEXT),
        "held_back": rows(TEXT),
        "hurt": rows(table({"file": TEXT, "what": TEXT})),
        "diverged": {"type": "boolean"},
        "both": rows(TEXT),
        "apart": rows(TEXT),
        "let_go": rows(TEXT),
        "only_there": rows(TEXT),
    }
)
