"""What the book holds as people read it on a terminal."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pydantic import TypeAdapter

from ..book import BookReader
from ..book.check import Checked
from ..book.comparison import Compared, Comparison
from ..book.records import Event, EventShown, Job, LevelShown, MarkLine, MarkShown, Stage, Unit, UnitText
from ..live.schema import BenchObject
from ..measure.reading import ChannelReading, Hint, MatchReading, Measured, SyncReading, iso_utc
from .reading_text import aligned, match_words, reading_as_text

VERDICTS: Mapping[str, str] = {"leave-it": "leave it", "over": "over", "too-low": "too low", "unsure": "unsure"}
NOT_SET = "?"
NOT_SET_MEANS = "? the computer's clock had not been set by the network's then"
NOTHING = "nothing"

_SYNC = TypeAdapter(SyncReading)
_CHANNELS = TypeAdapter(tuple[ChannelReading, ...])
_MATCH = TypeAdapter(MatchReading)
_HINTS = TypeAdapter(tuple[Hint, ...])


def marks_as_text(lines: Sequence[MarkLine]) -> str:
    """One row a mark."""
    if not lines:
        return "no marks"
    rows = [("mark", "UTC", "unit", "stage", "levels in mV", "")]
    rows += [
        (
            str(line.id),
            _when(line),
            unit_words(line.unit.text),
            line.stage.text.name,
            _levels(line.levels),
            _beside(line),
        )
        for line in lines
    ]
    doubtful = any(line.moment.clock_synced is False for line in lines)
    return "\n".join([*aligned(rows), *([NOT_SET_MEANS] if doubtful else [])])


def kept_as_text(number: int, line: MarkLine | None, done: str = "kept") -> str:
    """That a mark is in the book, and where, as far as that can be read back."""
    if line is None:
        return f"mark {number} {done}"
    words = "; ".join(filter(None, [place_words(line.job, line.unit, line.stage), _levels(line.levels), _beside(line)]))
    return f"mark {number} {done}: {words}"


def place_words(job: Job, unit: Unit, stage: Stage) -> str:
    """`Quayside batch, Tamarisk TM-2 TM2-0017, as found`."""
    return f"{job.text.name}, {unit_words(unit.text)}, {stage.text.name}"


def unit_words(unit: UnitText) -> str:
    """Maker, model, serial and board, as far as they are said."""
    board = f"board {unit.revision}" if unit.revision else ""
    return " ".join(part for part in (unit.maker, unit.model, unit.serial, board) if part)


def places_as_text(reader: BookReader, present: int | None) -> str:
    """All jobs with their units and stages, each with its number; the stage on the bench is named."""
    lines: list[str] = []
    for job in reader.jobs():
        lines.append(f"job {job.id}  {job.text.name}{_note(job.text.note)}")
        for unit in reader.units(job.id):
            lines.append(f"  unit {unit.id}  {unit_words(unit.text)}{_note(unit.text.note)}")
            lines += [
                f"    stage {stage.id}  {stage.text.name}{_on_bench(stage, present)}"
                for stage in reader.stages(unit.id)
            ]
    return "\n".join(lines) or "no jobs"


def events_as_text(events: Sequence[Event]) -> str:
    """One row an event."""
    if not events:
        return "no events"
    rows = [("event", "UTC", "stage", "kind", "channel", "")]
    rows += [
        (str(one.id), _utc(one.moment.utc_ns), str(one.stage_id or ""), one.kind, one.channel or "", one.text)
        for one in events
    ]
    return "\n".join(aligned(rows))


def event_as_text(captures: Sequence[EventShown]) -> str:
    """One row a capture around an event, with its levels."""
    rows = [("capture", "UTC", "levels")]
    rows += [(f"{one.position:+d}", _utc(one.capture.captured_at_ns), _event_levels(one.reading)) for one in captures]
    return "\n".join(aligned(rows))


def _event_levels(reading: Mapping[str, Any] | None) -> str:
    if reading is None:
        return "not measured"
    levels = [
        f"{one['role']} {one['peak_white_mv']:.1f}{' held' * one['held']}"
        for one in reading["channels"]
        if one["role"] and one["peak_white_mv"] is not None
    ]
    return ", ".join(levels) or f"no level; sync {reading['sync']['state']}"


def bench_as_text(bench: BenchObject) -> str:
    """Watch, warmth, and the question where there is one."""
    watch, warmth, question = bench["watch"], bench["warmth"], bench["question"]
    seen = (
        f"{watch['seen']['level']} level, {watch['seen']['sync-lost']} sync lost, {watch['seen']['channel-dead']} dead"
    )
    drifts = [f"{one['role']} {one['mv_per_min']:+.2f} mV/min" for one in warmth["drifts"]]
    told = [
        ("watch", f"{'on' if watch['on'] else 'off'}, band {watch['band_mv']:g} mV; {seen}; {watch['kept']} kept"),
        ("unit on", _minutes(warmth["unit_on_min"])),
        ("scope on", _minutes(warmth["scope_on_min"])),
        ("cold", warmth["why_cold"] or "no"),
        ("drift", (", ".join(drifts) or "not known yet") + "; settled" * warmth["settled"]),
        *([] if question is None else [("asked", f"is it the same unit? {question['text']}")]),
    ]
    return "\n".join(aligned(told))


def _minutes(minutes: float | None) -> str:
    return "not known" if minutes is None else f"{minutes:.0f} min"


def shown_as_text(shown: MarkShown) -> str:
    """A mark in full: where it belongs, what was said of it, and its reading as `measure` prints one."""
    line = shown.line
    told = [
        ("mark", str(line.id) + (f", taken back {_utc(line.removed_utc_ns)} UTC" if line.removed_utc_ns else "")),
        ("unit", place_words(line.job, line.unit, line.stage)),
        ("taken", f"{_utc(line.moment.utc_ns)} UTC{_doubt(line)} on {line.bench}, run {line.run}, {line.identity}"),
        ("warmth", ", ".join(_warmth_words(line)) or "not known"),
        ("note", line.note),
        ("who", line.who),
        ("codes", "kept" if line.has_capture else "none were kept"),
        *(("damaged", one) for one in shown.damaged),
    ]
    lines = aligned([(name, words) for name, words in told if words])
    if line.moment.clock_synced is False:
        lines.append(NOT_SET_MEANS)
    if shown.reading is not None:
        white_pct = 100.0 if shown.conditions is None else shown.conditions.pattern_white_pct
        lines += ["", reading_as_text(measured_of(shown.reading), white_pct)]
    return "\n".join(lines)


def measured_of(reading: Mapping[str, Any]) -> Measured:
    """What was measured, of an object of schema peakwhite.reading/1."""
    return Measured(
        _SYNC.validate_python(reading["sync"]),
        _CHANNELS.validate_python(reading["channels"]),
        None if reading["match"] is None else _MATCH.validate_python(reading["match"]),
        _HINTS.validate_python(reading["hints"]),
    )


def compared_as_text(before: int, after: int, found: Comparison) -> str:
    """One row a role, then the matches."""
    rows = [("role", f"mark {before}", f"mark {after}", "change", "", "")]
    rows += [
        (
            one.role,
            _mv(one.before_mv),
            _mv(one.after_mv),
            "" if one.change_mv is None else f"{one.change_mv:+.1f} mV",
            _percent_words(one),
            ", ".join(filter(None, ["same scope, channel, range and probe" * one.same_way, "held" * one.held])),
        )
        for one in found.levels
    ]
    matches = [("match", words) for words in (_match(before, found.match_before), _match(after, found.match_after))]
    return "\n".join([*(aligned(rows) if found.levels else ["no level in either"]), "", *aligned(matches)])


def checked_as_text(place: str, checked: Checked) -> str:
    """What is damaged, a line each, and how much was read."""
    read = ", ".join(f"{count} {table}" for table, count in checked.counted.items() if count) or NOTHING
    if checked.sound:
        return f"{place}: sound; {read}"
    return "\n".join([f"{place}: damaged; {read} can be read", *(f"  {one}" for one in checked.damage)])


def counted_words(counted: Mapping[str, int]) -> str:
    """`3 jobs, 12 marks`."""
    return ", ".join(f"{count} {table.replace('_', ' ')}" for table, count in counted.items() if count) or NOTHING


def _match(number: int, match: Mapping[str, Any] | None) -> str:
    return f"mark {number}: {'none' if match is None else match_words(_MATCH.validate_python(match))}"


def _percent_words(one: Compared) -> str:
    if one.percent is None or one.u95_percent is None:
        return ""
    return f"{one.percent:.2f} ± {one.u95_percent:.2f} %"


def _mv(level_mv: float | None) -> str:
    return "not measured" if level_mv is None else f"{level_mv:.1f} mV"


def _levels(levels: Iterable[LevelShown]) -> str:
    return ", ".join(
        f"{one.role} {one.peak_white_mv:.1f}{' held' * one.held}{_verdict(one.verdict)}"
        for one in levels
        if one.peak_white_mv is not None
    )


def _verdict(verdict: str | None) -> str:
    return f" {VERDICTS.get(verdict, verdict)}" if verdict else ""


def _beside(line: MarkLine) -> str:
    return ", ".join(
        part
        for part in ("taken back" * bool(line.removed_utc_ns), "cold" * line.warmth.cold, line.note, line.who)
        if part
    )


def _warmth_words(line: MarkLine) -> Iterable[str]:
    warmth = line.warmth
    if warmth.cold:
        yield "cold"
    if warmth.unit_on_min is not None:
        yield f"unit on for {warmth.unit_on_min:.0f} min"
    if warmth.scope_on_min is not None:
        yield f"scope on for {warmth.scope_on_min:.0f} min"


def _when(line: MarkLine) -> str:
    return f"{_utc(line.moment.utc_ns)}{_doubt(line)}"


def _doubt(line: MarkLine) -> str:
    return f" {NOT_SET}" if line.moment.clock_synced is False else ""


def _utc(utc_ns: int | None) -> str:
    return "unknown" if not utc_ns else (iso_utc(utc_ns) or "")[:19].replace("T", " ")


def _note(note: str) -> str:
    return f"  ({note})" if note else ""


def _on_bench(stage: Stage, present: int | None) -> str:
    return "  (on the bench)" if stage.id == present else ""
