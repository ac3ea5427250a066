"""From captures and meter readings to a gain calibration with the uncertainty before and after."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ...drivers.capture import Capture, ChannelRecord
from ...drivers.errors import InstrumentError, UsageError
from ..measure.calibrated import no_serial, path_of, serial_of, state_of
from ..measure.calibration import (
    Calibration,
    Compared,
    FieldSeen,
    Gain,
    LevelSeen,
    Meter,
    SignalPath,
    Way,
    gain_from_fields,
    gain_from_levels,
)
from ..measure.channel_means import mean_of_level, mean_over_fields
from ..measure.engine import measure_capture
from ..measure.expected import expected_u95_mv
from ..measure.hookup import Clip
from ..measure.reading import ChannelReading
from ..measure.targets import OVER_ABOVE_MV, Conditions


@dataclass(frozen=True)
class Bench:
    """What is calibrated, under which conditions, with which meter."""

    conditions: Conditions
    channel: str
    meter: Meter
    valid_days: float

    @property
    def uncalibrated(self) -> Conditions:
        """The conditions as the scope reads, without any correction."""
        return replace(self.conditions, calibrations=())

    @property
    def clip(self) -> Clip:
        """What is clipped to the channel; the command line has seen to it that there is something."""
        clip = self.conditions.hookup.of_channel(self.channel)
        assert clip is not None
        return clip


@dataclass(frozen=True)
class Result:
    """A calibration, not yet kept, with a level and its 95 % half-width before and after."""

    calibration: Calibration
    level_mv: float
    before_mv: float
    now_mv: float


def by_fields(
    bench: Bench,
    whites: Sequence[Capture],
    meter_white: tuple[float, float],
    blacks: Sequence[Capture],
    meter_black: tuple[float, float],
) -> Result:
    """Way (a): captures of whole fields of white and of black, and the meter's readings with its leads both ways."""
    path = _one_path(bench, [*whites, *blacks])
    white, black = _reading(bench, whites[-1]), _reading(bench, blacks[-1])
    if white.peak_white_mv is None or white.blanking_mv is None:
        raise InstrumentError("no white is seen on it", where=bench.channel, do="show a full white field first")
    if black.peak_white_mv is not None:
        raise InstrumentError(
            f"the black field has a white of {black.peak_white_mv:.0f} mV", where=bench.channel, do="show full black"
        )
    noise_mv = white.noise_mv_rms or 0.0
    seen = []
    for captures, (meter_mv, swapped_mv) in ((whites, meter_white), (blacks, meter_black)):
        mean = mean_over_fields(captures, bench.uncalibrated, bench.channel, noise_mv)
        seen.append(FieldSeen(meter_mv, swapped_mv, mean.mv, mean.u_mv))
    compared = gain_from_fields(seen[0], seen[1], bench.meter)
    read_mv = (white.blanking_mv, white.blanking_mv + white.peak_white_mv)
    calibration = _calibration(bench, "multimeter", whites[-1], compared, path, read_mv)
    level_mv = white.peak_white_mv * compared.factor
    return _result(bench, calibration, whites[-1], level_mv, white.blanking_mv, noise_mv)


def by_levels(bench: Bench, meter_mv: Sequence[float], taken: Sequence[Sequence[Capture]]) -> Result:
    """Way (b): the meter's reading and the captures at each level of the supply."""
    if not taken:
        raise UsageError("there are no levels", where="calibrate supply", do="give three or more, such as 0, 350, 700")
    path = _one_path(bench, [capture for captures in taken for capture in captures])
    means = [mean_of_level(captures, bench.uncalibrated, bench.channel) for captures in taken]
    seen = [LevelSeen(mv, mean.mv, mean.u_mv) for mv, mean in zip(meter_mv, means, strict=True)]
    compared = gain_from_levels(seen, bench.meter, means[0].state_mv)
    read_mv = (min(mean.mv for mean in means), max(mean.mv for mean in means))
    calibration = _calibration(bench, "supply", taken[-1][-1], compared, path, read_mv)
    return _result(bench, calibration, taken[-1][-1], OVER_ABOVE_MV, 0.0, min(mean.noise_mv for mean in means))


def _reading(bench: Bench, capture: Capture) -> ChannelReading:
    """The channel's own reading, as the scope has it."""
    channels = measure_capture(capture, bench.uncalibrated).channels
    return next(one for one in channels if one.channel == bench.channel)


def _one_path(bench: Bench, captures: Sequence[Capture]) -> SignalPath:
    """The range of all captures, which has to be one; and one scope. Raises InstrumentError, UsageError."""
    if any(capture.identity != captures[0].identity for capture in captures):
        raise UsageError("the captures are from different scopes", where="calibrate", do="take them from one")
    paths = {path_of(_record(bench, capture), bench.clip) for capture in captures}
    if len(paths) > 1:
        raise InstrumentError(
            "the scope's range changed on the way", where=bench.channel, do="start again with everything connected"
        )
    return paths.pop()


def _calibration(
    bench: Bench, way: Way, capture: Capture, compared: Compared, path: SignalPath, read_mv: tuple[float, float]
) -> Calibration:
    serial = serial_of(capture.identity)
    if serial is None:
        raise no_serial(capture.identity)
    record = _record(bench, capture)
    places = [state_of(record, mv / 1e3 / bench.clip.probe_ratio) for mv in read_mv]
    states = tuple(place for place in places if place is not None)
    gain = Gain(compared, path, states)
    return Calibration(way, capture.captured_at_ns, serial, bench.channel, gain, valid_days=bench.valid_days)


def _result(
    bench: Bench, calibration: Calibration, capture: Capture, level_mv: float, blanking_mv: float, noise_mv: float
) -> Result:
    before = bench.conditions
    known = tuple(one for one in before.calibrations if not calibration.replaces(one))
    after = replace(before, calibrations=(*known, calibration))
    before_mv, now_mv = (
        expected_u95_mv(level_mv, capture, one, bench.channel, blanking_mv=blanking_mv, noise_mv=noise_mv)
        for one in (before, after)
    )
    return Result(calibration, level_mv, before_mv, now_mv)


def _record(bench: Bench, capture: Capture) -> ChannelRecord:
    record = capture.channel(bench.channel)
    if record is None:
        raise UsageError(f"there is no {bench.channel} in the capture", where="--channel", do="name one that is there")
    return record
