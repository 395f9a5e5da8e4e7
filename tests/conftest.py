"""What all tests share: real volumes, and a hypothesis profile that a slow machine cannot fail."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

from tests.volumes import exfat, fat

__all__ = ["exfat", "fat"]

settings.register_profile("handhold", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("handhold")
