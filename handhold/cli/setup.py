"""``setup``: makes an archive, or joins one that is there, and writes the config."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated

from msgspec.structs import replace

from handhold.cli import words
from handhold.cli.last import same_medium_line
from handhold.cli.line import App, Context, Ended, Option
from handhold.cli.session import Session
from handhold.errors import NotNow, WrongInput

if TYPE_CHECKING:
    from handhold.archive.archive import Archive
    from handhold.cli.console import Console
    from handhold.device.volumes import Mounted

# Source: US-CERT, Data Backup Options, 2012 (three copies, on two kinds of media, one elsewhere)
_COPIES = (
    "What you would miss should be there three times, on two kinds of media, one of them elsewhere: on the "
    "device, in this archive, and in a second one. handhold mirror FOLDER makes that and keeps it up to date."
)
_RIGHTS = "Keep only games and firmware that you have the right to copy."


def join(app: App) -> None:
    """Adds the command."""
    app.command()(setup)


def setup(
    context: Context,
    yes: Annotated[bool, Option("--yes", help="Take the proposals and replace an earlier config.")] = False,
    nightly: Annotated[
        bool,
        Option("--nightly", help="Only print the lines for cron and systemd: a snapshot every night."),
    ] = False,
    parity: Annotated[
        bool, Option("--parity", help="Keep this archive with parity, so that dead sectors come back.")
    ] = False,
) -> None:
    """Makes an archive, or joins one with another device.

    Writes the config. Asks only for what --device, --volume and --archive did not say.
    """
    from handhold.config import Config, config_text, new_origin, write_config
    from handhold.device.volumes import same_medium

    session: Session = context.obj
    console = session.console
    if nightly:
        from handhold.cli.nightly import command_of, show_schedule

        if not session.config.device:
            console.warn("The config names no device yet, so no night is kept before handhold setup has run.")
        show_schedule(console, command_of(session))
        return
    earlier = session.config if session.has_config else Config()
    asks = console.asks and not yes
    # Before anything else is asked: the answers would be for nothing.
    replacing = f"{session.config_path} is there already, for {earlier.device}."
    if asks and earlier.device and not console.agrees(f"{replacing} Replace it?"):
        console.say("Nothing was changed.")
        raise Ended(1)
    device = _device(session, earlier, asks, yes)
    volumes = _volumes(session, earlier if earlier.device == device else Config(), asks, yes)
    place = _archive_place(session, earlier, volumes, asks, yes)
    config = replace(earlier, device=device, volumes=volumes, archive=place)
    changed = config != earlier
    if earlier.device != device or not earlier.origin:
        config = replace(config, origin=new_origin())
    if earlier.device and changed and not yes and not asks:
        raise WrongInput(
            replacing,
            "Say handhold setup --yes to replace it, or name another with --config FILE.",
        )
    config_text(config)  # before anything is made for a config that could not be read back
    if parity:
        _check_library()
    archive, made = _archive(session, place)
    if parity:
        _begin_parity(archive)
    write_config(session.config_path, config)
    known = sorted({one.device for one in archive.snapshots()})
    if made:
        console.say(f"A new archive was made at {place}.")
    elif not known:
        console.say(f"Joined the archive at {place}: it is still empty.")
    else:
        nights = words.amount(len(archive.past()), "snapshot")
        console.say(f"Joined the archive at {place}: {nights} of {words.listed(known)}.")
    if parity:
        console.say("It is kept with parity, about 7 % more room: dead sectors come back with handhold mend.")
        if known:
            console.say("What is there already gets its parity with handhold mend --add-parity.")
    if device in known:
        console.say(f"It knows {device} already; if this is another handheld, give it another name now.")
    console.say(f"The config is {session.config_path}.")
    for inner, outer in nested(volumes):
        console.say(
            f"\nThe volume {inner} lies inside the volume {outer}: what is on it counts as {inner}'s alone. "
            "If they are one storage, leave one of them out."
        )
    if shared := same_medium(place, volumes):
        console.say(f"\n{same_medium_line(shared)}")
    console.say(f"\n{_COPIES}")
    console.say(f"\n{_RIGHTS}")
    console.say("Next: handhold survey shows what is on the device, handhold snapshot keeps it.")


def _check_library() -> None:
    from handhold.archive.parity.code import NoParity, can_code

    if not can_code():
        raise NoParity("Parity")


def _begin_parity(archive: Archive) -> None:
    from handhold.archive.parity.keeping import begin_parity

    with archive.locked("setup"):
        begin_parity(archive.storage)


def _device(session: Session, earlier: object, asks: bool, yes: bool) -> str:
    from handhold.config import Config, checked_device_name

    assert isinstance(earlier, Config)
    if session.given.device or os.environ.get("HANDHOLD_DEVICE"):
        return session.device_name
    proposal = earlier.device  # the name of a computer is hardly that of a handheld
    if asks:
        while True:
            try:
                return checked_device_name(session.console.ask("What is this device called?", proposal))
            except WrongInput as error:
                session.console.tell(error.advice)
    if yes and proposal:
        return proposal
    raise WrongInput("setup was not told the device's name.", "Give it: handhold --device NAME … setup")


def slug(name: str) -> str:
    """A device name made of what the owner or the system calls it.

    >>> slug("My Plover (blue)"), slug("...")
    ('My-Plover-blue', '')
    """
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:40].rstrip("-")


def _volumes(session: Session, earlier: object, asks: bool, yes: bool) -> dict[str, str]:
    from handhold.config import Config, named_paths
    from handhold.device.volumes import mounted, open_device

    assert isinstance(earlier, Config)
    if session.given.volumes or os.environ.get("HANDHOLD_VOLUME"):
        volumes = session.volume_paths
    elif asks:
        volumes = _ask_volumes(session, dict(earlier.volumes), proposable(mounted()))
    elif yes and earlier.volumes:
        volumes = dict(earlier.volumes)
    else:
        seen = "".join(
            f"\n  {m.path} ({m.filesystem}, {words.room(m.free or sys.maxsize)})"
            for m in proposable(mounted())
        )
        raise WrongInput(
            "setup was not told where the device's storage is.",
            f"Give it: handhold --volume internal=PATH … setup{seen and chr(10) + 'Mounted here:' + seen}",
        )
    open_device("check", volumes)
    return dict(named_paths("--volume", [f"{name}={path}" for name, path in volumes.items()]))


def proposable(mounts: Sequence[Mounted]) -> list[Mounted]:
    """The mounts that can be a device's storage: not the system's root, and none that holds another. Pure."""
    paths = [mount.path for mount in mounts]
    return [
        mount
        for mount in mounts
        if mount.path != "/" and not any(_inside(path, mount.path) for path in paths)
    ]


def nested(volumes: Mapping[str, str]) -> list[tuple[str, str]]:
    """The volumes that lie inside another one, each with the name of that one."""
    real = {name: os.path.realpath(path) for name, path in volumes.items()}
    return [
        (inner, outer)
        for inner in real
        for outer in real
        if inner != outer and _inside(real[inner], real[outer])
    ]


def _inside(path: str, folder: str) -> bool:
    return path != folder and path.startswith(folder.rstrip("/") + "/")


def _ask_volumes(session: Session, earlier: dict[str, str], mounts: list[Mounted]) -> dict[str, str]:
    console = session.console
    proposals = dict(earlier)
    for mount in mounts:
        if mount.path not in proposals.values():
            proposals[_volume_name(mount.path, proposals)] = mount.path
    about = {m.path: f" ({m.filesystem}, {words.room(m.free or sys.maxsize)})" for m in mounts}
    chosen: dict[str, str] = {}
    if proposals:
        console.tell("Where is the device's storage? For each place, Enter takes the name, - leaves it out.")
    for name, path in proposals.items():
        _add_volume(console, chosen, f"  {path}{about.get(path, '')}", name, path)
    while True:
        question = "  Another folder, or Enter for no more:" if chosen else "  Which folder is its storage?"
        name, path = _named_folder(console.ask(question))
        if path and not os.path.isdir(path):
            console.tell(f"  There is no folder {path}.")
        elif path in chosen.values():
            console.tell(f"  {path} is in already.")
        elif path:
            _add_volume(console, chosen, f"  A name for {path}", name or _volume_name(path, chosen), path)
        elif chosen:
            return chosen


def _named_folder(answer: str) -> tuple[str, str]:
    """A folder as it was typed, with the name in front of it if there is one: ``card=/media/card``."""
    if not answer:
        return "", ""
    name, equals, rest = answer.partition("=")
    if equals and rest and "/" not in name and not os.path.lexists(os.path.expanduser(answer)):
        return slug(name), os.path.abspath(os.path.expanduser(rest))
    return "", os.path.abspath(os.path.expanduser(answer))


def _add_volume(console: Console, chosen: dict[str, str], question: str, name: str, path: str) -> None:
    """Asks for a volume's name until it can be one; ``-`` leaves the volume out."""
    from handhold.config import named_paths

    while (answer := console.ask(question, name)) != "-":
        if "=" in answer or "/" in answer:
            console.tell(f"  Only a name here, such as card; its folder is {path}.")
            continue
        try:
            named = named_paths("The name", [f"{answer}={path}"])
        except WrongInput as error:
            console.tell(f"  {error.advice}")
            continue
        if answer not in chosen:
            chosen.update(named)
            return
        console.tell(f"  {answer} is {chosen[answer]} already.")


