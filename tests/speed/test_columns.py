"""Files in columns are the files that they were made of, however few of them are asked for."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from handhold.columns import File, Files

NAMES = st.text(st.characters(exclude_characters="\n/\0"), min_size=1, max_size=5)
FILES = st.lists(
    st.tuples(NAMES, st.integers(0, 2**62), st.integers(-(2**62), 2**62)), unique_by=lambda file: file[0]
)


@given(FILES, st.data())
@example([], None)
def test_each_is_found_by_its_name_and_its_number(files: list[File], data: st.DataObject | None) -> None:
    files.sort()
    # Of many files the names are looked up in another way; these stand behind all others.
    for more in (0, 300):
        every = [*files, *(("\U0010ffff" * 6 + f"{number:03}", number, -number) for number in range(more))]
        found = Files.of(every)
        for number, (name, _, _) in enumerate(every):
            assert found.number(name) == number
        names = {name for name, _, _ in every}
        others = ["", "\n", *(f"{name}{end}" for name in [*names][:20] for end in ("\n", "x", f"\n{name}"))]
        assert [found.number(other) for other in others if other not in names] == [
            None for other in others if other not in names
        ]
        which = [] if data is None or not every else data.draw(st.lists(st.sampled_from(range(len(every)))))
        assert list(Files.of(every).some(which)) == [every[at] for at in which]
        assert list(Files.of(every).some(range(len(every)))) == every
