"""`peakwhite settings`: what is in force, and whether a file is in order."""

import json
from functools import partial
from pathlib import Path

import click

from ...drivers.errors import UsageError
from .options import config_option, json_option
from .output import say, warn


@click.group(no_args_is_help=False, short_help="Show or check the settings.")
def settings() -> None:
    """Show the settings in force, or check a settings file."""


@settings.command(short_help="List every key with value, default, unit and origin.")
@json_option
@config_option
def show(as_json: bool, config: Path | None) -> None:
    """List every key with value, unit, range, origin, default and meaning, in the form of a settings file.

    It also says which keys come into force while the daemon runs.
    """
    from ..config.settings import load_settings
    from .settings_rows import settings_as_json, settings_as_text

    loaded = load_settings(config)
    say(settings_as_json(loaded) if as_json else settings_as_text(loaded))


@settings.command(short_help="Check a settings file.")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@json_option
@config_option
def check(file: Path | None, as_json: bool, config: Path | None) -> None:
    """Check a settings file, and the environment that goes before it.

    All that is wrong is told at once, each on a line with its place and the nearest valid name, with status 2.
    """
    from .. import refusals
    from ..config.settings import checked, default_path, load_settings

    if file and config:
        raise UsageError("two files are given", where="settings check", do="give one")
    path = file or config
    tokens_in, unseen = refusals.tokens_beside(path)
    if unseen:
        warn(unseen)
    settings = checked(partial(load_settings, path), partial(refusals.check, tokens_in=tokens_in))
    told = settings.path or default_path()
    if as_json:
        say(json.dumps({"file": str(told), "there": settings.path is not None, "in_order": True}))
    else:
        say(f"{told}: in order" if settings.path else f"{told}: not there, every key has its default")