def _volume_name(path: str, taken: Mapping[str, str]) -> str:
    base = "internal" if path == "/" else slug(os.path.basename(path)).lower()[:20] or "card"
    name, number = base, 2
    while name in taken:
        name, number = f"{base}{number}", number + 1
    return name


def _archive_place(
    session: Session, earlier: object, volumes: Mapping[str, str], asks: bool, yes: bool
) -> str:
    from handhold.config import Config

    assert isinstance(earlier, Config)
    if session.given.archive or os.environ.get("HANDHOLD_ARCHIVE"):
        return session.archive_path
    proposal = earlier.archive or os.path.join(_roomiest(volumes), "handhold")
    while asks:
        answer = session.console.ask("Where shall the archive be (best on another card)?", proposal)
        place = os.path.abspath(os.path.expanduser(answer))
        if os.path.isdir(place) or os.path.isdir(parent := os.path.dirname(place)):
            return place
        session.console.tell(f"There is no folder {parent}. Is the card in? Otherwise make the folder first.")
    if yes:
        return os.path.abspath(proposal)
    raise WrongInput(
        "setup was not told where the archive shall be.", "Give it: handhold --archive PATH … setup"
    )


def _roomiest(volumes: Mapping[str, str]) -> str:
    """Where an archive would lie best: on the volume with the most free room of all but the first.

    The first is the handheld's own storage most of the time, and is lost with it.
    """
    from handhold.device.volumes import free_room

    first, *others = volumes.values()
    return max(others, key=free_room, default=first)


def _archive(session: Session, place: str) -> tuple[Archive, bool]:
    """Opens the archive that is there, or makes one in a missing or empty folder."""
    from handhold.archive.archive import Archive
    from handhold.archive.storage import LocalStorage

    storage = LocalStorage(place)
    try:
        return Archive.open(storage), False
    except WrongInput:
        if not os.path.isdir(place):
            raise
        raise WrongInput(
            f"This folder is not empty and no archive: {place}.", "Name a new or empty folder."
        ) from None
    except NotNow:
        parent = os.path.dirname(place)
        if not os.path.isdir(parent):
            raise NotNow(
                f"There is no folder {parent}, so no archive can be made in it.",
                "Is the card in? Otherwise make the folder first.",
            ) from None
        try:
            return Archive.create(storage, session.clock), True
        except OSError as error:
            raise WrongInput(
                f"No archive can be made at {place}: {error.strerror}.", "Choose a place that can be written."
            ) from error
