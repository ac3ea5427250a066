"""`peakwhite access`: who may use the daemon from elsewhere."""

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ...drivers.errors import UsageError
from .options import config_option, json_option
from .output import say, warn

if TYPE_CHECKING:
    from ..access import Role, Token, TokenFile

ROLES = ("operator", "viewer")
LONGEST_DAYS = 3650


def state_option(command: click.decorators.FC) -> click.decorators.FC:
    """--state FOLDER."""
    return click.option(
        "--state",
        type=click.Path(path_type=Path, file_okay=False),
        metavar="FOLDER",
        help="Folder in which the daemon keeps its tokens; left out, the one of this user.",
    )(command)


@click.group(no_args_is_help=False, short_help="Say who may use the daemon from elsewhere.")
def access() -> None:
    """Make, list and revoke the tokens by which phones, browsers and programs use a daemon beyond this computer."""


@access.command(short_help="Make a token, with a link that signs a phone in.")
@click.option("--role", type=click.Choice(ROLES), required=True, help="An operator changes things, a viewer looks on.")
@click.option("--name", required=True, metavar="NAME", help="Whose it is, or of which device.")
@click.option("--days", type=click.IntRange(1, LONGEST_DAYS), metavar="N", help="Until it expires; left out, never.")
@click.option("--address", metavar="URL", help="Where the phone reaches the page; left out, by the settings.")
@click.option("--qr/--no-qr", default=None, help="Draw the link as a QR code, or not; left out, on a terminal.")
@state_option
@json_option
@config_option
def new(
    role: "Role",
    name: str,
    days: int | None,
    address: str | None,
    qr: bool | None,
    state: Path | None,
    as_json: bool,
    config: Path | None,
) -> None:
    """Make a token. Its code, the link and the QR code are shown this once: only a hash of the code is kept."""
    from ..access.outside import sign_in_link
    from ..service import command_line, has_its_folders, is_installed
    from .access_link import address_for_phones, qr_code

    url, caution = address_for_phones(config, address)
    token, secret = _file(state).add(name, role, days)
    link = sign_in_link(url, secret)
    if as_json:
        say(json.dumps({**_object(token), "secret": secret, "link": link}))
        return
    say(f"{token.role} '{token.name}', {_until(token, token.made_at_s)}")
    say(f"code: {secret}")
    say(f"link: {link}")
    if qr if qr is not None else sys.stdout.isatty():
        say(qr_code(link))
    if caution:
        warn(caution)
    if state is None and is_installed() and not has_its_folders():
        again = command_line("access", "new", f"--role {role}", "--name NAME")
        warn(
            f"the service on this computer has tokens of its own and does not know this one: for the service give {again}"
        )


@access.command("list", short_help="List the tokens.")
@state_option
@json_option
def list_tokens(state: Path | None, as_json: bool) -> None:
    """List all tokens, also expired ones. Their codes are kept nowhere."""
    file = _file(state)
    kept = file.load()
    if as_json:
        say(json.dumps([_object(one) for one in kept.tokens]))
    else:
        now_s = file.now(kept).at_s
        lines = (f"{one.role:<8}  {_until(one, now_s):<25}  {one.name}" for one in kept.tokens)
        say("\n".join(lines) or "there is no token")


@access.command(short_help="End a token.")
@click.argument("name")
@state_option
@json_option
def revoke(name: str, state: Path | None, as_json: bool) -> None:
    """End the token NAME at once, with all that was signed in by it."""
    file = _file(state)
    gone = file.revoke(name)
    say(json.dumps(_object(gone)) if as_json else f"{gone.role} '{gone.name}' is revoked")
    kept = file.load()
    now_s = file.now(kept).at_s
    if gone.holds(now_s) and not any(one.holds(now_s) for one in kept.tokens):
        warn(
            "that was the last token that holds: nobody gets in from elsewhere until 'peakwhite access new' makes another"
        )


def _file(state: Path | None) -> "TokenFile":
    from ..access import TokenFile
    from ..book.clock import clock_synced
    from ..places import state_folder

    if state is not None and not state.is_dir():
        do = "give the one in which the daemon keeps its tokens; of a new one, make it first"
        raise UsageError("there is no such folder", where=f"--state {state}", do=do)
    return TokenFile(state or state_folder(), clock_is_set=clock_synced)


def _object(token: "Token") -> dict[str, str | None]:
    ends_at = None if token.ends_at_s is None else _moment(token.ends_at_s)
    return {"name": token.name, "role": token.role, "made_at": _moment(token.made_at_s), "ends_at": ends_at}


def _until(token: "Token", now_s: float) -> str:
    if token.ends_at_s is None:
        return "without end"
    return f"{'until' if token.holds(now_s) else 'expired'} {_moment(token.ends_at_s)[:16]}Z"


def _moment(at_s: int) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
