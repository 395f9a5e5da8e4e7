"""The user's folders are those that a general library knows."""

from __future__ import annotations

import platformdirs
import pytest

from handhold import statefolder


@pytest.mark.parametrize("home", ["/home/wren", "/", "", None])
@pytest.mark.parametrize("said", ["/etc/own", "/etc/own/", "~/own", "own", " ", "", None])
def test_the_folders_are_those_of_the_library(
    said: str | None, home: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Source: XDG Base Directory Specification, environment variables
    for name, value in (("XDG_CONFIG_HOME", said), ("XDG_STATE_HOME", said), ("HOME", home)):
        if value is None:
            monkeypatch.delenv(name, raising=False)
        else:
            monkeypatch.setenv(name, value)
    assert statefolder.config_folder() == platformdirs.user_config_path("handhold", appauthor=False)
    assert statefolder.state_folder() == platformdirs.user_state_path("handhold", appauthor=False)
