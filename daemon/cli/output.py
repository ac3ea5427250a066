"""Writing to people and to pipes."""

import click


def say(text: str) -> None:
    """A result, on stdout. Raises OSError where stdout takes no more."""
    click.echo(text)


def warn(text: str) -> None:
    """A caution beside a result, on stderr."""
    click.echo(f"peakwhite: {text}", err=True)
