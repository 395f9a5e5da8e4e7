"""The JSON Schema, with a validator from elsewhere: right files pass, mistakes fail where it can say so.

Source: JSON Schema, draft 2020-12, https://json-schema.org/draft/2020-12/json-schema-core
"""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from handhold.documents.mistakes import Mistake
from handhold.layouts.reading import read_draft
from handhold.layouts.schema import schema
from handhold.resources import examples_folder, patterns_folder
from tests.layouts.test_mistakes import GOOD, HEAD, HOMES, ONE_MISTAKE

VALIDATOR = Draft202012Validator(schema())
FILES = sorted([*patterns_folder().glob("*.yaml"), *(examples_folder() / "layouts").glob("*.yaml")])


def errors(text: str | bytes) -> list[str]:
    return [error.message for error in VALIDATOR.iter_errors(yaml.safe_load(text))]


def test_it_is_a_schema() -> None:
    Draft202012Validator.check_schema(schema())
    assert schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_patterns_and_examples_pass(file: Any) -> None:
    assert errors(file.read_text("utf-8")) == []


VALID = [
    GOOD,
    HEAD + HOMES,
    HEAD + "like: chosen-folder\n",
    HEAD + 'like: x\nhomes: [{name: main, at: "*:"}]\n',
    HEAD + 'like: x\nhomes: [{name: main, at: ["card:a b/..c/.d/e..", "in-ternal_1:*/x?"]}]\n',
    HEAD
    + HOMES
    + r'keep: [{part: games, path: "**/.x/{a,b}/\\*..", home: main, carry: true, why: "é ü"}]'
    + "\n",
    HEAD + HOMES + "keep: []\nskip: []\ncarry: {}\nby_hand: {}\n",
]


@pytest.mark.parametrize("text", VALID)
def test_the_reader_and_the_schema_agree_on_what_is_right(text: str) -> None:
    mistakes: list[Mistake] = []
    read_draft(text.encode(), "x.yaml", mistakes)
    assert mistakes == []
    assert errors(text) == []


#: Only the reader can see these: what YAML has already resolved, what lies inside a path pattern, what is
#: there twice, and what the YAML 1.1 of the library in front of the validator takes for something else.
BEYOND_A_SCHEMA = (
    "a second time",
    "second home",
    "an anchor",
    "a tag",
    "a tab",
    "control",
    "a**",
    "{Game}",
    "written form",
    "NUL",
    "too long",
    "second document",
    "alias",
    "not YAML",
    "as a key",
    "UTF-8",
    "too large",
    "**",
    '"yes"',
)


@pytest.mark.parametrize(
    ("text", "piece"),
    [(t, p) for t, _, _, p in ONE_MISTAKE if isinstance(t, str) and not any(b in p for b in BEYOND_A_SCHEMA)],
)
def test_mistakes_fail_where_a_schema_can_say_so(text: str, piece: str) -> None:
    assert errors(text)


def test_most_mistakes_are_within_a_schema() -> None:
    within = [
        p for t, _, _, p in ONE_MISTAKE if isinstance(t, str) and not any(b in p for b in BEYOND_A_SCHEMA)
    ]
    assert len(within) > len(ONE_MISTAKE) / 2


@pytest.mark.parametrize(
    "at", ["card:a/**", "card:..", "card:a/../b", "card:/a", "card:a//b", "a", ":a", "c d:a"]
)
def test_places(at: str) -> None:
    assert errors(HEAD + f'homes: [{{name: m, kind: folder, at: ["{at}"]}}]\n')


@pytest.mark.parametrize("path", ["/a", "a/", "a//b", "..", "../a", "a/./b", "a/..", ""])
def test_paths(path: str) -> None:
    assert errors(HEAD + HOMES + f'keep: [{{part: saves, path: "{path}"}}]\n')
