"""Fuzzes one reader, guided by coverage: ``python -m tests.fuzz.one READER FOLDER... -runs=N``.

The campaign starts one such process for each reader. Needs the extra ``[fuzz]``.
"""

from __future__ import annotations

import sys


def main() -> None:
    """Never comes back: the fuzzer ends the process, with status 0 if every input was handled."""
    import atheris

    with atheris.instrument_imports(include=["handhold"]):
        from tests.fuzz.readers import READERS
    reader = READERS[sys.argv[1]]
    taken = refused = 0

    def once(data: bytes) -> None:
        nonlocal taken, refused
        if reader.take(data):
            taken += 1
        else:
            refused += 1
        if not (taken + refused) % 256:
            print(f"COUNT {taken} {refused}", file=sys.stderr, flush=True)

    atheris.Setup([sys.argv[0], *sys.argv[2:]], once)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
