"""`peakwhite settings`: what is in force, and whether a file is in order."""

import json
from pathlib import Path

import click

from .options import config_option, json_option
from .output import say


@click.group(no_args_is_help=False, short_help="Show or check the settings.")
def settings() -> None:
    """Show the settings in force, or check a settings file."""


@settings.command(short_help="List every key with value, default, unit and origin.")
@json_option
@config_option
def show(as_json: bool, config: Path | None) -> None:
    """List every key with its value, unit, origin, default and meaning, in the form of a settings file."""
    from ..config.settings import load_settings
    from .settings_rows import rows_as_text, rows_of

    rows = rows_of(load_settings(config))
    say(json.dumps([row._asdict() for row in rows]) if as_json else rows_as_text(rows))


@settings.command(short_help="Check a settings file.")
@config_option
def check(config: Path | None) -> None:
    """Check a settings file. All that is wrong comes in one line, with status 2."""
    from .. import compose
    from ..config.settings import default_path, load_settings

    settings = load_settings(config)
    compose.check(settings)
    path = settings.path
    say(f"{path}: in order" if path else f"{default_path()}: not there, every key has its default")
