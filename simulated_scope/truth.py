"""What the unit really puts out, by definition: computed from the settings, never measured from samples."""

import numpy as np

from .front_end import CHANNELS, Front
from .patterns import flat_colours
from .shapes import shape
from .signals import idle_mv, picture_mv, recipe, role_on, setup_mv, sync_depth_mv
from .unit import SYNC_FORMS, WEIGHTS, Role, Unit

LEVELS = ("peak_white_mv", "black_mv", "blanking_mv", "sync_mv", "sync_polarity", "burst_mv_pp")


def truth(unit: Unit, front: Front, switched_on_for_s: float = 0.0) -> dict[str, object]:
    """Levels at the connectors with the load of the bench in force, the inputs at 1 megohm, in mV, and the timing of the line.

    `blanking_mv` is against 0 V (behind a coupling capacitor: its mean over the picture), all else against blanking;
    `peak_white_mv` is the highest flat level of the pattern, `sync_mv` a depth. Null: the signal has none. Levels are
    those of the present of a unit that warms up, and of lines that nothing befalls. `system` is "unknown" where it is
    not a television system; `name` is what "set" calls it.
    """
    signals = {}
    for channel in CHANNELS:
        role = role_on(unit, front, channel)
        if role is not None and role not in signals:
            signals[role] = {"channel": f"CH{channel}", **_levels(unit, front, role, channel, switched_on_for_s)}
    lines = unit.progressive_lines
    lines_per_field = unit.constants.lines / 2 if lines is None else float(lines)
    line = {
        "period_us": unit.line_s * 1e6,
        "rate_hz": 1 / unit.line_s,
        "sync_width_us": unit.constants.sync_s * 1e6,
        "lines_per_field": lines_per_field,
        "field_rate_hz": 1 / (unit.line_s * lines_per_field + unit.odd_line_us * 1e-6),
        "scan": unit.scan,
        "system": unit.system if unit.constants.is_television else "unknown",
        "name": unit.system,
    }
    return {"signals": signals, "line": line}


def _levels(unit: Unit, front: Front, role: Role, channel: int, since_s: float) -> dict[str, float | str | None]:
    signal = unit.signal(role)
    if signal.disconnected:
        return dict.fromkeys(LEVELS)
    warm_up = unit.warm_up_of(role)
    load = front.load_factor(unit, role, channel)
    loaded = load if warm_up is None else load * warm_up.gain(since_s)
    gain = signal.gain_percent / 100
    form = recipe(unit, role)

    def level_mv(level: float) -> float:
        return _squeezed(unit, role, gain * (setup_mv(unit, role) + level * picture_mv(unit, role))) * loaded

    sync_mv = sync_depth_mv(unit, role)
    coupled_mv = None if form.coupling_s is None else -shape(form).mean_mv * gain * loaded
    has_picture = role not in SYNC_FORMS
    return {
        "peak_white_mv": level_mv(_top_level(unit, role)) if has_picture else None,
        "black_mv": level_mv(0.0) if has_picture else None,
        "blanking_mv": idle_mv(unit, role) * load if coupled_mv is None else coupled_mv,
        "sync_mv": sync_mv * gain * loaded if sync_mv else None,
        "sync_polarity": unit.polarity(role) if sync_mv else None,
        "burst_mv_pp": unit.burst_in_force_mv_pp * gain * loaded if role == "composite" else None,
    }


def _top_level(unit: Unit, role: Role) -> float:
    """The highest flat level of the pattern, as a share of white, as the unit's ladder makes it."""
    primaries = np.array(flat_colours(unit.pattern, unit.constants, unit.white_bar), dtype=np.float64)
    ladder = unit.ladder_of(role)
    if ladder is not None:
        primaries = ladder.levels(primaries)
    return float((primaries @ np.array(WEIGHTS[role])).max())


def _squeezed(unit: Unit, role: Role, level_mv: float) -> float:
    squeeze = unit.signal(role).compression
    if squeeze is None or level_mv <= squeeze.knee_mv:
        return level_mv
    return squeeze.knee_mv + squeeze.slope * (level_mv - squeeze.knee_mv)
