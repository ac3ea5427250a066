"""Reading the settings: a TOML file, and the environment before it. All that is wrong is told at once, with its place."""

import copy
import hashlib
import os
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from pydantic import ValidationError

from ...drivers.errors import PeakwhiteError, SettingsError
from ..measure.hookup import BENCH_DEFAULT, Clip, Hookup
from ..measure.targets import Conditions
from ..places import settings_folder
from .complaints import FOLLOWS_FROM_ANOTHER, Complaint, complaint_of, complaint_path
from .contradictions import contradictions, known_targets
from .environment import PREFIX, environment_settings
from .keys import KeyPath
from .lines import line_numbers, line_of
from .model import SettingsTables
from .setup import FIRST_GENERATION, Setup
from .values import parse_gain_spec, parse_pattern_white

DO = "correct it; 'peakwhite settings show' lists every key"
FILE_NAME = "peakwhite.toml"


@dataclass(frozen=True)
class Settings:
    """Settings as they were read.

    Attributes:
        tables: the values.
        path: the file they came from, None where there is none.
        digest: of the file's content, empty where there is none.
        content: of the file.
        lines: line of every key that the file gives.
        variables: variable of every key that the environment gives; it goes before the file.
        options: option of every key that the command line gives; it goes before both.
    """

    tables: SettingsTables = field(default_factory=SettingsTables)
    path: Path | None = None
    digest: str = ""
    content: bytes = field(default=b"", repr=False)
    lines: Mapping[KeyPath, int] = field(default_factory=dict)
    variables: Mapping[KeyPath, str] = field(default_factory=dict)
    options: Mapping[KeyPath, str] = field(default_factory=dict)

    def setup(self) -> Setup:
        """The set-up to start with."""
        return Setup(conditions=_conditions(self.tables), rate_hz=self.tables.live.rate_hz)

    def origin_of(self, path: KeyPath) -> str:
        """Where the value of a key comes from: `--port`, PEAKWHITE_HTTP_PORT, `line 3` of the file, or `default`."""
        if path in self.options:
            return self.options[path]
        if path in self.variables:
            return self.variables[path]
        return f"line {self.lines[path]}" if path in self.lines else "default"


class SettingsMistakes(SettingsError):
    """All that is wrong with settings.

    Attributes:
        mistakes: each with its key, its place and the nearest valid name.
        sound: the settings without what is wrong; defaults throughout where the file is no TOML.
    """

    def __init__(self, mistakes: Iterable[Complaint], where: str, sound: Settings) -> None:
        self.mistakes = tuple(mistakes)
        self.sound = sound
        self._file = where
        everywhere = {self._where(one) for one in self.mistakes}
        super().__init__(
            " · ".join(map(str, self.mistakes)), where=everywhere.pop() if len(everywhere) == 1 else where, do=DO
        )

    @property
    def each(self) -> tuple[PeakwhiteError, ...]:
        """A mistake each, by the file or the environment that it is in."""
        return tuple(SettingsError(str(one), where=self._where(one), do=DO) for one in self.mistakes)

    def _where(self, mistake: Complaint) -> str:
        return "environment" if mistake.where.startswith(PREFIX) else self._file


class Load(Protocol):
    """Gives the settings: of file, environment and command line."""

    def __call__(self, data: bytes | None = None) -> Settings:
        """Where `data` is given it is taken for what stands in the file. Raises SettingsError."""
        ...


Check = Callable[[Settings], Iterable[Complaint]]
"""What else can be wrong with settings, which only those know who use them."""


def default_path() -> Path:
    """Where the settings file lies when nobody names one: in the folder that systemd names, else in the user's own."""
    return settings_folder() / FILE_NAME


