"""Calibrations on disk: one JSON file a scope in the folder of what is remembered, written whole or not at all.

A file that cannot be read is named and left as it is: nothing is measured as if it were not there, and nothing is
written over it.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import quote

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ..drivers.errors import UnreadableInput, UsageError
from .durable import write_durably
from .measure.calibration import Calibration, Compared, Gain, SignalPath, Terminator, Tie, Way
from .measure.hookup import Link
from .measure.targets import Conditions
from .places import state_folder

SCHEMA = "peakwhite.calibrations/1"
LONGEST_SERIAL = 64
MOST_BYTES = 1 << 20
DO = "mend it or move it away; 'peakwhite calibrate' makes a new one"

Stamps = tuple[tuple[str, int, int, int, int], ...]

_Positive = Annotated[float, Field(gt=0.0)]
_NotNegative = Annotated[float, Field(ge=0.0)]
_ChannelName = Annotated[str, Field(min_length=1, max_length=64)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class _Compared(_Table):
    factor: _Positive
    meter_pct: _NotNegative
    rest_u: _NotNegative
    linearity_u_mv: _NotNegative


class _Path(_Table):
    volts_per_state: _Positive
    full_scale_v: _Positive | None
    link: Link
    probe_ratio: _Positive


class _Gain(_Table):
    compared: _Compared
    path: _Path
    states: list[float]


class _Terminator(_Table):
    ohm: _Positive
    u_ohm: _NotNegative


class _Tie(_Table):
    reference: _ChannelName
    relative_gain: _Positive
    own_u: _NotNegative
    offset_mv: float
    delay_ns: float
    delay_u_ns: _NotNegative | None
    path: _Path
    states: list[float]


class _Calibration(_Table):
    way: Way
    made_at_ns: Annotated[int, Field(ge=0)]
    channel: _ChannelName
    gain: _Gain | None
    terminator: _Terminator | None
    valid_days: _Positive
    tie: _Tie | None = None


class _File(_Table):
    format: Annotated[Literal["peakwhite.calibrations/1"], Field(alias="schema")]
    serial: Annotated[str, Field(min_length=1, max_length=LONGEST_SERIAL)]
    calibrations: list[_Calibration]


def default_folder() -> Path:
    """Where calibrations lie: the folder of what is remembered."""
    return state_folder() / "calibrations"


def load_calibrations(folder: Path | None = None) -> tuple[Calibration, ...]:
    """All calibrations of all scopes; none where the folder is not there. Raises UnreadableInput, which names the file."""
    folder = folder or default_folder()
    try:
        paths = sorted(folder.glob("*.json"))
    except OSError as error:
        raise _unreadable(folder, _words(error)) from error
    return tuple(one for path in paths for one in _read(path))


def with_calibrations(conditions: Conditions, folder: Path | None = None) -> Conditions:
    """The conditions with all calibrations on disk. Raises UnreadableInput."""
    return replace(conditions, calibrations=load_calibrations(folder))


class StoredCalibrations:
    """All calibrations on disk, read again only once a file of them is another than before."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder or default_folder()
        self._stamps: Stamps | None = None

    def load(self) -> tuple[Calibration, ...]:
        """All of them, as `load_calibrations`."""
        self._stamps = _stamps(self._folder)  # before they are read: what changes meanwhile is read once more
        return load_calibrations(self._folder)

    @property
    def changed(self) -> bool:
        """Whether the files are others than when they were last loaded, even if that failed."""
        return _stamps(self._folder) != self._stamps


def _stamps(folder: Path) -> Stamps:
    """What tells each file from the one before of that name: its number, size, and when it was changed."""
    found = []
    with suppress(OSError):  # what cannot be looked at is told by reading it
        for path in sorted(folder.glob("*.json")):
            now = path.stat()
            found.append((path.name, now.st_ino, now.st_size, now.st_mtime_ns, now.st_ctime_ns))
    return tuple(found)


