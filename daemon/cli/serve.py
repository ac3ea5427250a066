"""`peakwhite serve`: the daemon on a real scope."""

from collections.abc import Sequence
from pathlib import Path

import click

from .ending import ended_at_once
from .options import (
    book_option,
    browser_option,
    config_option,
    gain_spec_option,
    hold_option,
    pattern_white_option,
    port_option,
    role_option,
)


@click.command(short_help="Measure live from a scope and show it on a page.")
@click.option("--scope", metavar="RESOURCE", help="VISA resource string; left out, the one in the settings.")
@click.option("--family", metavar="NAME", help="Force a family of scopes instead of asking the scope what it is.")
@click.option("--hands-off", is_flag=True, help="Change nothing on the scope: read what its own knobs give.")
@click.option("--host", metavar="ADDRESS", help="Address to listen on; left out, the one in the settings.")
@port_option
@browser_option
@role_option
@pattern_white_option
@gain_spec_option
@hold_option
@book_option
@config_option
def serve(
    scope: str | None,
    family: str | None,
    hands_off: bool,
    host: str | None,
    port: int | None,
    browser: bool,
    roles: Sequence[str],
    pattern_white: str | None,
    gain_spec: str | None,
    hold: bool,
    book: str | None,
    config: Path | None,
) -> int:
    """Measure live from a scope and show it on a page, until Ctrl-C. The address is printed, one line on stdout.

    A scope that is missing or silent is waited for. What is given here goes before the settings; --role takes the place
    of their whole hookup.
    """
    with ended_at_once():
        from .. import compose
        from ..config.settings import Settings
        from .given_settings import settings_with_roles, with_measure, with_options

        def load(data: bytes | None = None) -> Settings:
            settings = settings_with_roles(config, roles, data)
            settings = with_measure(settings, pattern_white=pattern_white, gain_spec=gain_spec, hold=hold)
            settings = with_options(
                settings,
                "scope",
                resource=("--scope", scope),
                family=("--family", family),
                hands_off=("--hands-off", hands_off or None),
            )
            settings = with_options(settings, "http", host=("--host", host), port=("--port", port))
            return with_options(settings, "book", place=("--book", book))

        return compose.serve(load, book=book, browser=browser)