def load_settings(path: Path | None, data: bytes | None = None) -> Settings:
    """Settings from `path`, or from the default place, where it may be missing, and from the environment.

    Where `data` is given it is taken for what stands in the file. Raises SettingsError.
    """
    source = path or default_path()
    try:
        content = source.read_bytes() if data is None else data
        return parse_settings(content.decode(), source, os.environ)
    except FileNotFoundError:
        if path is None:
            return replace(parse_settings("", source, os.environ), path=None, digest="")
        raise SettingsError("there is no such file", where=str(source), do="give the path of a settings file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"cannot be read: {error}", where=str(source), do="give a UTF-8 text file") from error


def parse_settings(text: str, path: Path, environ: Mapping[str, str] | None = None) -> Settings:
    """Settings from the text of a file and an environment. Raises SettingsMistakes with all that is wrong, in one line."""
    content = text.encode()
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsMistakes([Complaint((), f"is no TOML: {error}")], str(path), Settings(path=path)) from error
    given, complaints = environment_settings(environ or {}, raw)
    for key, (_, value) in given.items():
        _put(raw, key, value)
    tables, refused = _validated(raw)
    complaints += refused
    complaints += contradictions(tables, _names_in(raw, "targets"))
    variables = {key: variable for key, (variable, _) in given.items()}
    settings = Settings(tables, path, digest_of(content), content, line_numbers(text), variables)
    if complaints:
        raise SettingsMistakes(placed(complaints, settings), str(path), settings)
    return settings


def checked(load: Callable[[], Settings], check: Check) -> Settings:
    """What is loaded, if the check finds nothing wrong either. Raises SettingsMistakes with what both found."""
    found: tuple[Complaint, ...] = ()
    try:
        settings = load()
    except SettingsMistakes as error:
        found, settings = error.mistakes, error.sound
    if mistakes := placed([*found, *check(settings)], settings):
        raise SettingsMistakes(mistakes, str(settings.path or default_path()), settings)
    return settings


def placed(complaints: Iterable[Complaint], settings: Settings) -> list[Complaint]:
    """Each with its place in file, environment or command line; those of the file in the order of its lines."""
    told = [one if one.where else one._replace(where=_place(one.path, settings)) for one in complaints]
    return sorted(told, key=lambda one: (line_of(one.path, settings.lines) or 0, one.path, one.text))


def _place(path: KeyPath, settings: Settings) -> str:
    if path in settings.options or path in settings.variables:
        return settings.origin_of(path)
    line = line_of(path, settings.lines)
    return f"line {line}" if line else ""


def digest_of(content: bytes) -> str:
    """Tells one content of a file from another."""
    return hashlib.sha256(content).hexdigest()


def _put(raw: dict[str, Any], path: KeyPath, value: Any) -> None:
    """Put a value where it belongs; where the file has no table there, the file is what is wrong."""
    *above, key = path
    for part in above:
        inner = raw.setdefault(part, {})
        if not isinstance(inner, dict):
            return
        raw = inner
    raw[key] = value


def _validated(raw: dict[str, Any]) -> tuple[SettingsTables, list[Complaint]]:
    """The tables of all that is valid by itself, and what is wrong with the rest."""
    try:
        return SettingsTables.model_validate(raw), []
    except ValidationError as error:
        errors = error.errors(include_url=False)
    sound = copy.deepcopy(raw)
    for item in errors:
        _drop(sound, complaint_path(item), whole_entry=item["type"] != "extra_forbidden")
    complaints = [complaint_of(item) for item in errors if item["type"] != FOLLOWS_FROM_ANOTHER]
    return SettingsTables.model_validate(sound), complaints


def _drop(raw: dict[str, Any], path: KeyPath, *, whole_entry: bool) -> None:
    """Take a key out; `whole_entry` takes the key of its table, or the whole hookup or target that it belongs to."""
    *above, key = path[:2] if whole_entry else path
    for part in above:
        raw = raw.get(part, {})
    raw.pop(key, None)


def _names_in(raw: dict[str, Any], table: str) -> frozenset[str]:
    named = raw.get(table)
    return frozenset(named) if isinstance(named, dict) else frozenset()


def _conditions(tables: SettingsTables) -> Conditions:
    clips = tuple(Clip(channel, **table.model_dump()) for channel, table in tables.hookup.items())
    gain_spec = tables.measure.gain_spec
    return Conditions(
        hookup=Hookup(clips) if clips else BENCH_DEFAULT,
        targets=known_targets(tables),
        chosen=dict(tables.target_of),
        gain_spec=None if gain_spec is None else parse_gain_spec(gain_spec),
        time_base_ppm=tables.measure.time_base_ppm,
        pattern_white_pct=parse_pattern_white(tables.measure.pattern_white),
        hold_since=FIRST_GENERATION if tables.measure.hold else None,
    )
