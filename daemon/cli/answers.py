"""Answers of a person at the bench: what an option already says, else one line of standard input, asked for on stderr."""

import math
import re
import sys
from dataclasses import dataclass

import click

from ...drivers.errors import UsageError

UNITS = {"": 1.0, "mv": 1.0, "v": 1000.0}
OHMS = {"": 1.0, "ohm": 1.0, "r": 1.0}

_NUMBER = re.compile(r"\s*([+-]?)(\d+(?:\.(\d*))?|\.(\d+))\s*([A-Za-z]*)\s*")


@dataclass(frozen=True)
class MeterReading:
    """What a meter shows, in mV or ohm, and what one step of its last digit is."""

    value: float
    resolution: float


def meter_reading(text: str, where: str, units: dict[str, float] = UNITS) -> MeterReading:
    """`535.2`, `535.2 mV` or `0.5352V`; a bare number is in mV (or ohm). Raises UsageError."""
    match = _NUMBER.fullmatch(text.replace("\N{MINUS SIGN}", "-"))
    if match is None or match[5].lower() not in units:
        example = "535.2 or 0.5352V" if units is UNITS else "75.1"
        raise UsageError(f"'{text.strip()}' is no reading of a meter", where=where, do=f"write it like {example}")
    scale = units[match[5].lower()]
    decimals = len(match[3] or match[4] or "")
    return MeterReading(float(f"{match[1]}{match[2]}") * scale, scale * math.pow(10.0, -decimals))


def answer(given: str | None, question: str, option: str) -> str:
    """What the option says, or the answer to the question. Raises UsageError where nobody answers."""
    if given is not None:
        return given
    click.echo(f"{question}: ", nl=False, err=True)
    return _line(f"give {option}")


def wait_for(step: str) -> None:
    """Say what to do, and wait until it is done: a line on standard input. Raises UsageError where nobody is there."""
    click.echo(f"{step}, then press Enter. ", nl=False, err=True)
    _line("give recorded captures instead (see --help), or answer on standard input")


def _line(do: str) -> str:
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        click.echo(err=True)
        raise UsageError("nobody answers", where="standard input", do=do)
    return line.strip()
