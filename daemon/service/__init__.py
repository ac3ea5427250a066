"""Peakwhite as a service of systemd: what is written where, by whom it is started, how it stands, and how it goes again.

Nothing else of the program needs any of this, or systemd.
"""

from .as_the_service import command_line, has_its_folders, is_installed, is_its_user
from .files import BOOK, SETTINGS, STATE, Item, items
from .host_names import host_names
from .how_it_stands import Standing, standing
from .installing import (
    carry_out,
    commands_after_installing,
    commands_after_removing,
    commands_before_removing,
    install,
    remove,
    removed,
    runs_here,
    under,
)
from .program import Program, refuse_temporary, refuse_unreachable, this_program

__all__ = [
    "BOOK",
    "SETTINGS",
    "STATE",
    "Item",
    "Program",
    "Standing",
    "carry_out",
    "command_line",
    "commands_after_installing",
    "commands_after_removing",
    "commands_before_removing",
    "has_its_folders",
    "host_names",
    "install",
    "is_installed",
    "is_its_user",
    "items",
    "refuse_temporary",
    "refuse_unreachable",
    "remove",
    "removed",
    "runs_here",
    "standing",
    "this_program",
    "under",
]
