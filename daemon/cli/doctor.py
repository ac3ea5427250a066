"""`peakwhite doctor`: what stands in the way on this computer."""

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .options import config_option, json_option
from .output import say

if TYPE_CHECKING:
    from ..doctor import Finding

IN_THE_WAY = 3


@click.command(short_help="Say what stands in the way on this computer, and what to do about it.")
@json_option
@config_option
def doctor(as_json: bool, config: Path | None) -> int:
    """Look at versions, settings, USB, port, folders, disk and clock, and say what to do about each that is not well.

    Nothing is changed, and no scope is asked anything. Status 3 where something stands in the way.
    """
    from ..doctor import look

    found = list(look(config))
    say(json.dumps([asdict(one) for one in found]) if as_json else "\n".join(_as_text(one) for one in found))
    return IN_THE_WAY if any(one.state == "in-the-way" for one in found) else 0


def _as_text(finding: "Finding") -> str:
    line = f"{finding.state.replace('-', ' '):<10}  {finding.what:<10}  {finding.text}"
    return line if finding.do is None else f"{line}\n{'':<24}do: {finding.do}"
