"""`peakwhite demo`: the daemon on the simulated scope."""

from pathlib import Path

import click

from .options import browser_option, config_option, port_option


@click.command(short_help="Look around with a simulated scope and unit.")
@port_option
@browser_option
@config_option
def demo(port: int | None, browser: bool, config: Path | None) -> int:
    """Measure a simulated unit with a simulated scope, trimmers on the page, until Ctrl-C.

    The address is printed, one line on stdout.
    """
    from .. import compose
    from ..config.settings import load_settings

    return compose.demo(load_settings(config), port=port, browser=browser)
