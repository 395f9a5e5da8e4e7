"""What all tests share: folders of their own for a user's config and state, real volumes, and patience."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests.volumes import exfat, fat

__all__ = ["exfat", "fat"]

settings.register_profile("handhold", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("handhold")


@pytest.fixture(scope="session", autouse=True)
def user_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Where who runs the tests has handhold set up, no test reads that or writes there.

    Source: XDG Base Directory Specification 0.8, the names of the variables.
    """
    with pytest.MonkeyPatch.context() as patch:
        for kind in ("CONFIG", "STATE", "DATA", "CACHE"):
            patch.setenv(f"XDG_{kind}_HOME", str(tmp_path_factory.mktemp(kind.lower())))
        yield
