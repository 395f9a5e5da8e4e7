"""What the files of an archive are called: by their names alone it is told what they are."""

from __future__ import annotations

import re

MANIFESTS, BUNDLES, PARITY = "manifests", "bundles", "parity"
#: A manifest: its device, the time in UTC, and digits of its own digest.
MANIFEST_FILE = re.compile(
    rf"{MANIFESTS}/([A-Za-z0-9][A-Za-z0-9_-]{{0,39}})\.([0-9]{{8}}T[0-9]{{6}}Z)\.([0-9a-f]{{8}})\.manifest"
)
_BUNDLE_FILE = re.compile(rf"{BUNDLES}/([0-9a-f]{{2}})/(\1[0-9a-f]{{30}})\.bundle")
_PARITY_FILE = re.compile(rf"{PARITY}/[0-9a-f]{{32}}\.parity")


def is_manifest_name(file: str) -> bool:
    """Whether a file of the archive has the name of a manifest."""
    return MANIFEST_FILE.fullmatch(file) is not None


def is_bundle_name(file: str) -> bool:
    """Whether a file of the archive has the name of a bundle."""
    return _BUNDLE_FILE.fullmatch(file) is not None


def is_parity_name(file: str) -> bool:
    """Whether a file of the archive has the name of a parity file."""
    return _PARITY_FILE.fullmatch(file) is not None
