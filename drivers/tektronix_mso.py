"""MSO, DPO and MDO series, and the simulated scope's `outgoing`.

Source: programmer manuals of the MDO4000B (appendix D) and TDS5000B series; what is common with older series stands in
`tektronix.py`. The range is moved by CH<x>:OFFSet, in volts; a position in divisions, which moves the trace, is set to 0.
PRObe:GAIN is the reciprocal of the probe's ratio, and BANdwidth can be answered in hertz.

Not verified on an instrument: steps of time base and record length (what is set is read back; a shorter screen is an
error), the names of the external input (none is offered), and which models have 12 bits and how many channels.
A delayed time base is left as it is; where it is on, HORizontal:POSition is without effect.
From memory: that *OPT? is answered, which models go to 50 ohm, and the gain specification, 3 % of the reading.
"""

import re
from dataclasses import replace

from .capture import GainSpec
from .channel_counts import channel_count, told_count
from .errors import ReplyError
from .family import Abilities, ChannelPlan, Family, Plan, step_up
from .identity import Identity
from .present_setup import ChannelSetup, ScopeSetup, SettingsTree
from .replies import number
from .tektronix import TektronixDriver

TIME_STEPS = (1.0, 2.0, 4.0)
LENGTHS = (1_000, 10_000, 100_000, 1_000_000, 10_000_000)
LIMITER_HZ = 20e6
GAIN_SPEC = GainSpec(3.0, "reading", from_data_sheet=False)
COUNTS, THIRD = "2468", ":SEL:CH3?"

TREE = SettingsTree(
    channel={"on": ":SEL:CH{n}", "probe": ":CH{n}:PRO:GAIN", "impedance": ":CH{n}:TER", "scale": ":CH{n}:SCA"}
    | {"position": ":CH{n}:OFFS", "trace": ":CH{n}:POS", "coupling": ":CH{n}:COUP", "limiter": ":CH{n}:BAN"}
    | {"inverted": ":CH{n}:INV", "level": ":TRIG:A:LEV:CH{n}"},
    scope={"time_scale": ":HOR:SCA", "time_position": ":HOR:POS", "points": ":HOR:RECO"}
    | {"acquisition": ":ACQ:MODE", "stop_after": ":ACQ:STOPA"}
    | {"trigger_source": ":TRIG:A:EDGE:SOU", "slope": ":TRIG:A:EDGE:SLO", "trigger_coupling": ":TRIG:A:EDGE:COUP"}
    | {"trigger_mode": ":TRIG:A:MOD", "trigger_type": ":TRIG:A:TYP"},
    centre_v=lambda volts_per_div, offset_v: offset_v,
    divisions=10,
)


def abilities_of(identity: Identity) -> Abilities:
    """MSO44 to MSO68 have 12 bits, all others 8. Inputs go to 50 ohm."""
    bits = 12 if identity.is_simulated or re.match(r"MSO ?[456]\d(\D|$)", identity.model, re.IGNORECASE) else 8
    channels = channel_count(identity, THIRD, COUNTS)
    return Abilities(channels, bits, LENGTHS, GAIN_SPEC, video_trigger=True, fifty_ohm_input=True)


class TektronixMso(TektronixDriver):
    """One instrument of the family."""

    tree = TREE
    abilities_of = staticmethod(abilities_of)
    preamble_query = "WFMO"
    trigger = "TRIG:A"

    def configure(self, plan: Plan) -> None:
        super().configure(plan)
        span_s = self._ask(":HOR:SCA?") * TREE.divisions
        if span_s < plan.span_s * 0.999:
            what = f"a screen of {span_s:g} s where {plan.span_s:g} s at least were set"
            raise ReplyError(what, where=self._where, do="check that the right instrument family is in use")

    def _record_length(self, points: int) -> int:
        return next((length for length in LENGTHS if length >= points), LENGTHS[-1])

    def _channel_message(self, number: int, plan: ChannelPlan, limiter: bool) -> str:
        return (
            f":CH{number}:TER 1E6;COUP DC;INV OFF;BAN {'TWE' if limiter else 'FUL'}"
            f";SCA {plan.volts_per_div:g};POS 0;OFFS {plan.centre_v:.4g}"
        )

    def _time_message(self, span_s: float) -> str:
        return f":HOR:SCA {step_up(span_s / TREE.divisions, TIME_STEPS):g};POS 50"

    def _trigger_message(self, plan: Plan) -> str:
        source = f"CH{self._number(plan.trigger_channel)}"
        return f":TRIG:A:EDGE:SOU {source};SLO FALL;COUP DC;:TRIG:A:LEV:{source} {plan.trigger_level_v:.4g}"

    def _understood(self, setup: ScopeSetup) -> ScopeSetup:
        channels = tuple(self._channel(setup, channel) for channel in setup.channels)
        level = f":TRIG:A:LEV:{setup.trigger_source}"
        level_v = self._value(setup, level) if level in dict(setup.kept) else 0.0
        return replace(setup, channels=channels, trigger_level_v=level_v)

    def _channel(self, setup: ScopeSetup, channel: ChannelSetup) -> ChannelSetup:
        """What the table tells in this dialect's own terms: gain for ratio, a position besides the offset, hertz."""
        gain = self._value(setup, f":{channel.name}:PRO:GAIN")
        if gain < 1e-6:
            raise ReplyError(f"a probe of gain {gain:g}", where=self._where, do="check its settings")
        centre_v = channel.centre_v - self._value(setup, f":{channel.name}:POS") * channel.volts_per_div
        band = setup.reply(f":{channel.name}:BAN").upper()
        limiter = band.startswith("TWE")
        if not band.startswith(("TWE", "FUL")):
            limiter = self._value(setup, f":{channel.name}:BAN") <= LIMITER_HZ
        return replace(channel, probe_ratio=1 / gain, centre_v=centre_v, limiter=limiter)

    def _value(self, setup: ScopeSetup, header: str) -> float:
        return number(setup.reply(header), of=f"{header}?", where=self._where)


TEKTRONIX_MSO = Family(
    name="tektronix-mso",
    series="MSO, DPO and MDO series",
    identities=(r"TEKTRONIX,(MSO|DPO|MDO) ?\d\d", r"PEAKWHITE,SIM-OUTGOING(-1002)?,"),
    ways=("USBTMC", "VXI-11", "raw socket"),
    abilities=abilities_of,
    driver=TektronixMso,
    has_options=True,
    unsure_of=lambda identity: () if told_count(identity, COUNTS) else (THIRD,),
)
