"""`peakwhite serve`: the daemon on a real scope."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .options import browser_option, config_option, pairs, port_option, role_option

if TYPE_CHECKING:
    from ..config.settings import Settings
    from ..measure.hookup import Role


@click.command(short_help="Measure live from a scope and show it on a page.")
@click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings.")
@click.option("--family", metavar="NAME", help="Force a family of scopes instead of asking the scope what it is.")
@click.option("--host", metavar="ADDRESS", help="Address to listen on; left out, the one in the settings.")
@port_option
@browser_option
@role_option
@config_option
def serve(
    scope: str | None,
    family: str | None,
    host: str | None,
    port: int | None,
    browser: bool,
    roles: Sequence[str],
    config: Path | None,
) -> int:
    """Measure live from a scope and show it on a page, until Ctrl-C. The address is printed, one line on stdout.

    A scope that is missing or silent is waited for. --role takes the place of the settings' hookup.
    """
    from .. import compose
    from ..config.settings import load_settings
    from .hookups import role_named

    wanted = {channel: role_named(name) for channel, name in pairs("--role", roles).items()}
    settings = with_roles(load_settings(config), wanted)
    return compose.serve(settings, scope=scope, family=family, host=host, port=port, browser=browser)


def with_roles(settings: "Settings", roles: "dict[str, Role]") -> "Settings":
    """The settings with these channels as the hookup; what they say of a channel's load and link stays."""
    from ..config.model import HookupTable

    if not roles:
        return settings
    known = settings.tables.hookup
    hookup = {
        channel: known[channel].model_copy(update={"role": role})
        if channel in known
        else HookupTable.model_validate({"role": role})
        for channel, role in roles.items()
    }
    return replace(settings, tables=settings.tables.model_copy(update={"hookup": hookup}))
