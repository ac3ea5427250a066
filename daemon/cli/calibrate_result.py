"""What a calibration came to, for people and for programs."""

import json
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from ..measure.calibrated import valid_until_ns
from ..measure.calibration import TERMINATOR_OHM, Calibration, Gain, Terminator
from ..measure.reading import iso_utc, plain
from ..measure.tie_made import TieResult, tie_words


def calibration_object(one: Calibration) -> dict[str, Any]:
    """A calibration as a plain object; what it does not hold is null."""
    gain, terminator, tie = one.gain, one.terminator, one.tie
    found = {
        "serial": one.serial,
        "channel": one.channel,
        "way": one.way,
        "made_at": iso_utc(one.made_at_ns),
        "valid_until": iso_utc(valid_until_ns(one)),
        "factor": gain.compared.factor if gain else None,
        "relative_u": gain.compared.relative_u if gain else None,
        "linearity_u_mv": gain.compared.linearity_u_mv if gain else None,
        "full_scale_v": one.path.full_scale_v if one.path else None,
        "link": one.path.link if one.path else None,
        "probe_ratio": one.path.probe_ratio if one.path else None,
        "terminator_ohm": terminator.ohm if terminator else None,
        "terminator_u_ohm": terminator.u_ohm if terminator else None,
        "reference": tie.reference if tie else None,
        "relative_gain": tie.relative_gain if tie else None,
        "relative_gain_u": tie.own_u if tie else None,
        "offset_mv": tie.offset_mv if tie else None,
        "delay_ns": tie.delay_ns if tie else None,
        "delay_u_ns": tie.delay_u_ns if tie else None,
    }
    return {name: plain(value) for name, value in found.items()}


def result_text(
    one: Calibration, path: Path, level_mv: float, before_mv: float, now_mv: float, *, as_json: bool
) -> str:
    """The calibration with the uncertainty of a level before and now, two-sided at 95 %, and where it is kept."""
    if as_json:
        levels = {"level_mv": level_mv, "u95_before_mv": before_mv, "u95_mv": now_mv, "file": str(path)}
        return json.dumps(calibration_object(one) | plain(levels), allow_nan=False)
    what = _words(one)
    share = "a level" if one.gain else "the terminator's share of a level"
    return (
        f"{one.channel} on {one.serial}: {what}\n"
        f"{share} of {level_mv:.1f} mV: ±{before_mv:.1f} mV before, ±{now_mv:.1f} mV now (95 %)\n"
        f"kept in {path}, {_until(one)}"
    )


def tie_text(result: TieResult, path: Path, *, as_json: bool) -> str:
    """A tie, channel by channel, with what it does to the match of the colours, and where it is kept."""
    made = result.calibrations
    if as_json:
        matched = {"match_u95_before_mv": result.before_mv, "match_u95_mv": result.now_mv, "file": str(path)}
        return json.dumps({"channels": [calibration_object(one) for one in made], **plain(matched)}, allow_nan=False)
    lines = [f"{one.channel} on {one.serial}: {_words(one)}" for one in made]
    if result.before_mv is not None and result.now_mv is not None:
        lines.append(f"match of the colours: ±{result.before_mv:.1f} mV before, ±{result.now_mv:.1f} mV now (95 %)")
    return "\n".join([*lines, f"kept in {path}, {_until(made[0])}"])


def list_text(calibrations: Iterable[Calibration], now_ns: int) -> str:
    """One line a calibration."""
    lines = []
    for one in sorted(calibrations, key=lambda one: (one.serial, one.channel, one.made_at_ns)):
        until_ns = valid_until_ns(one)
        age = "EXPIRED" if until_ns < now_ns else "good until"
        lines.append(f"{one.serial}  {one.channel}  {one.way:<10}  {age} {_day(until_ns)}  {_words(one)}")
    return "\n".join(lines) or "There is no calibration."


def _until(one: Calibration) -> str:
    until_ns = valid_until_ns(one)
    return f"{'good until' if until_ns >= time.time_ns() else 'expired since'} {_day(until_ns)}"


def terminator_u95_mv(level_mv: float, terminator: Terminator | None, tolerance_pct: float) -> float:
    """Share of the terminator in a level's uncertainty at 95 %: measured, or by its tolerance (a rectangle)."""
    if terminator is None:
        return 0.95 * 0.5 * tolerance_pct / 100.0 * level_mv
    return 1.96 * terminator.relative_u * level_mv


def _words(one: Calibration) -> str:
    if one.gain is not None:
        return _gain_words(one.gain)
    return tie_words(one.tie, one.channel) if one.tie is not None else _terminator_words(one.terminator)


def _gain_words(gain: Gain) -> str:
    path, compared = gain.path, gain.compared
    scale = "" if path.full_scale_v is None else f" at {path.full_scale_v:.4g} V full scale"
    return f"true is {compared.factor:.4f} of read, u {100.0 * compared.relative_u:.2f} %{scale}, {path.link}"


def _terminator_words(terminator: Terminator | None) -> str:
    if terminator is None:
        return "nothing"
    return f"terminator {terminator.ohm:.2f} ohm, u {terminator.u_ohm:.2f} ohm, against {TERMINATOR_OHM:g}"


def _day(ns: int) -> str:
    return str(iso_utc(ns))[:10]
