"""Options that several commands share, and what they mean."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TypeVar

import click

from ...drivers.errors import UsageError

F = TypeVar("F", bound=Callable[..., object])


def config_option(command: F) -> F:
    """--config FILE."""
    return click.option(
        "--config",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Settings file; left out, the one in the user's configuration folder.",
    )(command)


def role_option(command: F) -> F:
    """--role CHANNEL=ROLE, repeatable."""
    return click.option(
        "--role",
        "roles",
        multiple=True,
        metavar="CH1=red",
        help="What a channel carries: red green blue luma chroma composite pb pr sync hsync vsync. Repeatable.",
    )(command)


def pattern_white_option(command: F) -> F:
    """--pattern-white P."""
    return click.option(
        "--pattern-white", metavar="75|28/31", help="White of the pattern on the screen, per cent or a fraction."
    )(command)


def gain_spec_option(command: F) -> F:
    """--gain-spec 3%."""
    return click.option(
        "--gain-spec", metavar="3%|3%fs", help="The scope's gain accuracy, of reading or of full scale."
    )(command)


def hold_option(command: F) -> F:
    """--hold."""
    return click.option(
        "--hold", is_flag=True, help="Without a pattern: hold the highest sustained level as 'highest seen'."
    )(command)


def json_option(command: F) -> F:
    """--json."""
    return click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")(command)


def book_option(command: F) -> F:
    """--book PATH|URL."""
    return click.option(
        "--book", metavar="PATH|URL", help="The bench book; left out, the one in the settings, or the user's own."
    )(command)


def port_option(command: F) -> F:
    """--port N."""
    return click.option(
        "--port",
        type=click.IntRange(0, 65535),
        metavar="N",
        help="Port to listen on, 0 for any free one; left out, the one in the settings.",
    )(command)


def browser_option(command: F) -> F:
    """--no-browser."""
    return click.option("--no-browser", "browser", flag_value=False, default=True, help="Open no browser.")(command)


def pairs(option: str, given: Sequence[str]) -> dict[str, str]:
    """`CH1=red` and the like as a mapping. Raises UsageError for anything else, and for a left side given twice."""
    found: dict[str, str] = {}
    for text in given:
        left, equals, right = (part.strip() for part in text.rpartition("="))
        if not (left and equals and right):
            raise UsageError(f"'{text}' is no pair", where=option, do=f"write it like {option} CH1=…")
        if left in found:
            raise UsageError(f"'{left}' is given twice", where=option, do="give it once")
        found[left] = right
    return found
