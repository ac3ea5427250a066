"""`peakwhite scopes`: which scopes can be found."""

import json
from dataclasses import asdict

import click

from .options import json_option
from .output import say

TIME_LIMIT_S = 6.0


@click.command(short_help="Look for scopes on USB and on the network, and say what is wrong with them.")
@click.option("--udev-rules", is_flag=True, help="Print the rules that permit the use of USB scopes on Linux, and end.")
@json_option
def scopes(udev_rules: bool, as_json: bool) -> None:
    """Look for scopes on USB and on the network, for some seconds, and say what stands in the way of using them.

    A scope that speaks over a raw socket announces itself nowhere: name it to `serve` with --scope.
    """
    if udev_rules:
        from ...drivers.udev import udev_rules as rules

        say(rules().rstrip())
        return
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
