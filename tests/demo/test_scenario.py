"""The scenario file is checked before anything is built from it."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pytest
import yaml

from handhold.demo.scenario import read_scenario
from handhold.errors import WrongInput
from handhold.resources import examples_folder


def changed(tmp_path: Path, change: Any) -> str:
    data = yaml.safe_load((examples_folder() / "scenario.yaml").read_text(encoding="utf-8"))
    change(data)
    path = tmp_path / "scenario.yaml"
    path.write_text(yaml.safe_dump(data, allow_unicode=True), encoding="utf-8")
    return str(path)


def test_the_one_that_comes_along_is_sound() -> None:
    scenario = read_scenario()
    assert [d.name for d in scenario.devices] == ["marten", "heron"]
    assert scenario.built == datetime.datetime(2024, 3, 10, 17, tzinfo=datetime.UTC)
    assert len(scenario.evenings) == 3


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.update(scenario=2), "scenario must be 1"),
        (lambda d: d.update(surprise=1), "surprise"),
        (lambda d: d["games"].append({"title": 3, "id": "x"}), "games"),
        (lambda d: d["trees"][0].update(at="loft:Tinplate"), "loft:Tinplate"),
        (lambda d: d["trees"][0].update(device="otter"), "otter"),
        (lambda d: d["trees"][0]["files"][0].update(part="treasure"), "part"),
        (lambda d: d["trees"][0]["files"][0].update(path="../{game}.sav"), r"\.\."),
        (lambda d: d["trees"][0]["files"][0]["games"].append("Nobody's Game"), "Nobody's Game"),
        (lambda d: d["trees"][0]["files"].append(d["trees"][0]["files"][0]), "there twice"),
        (lambda d: d["evenings"][0]["changes"].append("card:nothing.sav"), "nothing.sav"),
        (lambda d: d["lost"].update(path="card:nothing.sav"), "nothing.sav"),
        (lambda d: d["second"].update(ahead="internal:nothing.sav"), "nothing.sav"),
        (lambda d: d.update(built="2024-03-10T18:00:00"), "timezone"),
        (lambda d: d.update(devices=[]), "devices"),
    ],
)
def test_a_mistake_is_named(tmp_path: Path, change: Any, said: str) -> None:
    with pytest.raises(WrongInput, match=said):
        read_scenario(changed(tmp_path, change))


@pytest.mark.parametrize("text", ["", "- 1", "scenario: [", "a: !!python/object:os.system {}"])
def test_what_is_no_scenario(tmp_path: Path, text: str) -> None:
    path = tmp_path / "scenario.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WrongInput, match=r"scenario\.yaml"):
        read_scenario(str(path))
    with pytest.raises(WrongInput, match=r"missing\.yaml"):
        read_scenario(str(tmp_path / "missing.yaml"))
