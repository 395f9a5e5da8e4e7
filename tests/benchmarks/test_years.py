"""The benchmark of many nights stays alive: a small one, each command once."""

from __future__ import annotations

from pathlib import Path

from handhold.device.volumes import traits_of
from tests.benchmarks.years import COMMANDS, Scale, build, table


def test_every_command_is_measured_on_thirty_nights(tmp_path: Path) -> None:
    scale = Scale(nights=30, files=200, changes=4, filesystem=traits_of(str(tmp_path)).filesystem)
    archive = build(tmp_path / "archive", scale)
    commands = [command.replace("2023-05-05", "2023-01-20") for command in COMMANDS]
    for command, cost in table(tmp_path, archive, commands, 1):
        assert cost.status in (0, 3), f"{command}: {cost.said}"