def keep_calibration(calibration: Calibration, folder: Path | None = None) -> Path:
    """Store a calibration in the place of the one that it replaces; gives the file. It is durable on return.

    Raises UnreadableInput where the scope's file is damaged, UsageError for a serial that cannot be, OSError.
    """
    return keep_calibrations([calibration], folder)


def keep_calibrations(made: Sequence[Calibration], folder: Path | None = None) -> Path:
    """Store several of one scope at once, all or none. Raises as `keep_calibration`."""
    return _change(
        made[0].serial,
        folder or default_folder(),
        lambda known: (*(one for one in known if not any(new.replaces(one) for new in made)), *made),
    )


def remove_calibrations(serial: str, channel: str, folder: Path | None = None) -> tuple[Calibration, ...]:
    """Remove all that is stored of one channel of a scope; gives what was. Raises as `keep_calibration`."""
    folder = folder or default_folder()
    path = _path(serial, folder)
    gone = tuple(one for one in _read(path) if one.channel == channel) if path.exists() else ()
    if gone:
        _change(serial, folder, lambda known: tuple(one for one in known if one.channel != channel))
    return gone


def _change(serial: str, folder: Path, change: Callable[[tuple[Calibration, ...]], Iterable[Calibration]]) -> Path:
    path = _path(serial, folder)
    folder.mkdir(parents=True, exist_ok=True)
    known = _read(path) if path.exists() else ()
    _write(path, serial, change(known))
    return path


def _path(serial: str, folder: Path) -> Path:
    """The file of a scope. What cannot stand in a file's name is escaped."""
    if not 0 < len(serial) <= LONGEST_SERIAL or not serial.isprintable():
        raise UsageError(
            f"'{serial[:LONGEST_SERIAL]}' is no serial number", where="calibrate", do="give it with --serial"
        )
    return folder / f"{quote(serial, safe='')}.json"


def _read(path: Path) -> tuple[Calibration, ...]:
    try:
        with path.open("rb") as file:
            data = file.read(MOST_BYTES + 1)
        if len(data) > MOST_BYTES:
            raise _unreadable(path, "it is far too large for calibrations")
        stored = _File.model_validate_json(data)
        return tuple(_calibration(one, stored.serial) for one in stored.calibrations)
    except OSError as error:
        raise _unreadable(path, _words(error)) from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        at = ".".join(str(part) for part in first["loc"])
        raise _unreadable(path, f"it holds no calibrations: {at + ' ' if at else ''}{first['msg'].lower()}") from error
    except ValueError as error:  # way and content do not go together
        raise _unreadable(path, str(error)) from error


def _calibration(one: _Calibration, serial: str) -> Calibration:
    gain = None if one.gain is None else _gain(one.gain)
    terminator = None if one.terminator is None else Terminator(**one.terminator.model_dump())
    tie = None if one.tie is None else _tie(one.tie)
    return Calibration(one.way, one.made_at_ns, serial, one.channel, gain, terminator, one.valid_days, tie)


def _gain(one: _Gain) -> Gain:
    return Gain(Compared(**one.compared.model_dump()), SignalPath(**one.path.model_dump()), tuple(one.states))


def _tie(one: _Tie) -> Tie:
    figures = one.model_dump(exclude={"path", "states"})
    return Tie(**figures, path=SignalPath(**one.path.model_dump()), states=tuple(one.states))


def _write(path: Path, serial: str, calibrations: Iterable[Calibration]) -> None:
    listed = [{key: value for key, value in asdict(one).items() if key != "serial"} for one in calibrations]
    text = json.dumps({"schema": SCHEMA, "serial": serial, "calibrations": listed}, indent=1, allow_nan=False)
    write_durably(path, text.encode() + b"\n")


def _words(error: OSError) -> str:
    return (error.strerror or "it cannot be read").lower()


def _unreadable(path: Path, what: str) -> UnreadableInput:
    return UnreadableInput(what, where=str(path), do=DO)
