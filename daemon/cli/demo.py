"""`peakwhite demo`: the daemon on the simulated scope."""

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
)


@click.command(short_help="Look around with a simulated scope and unit.")
@port_option
@browser_option
@pattern_white_option
@gain_spec_option
@hold_option
@book_option
@config_option
def demo(
    port: int | None,
    browser: bool,
    pattern_white: str | None,
    gain_spec: str | None,
    hold: bool,
    book: str | None,
    config: Path | None,
) -> int:
    """Measure a simulated unit with a simulated scope, trimmers on the page, until Ctrl-C.

    The address is printed, one line on stdout. Marks go to a book that is gone at the end, unless --book names one.
    """
    with ended_at_once():
        from .. import compose
        from ..config.settings import Settings, load_settings
        from .given_settings import with_measure, with_options

        def load(data: bytes | None = None) -> Settings:
            settings = load_settings(config, data)
            settings = with_measure(settings, pattern_white=pattern_white, gain_spec=gain_spec, hold=hold)
            settings = with_options(settings, "http", port=("--port", port))
            return with_options(settings, "book", place=("--book", book))

        return compose.demo(load(), load=load, book=book, browser=browser)
