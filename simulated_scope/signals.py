"""From the unit, the front end and a channel's settings to what that channel's converter sees."""

from dataclasses import replace

from .adc import Adc
from .front_end import AC_COUPLING_S, BANDWIDTH_LIMIT_HZ, NOISE_DIVISIONS, ChannelSettings, Front
from .layout import RasterPlan
from .linearity import Linearity
from .recipe import Recipe
from .sampler import Trace
from .shapes import shape
from .unit import FORMATS, SYNC_FORMS, TTL_HIGH_MV, TTL_LOW_MV, WEIGHTS, Role, Unit


def role_on(unit: Unit, front: Front, channel: int) -> Role | None:
    """The signal that is clipped to a channel, None where nothing is."""
    roles = FORMATS[unit.format]
    moved_to = front.input(channel).clipped_to
    if moved_to is not None:
        return moved_to if moved_to in roles else None
    return roles[channel - 1] if channel <= len(roles) else None


def recipe(
    unit: Unit,
    role: Role,
    *,
    bandwidth_limited: bool = False,
    scope_coupling: bool = False,
    compensation: float = 0.0,
    compensation_s: float = 0.0,
) -> Recipe:
    """What a signal's waveform depends on, up to the scope's input."""
    signal = unit.signal(role)
    bandwidths_hz = [signal.bandwidth_mhz * 1e6] if signal.bandwidth_mhz is not None else []
    if bandwidth_limited:
        bandwidths_hz.append(BANDWIDTH_LIMIT_HZ)
    gain = signal.gain_percent / 100
    squeeze = signal.compression if gain and role not in SYNC_FORMS else None
    colour = role == "composite"
    kinds = dict.fromkeys(kind for disturbance in unit.disturbances_of(role) for kind in disturbance.kinds)
    return Recipe(
        raster=RasterPlan(
            system=unit.system,
            line_s=unit.line_s,
            progressive_lines=unit.progressive_lines,
            vertical_sync=unit.vertical_sync_in_force,
            colour=colour,
            interval=unit.vbi,
            odd_line_s=unit.odd_line_us * 1e-6,
        ),
        kinds=tuple(kinds),
        pattern=unit.pattern,
        white_bar=unit.white_bar,
        weights=WEIGHTS[role],
        picture_mv=picture_mv(unit, role),
        setup_mv=setup_mv(unit, role),
        sync_mv=sync_depth_mv(unit, role) * (1 if unit.polarity(role) == "negative" else -1),
        sync_form=SYNC_FORMS.get(role, "composite"),
        burst_mv_pp=unit.burst_in_force_mv_pp if colour else 0.0,
        ladder=unit.ladder_of(role),
        bandwidths_hz=tuple(bandwidths_hz),
        knee_mv=squeeze.knee_mv / gain if squeeze else None,
        slope=squeeze.slope if squeeze else 1.0,
        coupling_s=_coupling_s(signal.coupling_ms, scope_coupling),
        compensation=compensation,
        compensation_s=compensation_s,
    )


def picture_mv(unit: Unit, role: Role) -> float:
    """Black to white before gain; of logic levels open-circuit."""
    return TTL_HIGH_MV - TTL_LOW_MV if unit.is_ttl(role) else unit.white_mv - unit.setup_mv


def setup_mv(unit: Unit, role: Role) -> float:
    """Black above blanking before gain; logic levels have none."""
    return 0.0 if unit.is_ttl(role) else unit.setup_mv


def sync_depth_mv(unit: Unit, role: Role) -> float:
    """Depth of the sync on a role's signal before gain; of logic levels open-circuit."""
    if not unit.has_sync(role):
        return 0.0
    return TTL_HIGH_MV - TTL_LOW_MV if unit.is_ttl(role) else unit.sync_depth_mv


def idle_mv(unit: Unit, role: Role) -> float:
    """Blanking against 0 V ahead of any coupling, in the signal's own reckoning."""
    offset_mv = unit.signal(role).dc_offset_mv
    if not unit.is_ttl(role):
        return offset_mv
    high = role in SYNC_FORMS and unit.polarity(role) == "negative"
    return offset_mv + (TTL_HIGH_MV if high else TTL_LOW_MV)


def trace(unit: Unit, front: Front, channel: int, settings: ChannelSettings, adc: Adc) -> Trace:
    """What the converter of a channel sees. Two high-pass poles are taken as one of their summed corner frequencies."""
    fault = front.input(channel)
    codes_per_tip_mv = adc.codes_per_div / (settings.volts_per_div * 1e3)
    zero_code = adc.middle + round(settings.position_div * adc.codes_per_div)
    noise_codes = NOISE_DIVISIONS * adc.codes_per_div
    if front.noise_mv_rms is not None:
        noise_codes = front.noise_mv_rms * settings.probe / fault.probe_ratio * codes_per_tip_mv
    bands_hz = [BANDWIDTH_LIMIT_HZ] if settings.bandwidth_limited else []
    if front.noise_band_mhz is not None:
        bands_hz.append(front.noise_band_mhz * 1e6)
    band_hz = min(bands_hz, default=None)
    linearity = Linearity(adc.bits, fault.inl_lsb, fault.inl_seed) if fault.inl_lsb else None
    sign = -1.0 if settings.inverted else 1.0
    per_connector_mv = sign * codes_per_tip_mv * (1 + fault.gain_error_pct / 100) * settings.probe / fault.probe_ratio
    error_codes = sign * fault.offset_error_mv * codes_per_tip_mv
    role = role_on(unit, front, channel)
    if settings.coupling == "GND" or role is None or unit.signal(role).disconnected:
        flat = Trace(None, 0.0, zero_code + error_codes, noise_codes=noise_codes, noise_band_hz=band_hz)
        return replace(flat, linearity=linearity)
    form = recipe(
        unit,
        role,
        bandwidth_limited=settings.bandwidth_limited,
        scope_coupling=settings.coupling == "AC",
        compensation=fault.compensation_pct / 100,
        compensation_s=fault.compensation_tau_us * 1e-6,
    )
    per_own_mv = per_connector_mv * front.load_factor(unit, role, channel, settings.input_ohm)
    interference = unit.interference_of(role)
    dc_mv = idle_mv(unit, role) if form.coupling_s is None else 0.0
    unit_noise_codes = unit.noise_of(role) * abs(per_own_mv)
    return Trace(
        shape=shape(form),
        codes_per_mv=per_own_mv * unit.signal(role).gain_percent / 100,
        offset_codes=zero_code + error_codes + dc_mv * per_own_mv,
        interference_codes=interference.mv_pp / 2 * per_own_mv if interference else 0.0,
        interference_hz=interference.frequency_hz if interference else 0.0,
        noise_codes=(noise_codes**2 + unit_noise_codes**2) ** 0.5,
        noise_band_hz=band_hz,
        jitter_s=unit.line_jitter_ns * 1e-9,
        disturbances=unit.disturbances_of(role),
        kinds=form.kinds,
        warm_up=unit.warm_up_of(role),
        linearity=linearity,
    )


def _coupling_s(coupling_ms: float | None, scope_coupling: bool) -> float | None:
    rates = [1e3 / coupling_ms] if coupling_ms is not None else []
    if scope_coupling:
        rates.append(1 / AC_COUPLING_S)
    return 1 / sum(rates) if rates else None
