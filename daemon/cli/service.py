"""`peakwhite service`: install Peakwhite as a service of systemd, say how that stands, remove it."""

import json
import os
import sys
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ...drivers.errors import UsageError
from .answers import answer
from .options import F, json_option
from .output import say, warn

if TYPE_CHECKING:
    from ..service import Item, Program, Standing

WHERE = "service"
NOT_INSTALLED = 3
EVERYWHERE = "0.0.0.0"
"""A phone is the screen, so the page is on all of the computer's addresses, if access tokens guard it."""


def _root_option(command: F) -> F:
    return click.option(
        "--root",
        type=click.Path(path_type=Path, file_okay=False, exists=True),
        default=Path("/"),
        metavar="DIR",
        help="The system below that folder, such as an image of a memory card, instead of this computer's own.",
    )(command)


def _yes_option(command: F) -> F:
    return click.option("--yes", is_flag=True, help="Do it without asking.")(command)


@click.group(no_args_is_help=False, short_help="Run as a service of systemd: install, status, remove.")
def service() -> None:
    """Run Peakwhite as a service of systemd, on a computer without a screen. Nothing else of it needs systemd."""


@service.command(short_help="Install the service, after it has shown what it writes.")
@_root_option
@_yes_option
def install(root: Path, yes: bool) -> None:
    """Show what is written, ask, write it, start the service, and say, once, how the first phone gets in."""
    from .. import service as parts
    from ..access import first_token
    from .first_sign_in import say_for_an_image, say_on_this_computer

    root = root.resolve()
    program = parts.this_program()
    if root == Path("/"):
        _refuse_where_it_cannot_be("install")
        parts.refuse_unreachable(program)
    else:
        _caution(program)
    wanted = parts.items(program, EVERYWHERE, parts.host_names(root))
    after = parts.commands_after_installing(root)
    say("\n".join(_shown(root, item) for item in wanted))
    say("then:\n" + "\n".join(f"    {' '.join(command)}" for command in after))
    if not (yes or _agreed("write and run all of this?")):
        return
    parts.install(root, wanted)
    if token := first_token(parts.under(root, parts.STATE)):
        tell = say_on_this_computer if root == Path("/") else say_for_an_image
        tell(token, parts.under(root, parts.SETTINGS))
    parts.carry_out(after, warn)
    say("Peakwhite is installed as a service.")
    if not parts.runs_here(root):
        say(f"It starts when {'this computer' if root == Path('/') else 'the image'} is started with systemd.")
    say("See 'peakwhite service status'.")


@service.command(short_help="Say how the service stands, and where its things lie.")
@_root_option
@json_option
def status(root: Path, as_json: bool) -> int:
    """Say how the service stands, as far as it can be told here, and where its things lie. Status 3 where it is not installed."""
    from .. import service as parts

    found = parts.standing(root.resolve(), _wanted())
    if as_json:
        say(json.dumps({"version": _version()} | asdict(found), default=str))
    else:
        say("\n".join(f"{name + ':':<12}{text}" for name, text in _rows(found)))
    return NOT_INSTALLED if found.installed == "no" else 0


@service.command(short_help="Remove the service; the book stays.")
@_root_option
@_yes_option
def remove(root: Path, yes: bool) -> None:
    """End the service and take its files away, after it has shown which. Book, settings and access tokens stay."""
    from .. import service as parts

    root = root.resolve()
    if root == Path("/"):
        _refuse_where_it_cannot_be("remove")
    paths = parts.removed(root, _wanted())
    if not paths:
        say("the service is not installed: there is nothing to remove")
    else:
        say("to be removed:\n" + "\n".join(f"    {path}" for path in paths))
        if not (yes or _agreed("end the service and remove these?")):
            return
        parts.carry_out(parts.commands_before_removing(root), warn)
        parts.remove(paths)
        parts.carry_out(parts.commands_after_removing(root), warn)
    say(f"the bench book stays, with calibrations and access tokens, in {parts.under(root, parts.STATE)}")
    say(f"the settings stay in {parts.under(root, parts.SETTINGS)}")


def _refuse_where_it_cannot_be(command: str) -> None:
    """Raises UsageError where this computer or its user is not fit for it."""
    where = f"{WHERE} {command}"
    if sys.platform != "linux":
        raise UsageError("systemd is there on Linux only", where=where, do="run 'peakwhite serve' by other means")
    if os.geteuid() != 0:
        do = "give it as root: sudo, then this program by its whole path; or --root DIR to write into a folder of yours"
        raise UsageError("only root may change which services there are", where=where, do=do)


def _caution(program: "Program") -> None:
    """Say of an image what would be refused on this computer, and is no better there."""
    from ..service import refuse_temporary

    try:
        refuse_temporary(program)
    except UsageError as error:
        warn(str(error))


def _agreed(question: str) -> bool:
    if answer(None, f"{question} [y/N]", "--yes").lower() in ("y", "yes"):
        return True
    say("nothing was done")
    return False


def _shown(root: Path, item: "Item") -> str:
    """An item as it is shown before it is written: where, what for, and its content."""
    from ..service import under

    path = under(root, item.path)
    there = path.is_symlink() or path.exists()
    if there and item.kept:
        return f"{path}: {item.what}; it is there and stays as it is"
    head = f"{path}: {item.what}{'; takes the place of what is there' if there else ''}"
    if item.target is not None:
        return f"{head}\n    -> {item.target}"
    body = "" if item.text is None else item.text.rstrip("\n")
    return "\n".join([head, *(f"    {line}".rstrip() for line in body.splitlines())])


def _rows(found: "Standing") -> list[tuple[str, str]]:
    """How it stands, a subject and a clause each."""
    unit = {"yes": "as this program writes it", "no": "not there", "another": "there, as another program wrote it"}
    rows = [
        ("program", f"peakwhite {_version()}, {sys.executable}"),
        ("unit", f"{found.unit}: {unit[found.installed]}"),
        ("at start", "starts with the computer" if found.enabled else "does not start with the computer"),
        ("now", found.active or f"cannot be told, {found.why or 'systemd knows no such unit'}"),
    ]
    if found.status:
        rows.append(("says", found.status))
    if found.restarts:
        rows.append(("restarts", f"{found.restarts}, by systemd; see 'journalctl -u peakwhite'"))
    rows += [
        ("settings", _place(found.settings)),
        ("state", _place(found.state)),
        ("book", "there is none yet" if found.book is None else str(found.book)),
    ]
    if found.installed != "no" and found.missing:
        listed = ", ".join(map(str, found.missing))
        rows.append(("not there", f"{listed}; 'peakwhite service install' writes it"))
    return rows


def _place(path: Path) -> str:
    from ..service.how_it_stands import is_there

    return str(path) if is_there(path) else f"{path}, not there"


def _wanted() -> "tuple[Item, ...]":
    from ..service import items, this_program

    return items(this_program(), EVERYWHERE)


def _version() -> str:
    try:
        return version("peakwhite")
    except PackageNotFoundError:
        return "not installed"
