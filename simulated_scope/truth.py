"""What the unit really puts out, by definition: computed from the settings, never measured from samples."""

from .front_end import CHANNELS, Front
from .patterns import top_level
from .shapes import shape
from .signals import idle_mv, recipe, role_on, sync_depth_mv
from .unit import WEIGHTS, Role, Unit


def truth(unit: Unit, front: Front) -> dict[str, object]:
    """Levels at the connectors with the load in force, in mV, and the timing of the line.

    `blanking_mv` is against 0 V (behind a coupling capacitor: its mean over the picture), all else against blanking;
    `peak_white_mv` is the highest flat level of the pattern, `sync_mv` a depth. Null: the signal has none.
    """
    signals = {}
    for channel in CHANNELS:
        role = role_on(unit, channel)
        if role is not None:
            signals[role] = {"channel": f"CH{channel}", **_levels(unit, front, role, channel)}
    lines = unit.progressive_lines
    lines_per_field = unit.constants.lines / 2 if lines is None else float(lines)
    line = {
        "period_us": unit.line_s * 1e6,
        "rate_hz": 1 / unit.line_s,
        "sync_width_us": unit.constants.sync_s * 1e6,
        "lines_per_field": lines_per_field,
        "field_rate_hz": 1 / (unit.line_s * lines_per_field),
        "scan": unit.scan,
        "system": unit.system,
    }
    return {"signals": signals, "line": line}


def _levels(unit: Unit, front: Front, role: Role, channel: int) -> dict[str, float | None]:
    signal = unit.signal(role)
    if signal.disconnected:
        return dict.fromkeys(("peak_white_mv", "black_mv", "blanking_mv", "sync_mv", "burst_mv_pp"))
    load = front.load_factor(unit, role, channel)
    gain = signal.gain_percent / 100
    form = recipe(unit, role)

    def picture_mv(level: float) -> float:
        return _squeezed(unit, role, gain * (unit.setup_mv + level * form.picture_mv)) * load

    sync_mv = sync_depth_mv(unit, role)
    coupled = form.coupling_s is not None
    blanking_mv = -shape(form).mean_mv * gain if coupled else idle_mv(unit, role)
    top = top_level(unit.pattern, unit.constants, unit.white_bar, WEIGHTS[role])
    return {
        "peak_white_mv": None if role == "sync" else picture_mv(top),
        "black_mv": None if role == "sync" else picture_mv(0.0),
        "blanking_mv": blanking_mv * load,
        "sync_mv": sync_mv * gain * load if sync_mv else None,
        "burst_mv_pp": unit.burst_in_force_mv_pp * gain * load if role == "composite" else None,
    }


def _squeezed(unit: Unit, role: Role, level_mv: float) -> float:
    squeeze = unit.signal(role).compression
    if squeeze is None or level_mv <= squeeze.knee_mv:
        return level_mv
    return squeeze.knee_mv + squeeze.slope * (level_mv - squeeze.knee_mv)
