"""The layouts that a night is taken with: a slip in one file does not cost the night."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

from handhold.cli import words

if TYPE_CHECKING:
    from handhold.cli.console import Console
    from handhold.cli.session import Session
    from handhold.documents.mistakes import Mistakes
    from handhold.layouts.layout import Layout


class Known(msgspec.Struct, frozen=True):
    """The layouts that can be used.

    ``stand_ins`` are among them: emulators whose file has a mistake, with the night whose layout is taken
    instead. Of ``without`` there is none: of those only what is recognised is kept.
    """

    layouts: tuple[Layout, ...]
    mistakes: Mistakes | None
    stand_ins: dict[str, str]
    without: tuple[str, ...]

    @property
    def trouble(self) -> str:
        """The first mistake, for one line; "" if there is none."""
        return str(self.mistakes.mistakes[0]) if self.mistakes else ""

    @property
    def document(self) -> dict[str, Any]:
        """The mistakes for scripts."""
        from msgspec.structs import asdict

        return {
            "mistakes": [asdict(one) for one in self.mistakes.mistakes] if self.mistakes else [],
            "stand_ins": [{"emulator": name, "snapshot": night} for name, night in self.stand_ins.items()],
        }

    def tell(self, console: Console) -> None:
        """What is wrong, and what that meant for this night."""
        if self.mistakes is None:
            return
        console.warn(f"\n{self.mistakes.what}")
        for emulator, night in self.stand_ins.items():
            console.warn(f"{emulator} was kept by its layout as {night} has it.")
        if self.without:
            console.warn(
                f"Without a layout ({words.listed(list(self.without), 6)}) only saves and states that are "
                "recognised are kept."
            )
        console.warn(self.mistakes.advice.replace("run this again", "take the snapshot again"))


def known_layouts(session: Session) -> Known:
    """The owner's layouts; for those with a mistake what the last nights stored of them."""
    sound = session.sound_layouts()
    layouts = dict(sound.catalogue.layouts)
    found: dict[str, tuple[Layout, str]] = {}
    if sound.missing:
        from handhold.standins import stand_ins

        found = stand_ins(session.archive(), session.device_name, sound.missing)
        layouts.update((name, layout) for name, (layout, _) in found.items())
    return Known(
        tuple(layouts.values()),
        sound.mistakes,
        {name: night for name, (_, night) in found.items()},
        tuple(sorted(sound.missing - found.keys())),
    )
