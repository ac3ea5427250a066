"""`peakwhite scopes`: which scopes can be found."""

import json
from dataclasses import asdict

import click

from .options import json_option
from .output import say

TIME_LIMIT_S = 6.0


@click.command(short_help="Look for scopes on USB and on the network.")
@json_option
def scopes(as_json: bool) -> None:
    """Look for scopes on USB and on the network, for some seconds.

    A scope that speaks over a raw socket announces itself nowhere: name it to `serve` with --scope.
    """
    from ...drivers.discovery import find_scopes

    found = find_scopes(TIME_LIMIT_S)
    if as_json:
        say(json.dumps([asdict(scope) for scope in found]))
    elif not found:
        say(
            "No scope was found. One on a raw socket is named by hand: peakwhite serve --scope TCPIP0::ADDRESS::PORT::SOCKET"
        )
    else:
        say("\n".join(f"{scope.resource}  {scope.identity or scope.problem or ''}" for scope in found))
