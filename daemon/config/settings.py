"""Reading the settings file: all that is wrong with it at once, each with its line and the nearest valid name."""

import copy
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from ...drivers.capture import EXT
from ...drivers.errors import PeakwhiteError, SettingsError
from ..measure.hookup import BENCH_DEFAULT, EXT_ROLES, Clip, Hookup
from ..measure.targets import SHIPPED, Conditions, Target
from ..places import settings_folder
from .complaints import FOLLOWS_FROM_ANOTHER, Complaint, complaint_of, complaint_path, dotted, nearest
from .lines import line_numbers, line_of
from .model import SettingsTables, TargetTable
from .setup import FIRST_GENERATION, Setup
from .values import CHANNEL_NAME, parse_gain_spec, parse_pattern_white

DO = "correct it and start again; 'peakwhite settings show' lists every key"


@dataclass(frozen=True)
class Settings:
    """Settings in force.

    Attributes:
        tables: the values.
        path: the file they came from, None where there is none.
        lines: line of every key that the file gives.
    """

    tables: SettingsTables = field(default_factory=SettingsTables)
    path: Path | None = None
    lines: Mapping[tuple[str, ...], int] = field(default_factory=dict)

    def setup(self) -> Setup:
        """The set-up to start with."""
        return Setup(conditions=_conditions(self.tables), rate_hz=self.tables.live.rate_hz)


def default_path() -> Path:
    """Where the settings file lies when nobody names one."""
    return settings_folder() / "peakwhite.toml"


def load_settings(path: Path | None) -> Settings:
    """Settings from `path`, or from the default place, where it may be missing. Raises SettingsError."""
    source = path or default_path()
    try:
        text = source.read_text(encoding="utf-8")
    except FileNotFoundError:
        if path is None:
            return Settings()
        raise SettingsError("there is no such file", where=str(source), do="give the path of a settings file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"cannot be read: {error}", where=str(source), do="give a UTF-8 text file") from error
    return parse_settings(text, source)


def parse_settings(text: str, path: Path) -> Settings:
    """Settings from the text of a file. Raises SettingsError with all that is wrong, in one line."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"is no TOML: {error}", where=str(path), do=DO) from error
    lines = line_numbers(text)
    tables, complaints = _validated(raw)
    complaints += _contradictions(tables, _names_in(raw, "targets"))
    if complaints:
        raise SettingsError(_told(complaints, lines), where=str(path), do=DO)
    return Settings(tables, path, lines)


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


def _drop(raw: dict[str, Any], path: tuple[str, ...], *, whole_entry: bool) -> None:
    """Take a key out; `whole_entry` takes the key of its table, or the whole hookup or target that it belongs to."""
    *above, key = path[:2] if whole_entry else path
    for part in above:
        raw = raw.get(part, {})
    raw.pop(key, None)


def _names_in(raw: dict[str, Any], table: str) -> frozenset[str]:
    named = raw.get(table)
    return frozenset(named) if isinstance(named, dict) else frozenset()


def _told(complaints: list[Complaint], lines: dict[tuple[str, ...], int]) -> str:
    """All complaints in the order of their lines, joined by a middle dot."""
    placed = sorted((line_of(path, lines) or 0, f"{dotted(path)} {text}") for path, text in complaints)
    return " · ".join(f"line {line}: {text}" if line else text for line, text in placed)


def _contradictions(tables: SettingsTables, own_targets: frozenset[str]) -> Iterator[Complaint]:
    """What no key shows by itself: edges out of order, names that nobody defines, a role given twice.

    `own_targets` are all that the file names, those too that cannot be used.
    """
    for key, parse in (("gain_spec", parse_gain_spec), ("pattern_white", parse_pattern_white)):
        value = getattr(tables.measure, key)
        if value is not None:
            yield from _refused(("measure", key), parse, value)
    if tables.book.log_batch_s < tables.book.log_period_s:
        yield ("book", "log_batch_s"), f"must not lie under log_period_s ({tables.book.log_period_s:g})"
    for name, table in tables.targets.items():
        yield from _edges_out_of_order(name, table)
    known = _targets(tables)
    for role, name in tables.target_of.items():
        if name in known and role not in known[name].roles:
            yield ("target_of", role), f"names the target '{name}', which is for {', '.join(known[name].roles)}"
        elif name not in known and name not in own_targets:
            yield ("target_of", role), f"names the target '{name}', which there is not{nearest(name, known)}"
    seen: dict[str, str] = {}
    for channel, clip in tables.hookup.items():
        if not re.fullmatch(CHANNEL_NAME, channel):
            yield ("hookup", channel, "role"), "is on a channel of no possible name: letters and digits, 16 at most"
        if channel == EXT and clip.role not in EXT_ROLES:
            yield (
                ("hookup", channel, "role"),
                f"cannot be '{clip.role}': EXT is not recorded, it may carry sync or hsync",
            )
        if clip.role in seen:
            yield ("hookup", channel, "role"), f"is '{clip.role}', as is that of {seen[clip.role]}: give each its own"
        seen.setdefault(clip.role, channel)


def _edges_out_of_order(name: str, table: TargetTable) -> Iterator[Complaint]:
    """What is wrong with a target's levels, each told with the edges that were not given."""
    low, on, high = (_edge(table, key) for key in ("dim_from_mv", "on_from_mv", "over_above_mv"))
    if not table.dim_from_mv < table.on_from_mv < table.over_above_mv:
        if "on_from_mv" in table.model_fields_set:
            yield ("targets", name, "on_from_mv"), f"must lie over {low} and under {high}"
        else:
            yield (
                ("targets", name, "nominal_mv"),
                f"asks for edges of its own: {low}, {on} and {high} must rise in this order",
            )
    elif not table.on_from_mv <= table.nominal_mv <= table.over_above_mv:
        yield ("targets", name, "nominal_mv"), f"must lie on target: from {on} to {high}"
    if table.setup_mv >= table.dim_from_mv:
        yield ("targets", name, "setup_mv"), f"must lie under {low}"


def _edge(table: TargetTable, key: str) -> str:
    return key if key in table.model_fields_set else f"{key} ({getattr(table, key):g} where none is given)"


def _refused(path: tuple[str, ...], parse: Any, value: object) -> Iterator[Complaint]:
    try:
        parse(value)
    except PeakwhiteError as error:
        yield path, f"cannot be: {error.what}, {error.do}"


def _targets(tables: SettingsTables) -> dict[str, Target]:
    own = {
        name: Target(name=name, **{**table.model_dump(), "roles": tuple(table.roles)})
        for name, table in tables.targets.items()
    }
    return SHIPPED | own


def _conditions(tables: SettingsTables) -> Conditions:
    clips = tuple(Clip(channel, **table.model_dump()) for channel, table in tables.hookup.items())
    gain_spec = tables.measure.gain_spec
    return Conditions(
        hookup=Hookup(clips) if clips else BENCH_DEFAULT,
        targets=_targets(tables),
        chosen=dict(tables.target_of),
        gain_spec=None if gain_spec is None else parse_gain_spec(gain_spec),
        time_base_ppm=tables.measure.time_base_ppm,
        pattern_white_pct=parse_pattern_white(tables.measure.pattern_white),
        hold_since=FIRST_GENERATION if tables.measure.hold else None,
    )
