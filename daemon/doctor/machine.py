"""The computer: folders that are written to, room on the disk, the clock."""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

from ..book.clock import Clock
from ..surroundings import LOW_BYTES, OLDEST_YEAR, free_bytes
from .finding import Finding, in_the_way, note, well


def folders(named: Mapping[str, Path]) -> Iterator[Finding]:
    """Whether each of these, by what it is for, can be written to: by writing, for permissions tell only half of it."""
    for purpose, folder in named.items():
        there = next((one for one in (folder, *folder.parents) if one.exists()), folder)
        try:
            with tempfile.TemporaryFile(dir=there) as file:
                file.write(b"peakwhite")
        except OSError as error:
            why = (error.strerror or "no access").lower()
            do = f"give the user that runs Peakwhite the right to write to {there}, or name another place in the settings"
            if there == Path(there.anchor):  # a user without a home
                do = "set HOME, or STATE_DIRECTORY, to a folder of the user that runs Peakwhite, or name the book by --book"
            yield in_the_way("folder", f"{folder}, for {purpose}, cannot be written to: {why}", do)
        else:
            can = "can be written to" if there == folder else "is not there yet, and can be made"
            yield well("folder", f"{folder}, for {purpose}, {can}")


def disk(folder: Path, bytes_a_day: float, free: Callable[[Path], int] = free_bytes) -> Finding:
    """Room where the book lies, beside what is written in a day."""
    try:
        left = free(folder)
    except OSError as error:
        return in_the_way("disk", f"{folder}: {(error.strerror or 'it is gone').lower()}", "see that its disk is there")
    told = f"{left / 1e9:.1f} GB are left where the book lies"
    if left < LOW_BYTES:
        do = "make room, or move the book to another disk ('place' under [book])"
        return in_the_way("disk", f"{left / 1e6:.0f} MB are left where the book lies, {folder}", do)
    if bytes_a_day > 0 and left / bytes_a_day < 30:
        return note("disk", f"{told}, as much as is written in {left / bytes_a_day:.0f} days", "make room before long")
    return well("disk", told)


def clock(clock: Clock | None = None) -> Finding:
    """Whether what is kept will be dated right."""
    now = (clock or Clock()).now()
    date = datetime.fromtimestamp(now.utc_ns / 1e9, UTC)
    told = f"it says {date:%Y-%m-%d %H:%M} UTC"
    if date.year < OLDEST_YEAR:
        do = "connect the computer to a network, or set it by hand: sudo date -s 'YYYY-MM-DD HH:MM'"
        return in_the_way("clock", f"{told}, which is before this program was made", do)
    if now.clock_synced is False:
        do = "where that is wrong, switch on setting by network: sudo timedatectl set-ntp true"
        return note("clock", f"{told}, and nothing on the network sets it", do)
    return well("clock", f"{told}, set by the network" if now.clock_synced else told)
