"""The commands about layouts."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from handhold.cli.main import run
from handhold.errors import Exit
from handhold.layouts.schema import schema
from handhold.resources import examples_folder

EXAMPLES = str(examples_folder() / "layouts")
KEYS = (
    "layout",
    "id",
    "title",
    "like",
    "homes",
    "keep",
    "skip",
    "inside",
    "newest",
    "forms",
    "version",
    "carry",
    "by_hand",
)
GOOD = (
    'layout: 1\nid: lantern\ntitle: Lantern\nlike: chosen-folder\nhomes: [{name: main, at: ["*:Lantern"]}]\n'
)


@pytest.fixture(autouse=True)
def no_config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    for name in ("CONFIG", "LAYOUTS", "ARCHIVE", "DEVICE", "VOLUME", "QUIET"):
        monkeypatch.delenv(f"HANDHOLD_{name}", raising=False)


def document(capsys: pytest.CaptureFixture[str], *arguments: str) -> Any:
    run([*arguments, "--json"])
    return json.loads(capsys.readouterr().out)


def test_list(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--layouts", EXAMPLES, "layout", "list"]) == Exit.DONE
    out = capsys.readouterr().out
    assert "Tinplate" in out and "chosen-folder" in out and "A front end's data folder" in out
    layouts = {one["id"]: one for one in document(capsys, "--layouts", EXAMPLES, "layout", "list")["layouts"]}
    assert layouts["chosen-folder"]["pattern"] and not layouts["tinplate"]["pattern"]
    assert layouts["tinplate"]["like"] == ["chosen-folder"]
    assert layouts["tinplate"]["homes"][0]["kind"] == "folder"
    assert sum(one["pattern"] for one in layouts.values()) == 12


def test_list_without_any(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["layout", "list"]) == Exit.DONE
    out = capsys.readouterr().out
    assert "No layouts of your own yet" in out and "zip-export" in out


def test_show(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "lantern.yaml").write_text(GOOD)
    folder = ("--layouts", str(tmp_path))
    assert run([*folder, "layout", "show", "Lantern"]) == Exit.DONE
    out = capsys.readouterr().out
    assert "*:Lantern" in out
    assert "{*save*,sav,*sram*,*batter*}/**/{game}.*" in out, "no rule is cut to the width of the screen"
    assert "1. Install the emulator" in " ".join(out.split())
    shown = document(capsys, *folder, "layout", "show", "lantern")
    assert (shown["id"], shown["like"], shown["pattern"]) == ("lantern", ["chosen-folder"], False)
    assert shown["homes"] == [{"name": "main", "kind": "folder", "at": ["*:Lantern"]}]
    assert shown["source"] == str(tmp_path / "lantern.yaml")
    assert {"part": "cheats", "path": "*cheat*/**", "home": None, "carry": None, "why": ""} in shown["rules"]
    assert shown["by_hand"]["before"] and shown["by_hand"]["after"]


def test_show_of_an_unknown_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["layout", "show", "chosen-foldr"]) == Exit.WRONG_INPUT
    assert "Did you mean chosen-folder" in capsys.readouterr().err


def test_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, bad, gone = (tmp_path / f"{name}.yaml" for name in ("good", "bad", "gone"))
    good.write_text(GOOD)
    bad.write_text("layout: 1\nid: Bad\ntitle: Bad\nlike: chosen-folder\nkept: []\n")
    assert run(["layout", "check", str(good)]) == Exit.DONE
    assert capsys.readouterr().out == ""
    assert run(["layout", "check", str(good), str(bad), str(gone)]) == Exit.WRONG_INPUT
    assert capsys.readouterr().out.splitlines() == [
        f'{bad}:2:5: the name "Bad", expected at most 40 of a-z, 0-9 and "-", not beginning with "-"',
        f'{bad}:5:1: unknown key "kept" in a layout, expected one of {", ".join(KEYS)} (keep?)',
        f"{gone}:1:1: a file that cannot be read (no such file or directory), expected a layout file",
    ]
    assert run(["--layouts", str(tmp_path), "layout", "check"]) == Exit.WRONG_INPUT
    assert capsys.readouterr().out.count(str(bad)) == 2
    told = document(capsys, "layout", "check", str(bad))
    assert told["ok"] is False and told["files"] == [str(bad)]
    assert told["mistakes"][0] == {
        "file": str(bad),
        "line": 2,
        "column": 5,
        "what": 'the name "Bad"',
        "expected": 'at most 40 of a-z, 0-9 and "-", not beginning with "-"',
    }
    assert document(capsys, "layout", "check", str(good)) == {
        "ok": True,
        "files": [str(good)],
        "mistakes": [],
    }


def test_other_commands_stop_at_a_mistake(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bad.yaml").write_text("nonsense")
    assert run(["--layouts", str(tmp_path), "layout", "list"]) == Exit.WRONG_INPUT
    told = capsys.readouterr()
    assert told.out == "" and "bad.yaml:1:1:" in told.err and "Traceback" not in told.err


@pytest.mark.parametrize("json_too", [[], ["--json"]])
def test_schema(json_too: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["layout", "schema", *json_too]) == Exit.DONE
    assert json.loads(capsys.readouterr().out) == schema()
