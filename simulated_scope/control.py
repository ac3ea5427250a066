"""The control port: one JSON object a line, for whoever plays the unit and the bench.

Requests: {"set": {...}}, {"front": {...}}, {"fault": NAME or null}, {"get": "truth" or "state"}, {"advance": seconds}
(of the fast clock). Millivolts are those into 75 ohm unless said otherwise; null means: as usual, or not there.

set | meaning
--- | ---
system | 525/60, 625/50, 24k, 31k, 31k-70, 18k, 22k
scan | progressive, interlaced
lines_per_field | of a progressive television source; null: 262 or 312
line_period_us | null: that of the system
subcarrier_cycles | in a line, which sets its period: 227.5, 228, 227.333 (525/60), 284 (625/50); null: the system's
vertical_sync | full (equalising and broad pulses), serrated (broad pulses of a line), block; null: full where interlaced
odd_line_us | what the first line after vertical sync is longer (or shorter, below 0) than the others
vbi | lines of the vertical interval carry: off, data, pulses (above white); on every analogue picture signal
pattern | what the picture shows
bars_white_percent | white bar of bars-75; null: 75 in 525/60 (170M annex A), else 100 (100/0/75/0)
format | CH1 to CH4: rgb-sync, rgb-hv (red, green, hsync, vsync), luma-sync, sync-on-green, composite
nominal_mv | blanking to white; null: 714.3 in 525/60, else 700
setup_mv | black above blanking in every analogue picture signal
rgb_level | analogue, ttl (red, green and blue are two logic levels)
ladder | converter of the picture: bits, wrong_bit (0 is the least, null none), wrong_by_pct of its weight
sync_mv | depth; null: 300, on 525/60 luma and composite 285.7
sync_level | of sync, hsync, vsync: 75-ohm, ttl; null: ttl with rgb-hv, else 75-ohm
sync_faults | sync pulses dropped_per_s, doubled_per_s, glitches_per_s (under 1 us), seed
burst_mv_pp | null: 285.7 or 300
source_ohm | output resistance of every signal but logic levels (130)
noise_mv_rms | in every picture signal that has none of its own
interference | mv_pp and frequency_hz, in every picture signal that has none of its own
line_jitter_ns | rms, every line by itself, all signals together
warm_up | gain that creeps from switching on: pct_per_min at first, time_constant_s; setting it switches the unit on

set.ROLE | one of red, green, blue, luma, composite, sync, hsync, vsync
--- | ---
gain_percent | gain of the output stage; it scales everything on this connector, sync and burst too
dc_offset_mv | added by the output stage, ahead of a coupling capacitor
coupling_ms | time constant of the coupling capacitor with source and load
bandwidth_mhz | one pole
compression | above knee_mv over blanking the output rises by slope mV a mV
noise_mv_rms | null: the unit's
interference | null: the unit's
disconnected | nothing reaches the scope
source_ohm | output resistance of this signal, of a logic level too; null: the unit's
series_resistor | false: bridged; source of 0 ohm, and the open-circuit level whatever the load
polarity | of sync, hsync, vsync pulses: negative, positive; null: that of the system
ladder | null: the unit's
warm_up | null: the unit's
drop_out | now and then lines lose: loses picture, sync or all, for lines, on average every_s, seed

front | meaning
--- | ---
terminated | true (75 ohm), false, double (37.5), fifty-ohm
noise_mv_rms | at the scope's input in whatever band is in force; null: 0.025 divisions
noise_band_mhz | one pole that colours the noise; null: white
timebase_error_ppm | by so much the scope's times are too long

The external trigger input, where a dialect has one, is on a tee with CH4: it sees that signal whether CH4 is on or not.

front.CHn | what is wrong with one input, n from 1 to 4
--- | ---
gain_error_pct | at the probe tip
offset_error_mv | at the probe tip
inl_lsb | largest state error of the converter's smooth curve, in its own LSB
inl_seed | of that curve
probe_ratio | the probe that really is there; the scope is told another by SCPI
compensation_pct | what the probe adds to every edge, above 0 over-compensated
compensation_tau_us | how long that takes to die away
terminated | null: as the front end
clipped_to | the signal that its probe is on, of those that the format has; null: the one that the format has for it
"""

import dataclasses
import json
from collections.abc import Awaitable, Callable
from typing import Any

from .face import Face
from .faults import Fault
from .front_end import changed_front
from .settings import BadSetting, number
from .truth import truth
from .unit_settings import changed_unit


class Control:
    """Answers requests about one instrument; `faults_changed` is awaited before a change of faults is confirmed."""

    def __init__(
        self,
        face: Face,
        about: dict[str, object],
        faults_changed: Callable[[], Awaitable[None]],
    ) -> None:
        self._face = face
        self._instrument = face.instrument
        self._faults = face.faults
        self._about = about
        self._faults_changed = faults_changed
        self._requests: dict[str, Callable[[Any], dict[str, object]]] = {
            "set": self._set,
            "front": self._front,
            "fault": self._fault,
            "get": self._get,
            "advance": self._advance,
        }

    async def respond(self, line: bytes) -> bytes:
        """The answer to one line, with its line feed. A request that fails changes nothing."""
        try:
            answer = {"ok": True, **self._answer(line)}
            await self._faults_changed()
        except BadSetting as error:
            answer = {"error": str(error)}
        return json.dumps(answer).encode() + b"\n"

    def _answer(self, line: bytes) -> dict[str, object]:
        try:
            request = json.loads(line)
        except (ValueError, RecursionError):
            raise BadSetting("A request is one JSON object a line; this line is not JSON.") from None
        if not isinstance(request, dict) or len(request) != 1:
            raise BadSetting(f"A request is an object with one key of {', '.join(self._requests)}.")
        verb, value = next(iter(request.items()))
        if verb not in self._requests:
            raise BadSetting(f"There is no request {json.dumps(verb)}; there are {', '.join(self._requests)}.")
        return self._requests[verb](value)

    def _set(self, values: Any) -> dict[str, object]:
        self._instrument.set_unit(changed_unit(self._instrument.unit, values))
        return {}

    def _front(self, values: Any) -> dict[str, object]:
        self._instrument.set_front(changed_front(self._instrument.front, values))
        return {}

    def _fault(self, name: Any) -> dict[str, object]:
        if name is None:
            self._faults.clear()
        elif isinstance(name, str) and name in set(Fault):
            self._faults.add(Fault(name))
        else:
            raise BadSetting(f"fault must be null or one of {', '.join(Fault)}, not {json.dumps(name)[:80]}.")
        return {}

    def _get(self, what: Any) -> dict[str, object]:
        instrument = self._instrument
        if what == "truth":
            return {"truth": truth(instrument.unit, instrument.front, instrument.switched_on_for_s)}
        if what == "state":
            return {"state": self._state()}
        raise BadSetting(f'get must be one of "truth", "state", not {json.dumps(what)[:80]}.')

    def _advance(self, seconds: Any) -> dict[str, object]:
        clock = self._instrument.clock
        if clock.waits:
            raise BadSetting("advance needs the fast clock; the real one goes by itself.")
        try:
            clock.advance_to(clock.now_s() + number(0, 1e6)(seconds))
        except ValueError as error:
            raise BadSetting(f"advance must be {error}, not {json.dumps(seconds)[:80]}.") from None
        return {}

    def _state(self) -> dict[str, object]:
        return {
            "unit": dataclasses.asdict(self._instrument.unit),
            "front": dataclasses.asdict(self._instrument.front),
            "faults": self._faults.names(),
            "remote": self._face.remote,
            **self._about,
        }
