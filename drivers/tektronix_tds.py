"""TDS200/1000/2000, TPS2000 and TBS1000 series up to the TBS1000B, and the simulated scope's `curve`.

Source: programmer manuals 071-1075 and 077-0444; what is common with other series stands in `tektronix.py`.

A model has four channels where its number ends in 4, and two else (of a TDS 2001C too); a wrong count shows as a refused
setting. The TBS1000C and TBS2000 series are not claimed: manuals of their own describe them, which were not read, and secondary
texts say that they have WFMOutpre and longer records. Who has one can try --family tektronix-mso.

Most models have records of 2500 points and refuse any other length.
The gain specification, 3 % of the reading, is from memory: no data sheet was read.
"""

from .capture import EXT, GainSpec
from .channel_counts import told_count
from .family import Abilities, ChannelPlan, Family, Plan, step_up
from .identity import Identity
from .present_setup import SettingsTree
from .tektronix import TektronixDriver

TIME_STEPS = (1.0, 2.5, 5.0)
GAIN_SPEC = GainSpec(3.0, "reading", from_data_sheet=False)

TREE = SettingsTree(
    channel={"on": ":SEL:CH{n}", "probe": ":CH{n}:PRO", "scale": ":CH{n}:SCA", "position": ":CH{n}:POS"}
    | {"coupling": ":CH{n}:COUP", "limiter": ":CH{n}:BAN", "inverted": ":CH{n}:INV"},
    scope={"time_scale": ":HOR:MAI:SCA", "time_position": ":HOR:MAI:POS", "points": ":HOR:RECO"}
    | {"acquisition": ":ACQ:MODE", "stop_after": ":ACQ:STOPA"}
    | {"trigger_source": ":TRIG:MAI:EDGE:SOU", "slope": ":TRIG:MAI:EDGE:SLO", "trigger_level": ":TRIG:MAI:LEV"}
    | {"trigger_coupling": ":TRIG:MAI:EDGE:COUP", "trigger_mode": ":TRIG:MAI:MOD", "trigger_type": ":TRIG:MAI:TYP"},
    centre_v=lambda volts_per_div, position_div: -position_div * volts_per_div,
    divisions=10,
)


def abilities_of(identity: Identity) -> Abilities:
    """Of 8 bits, 2500 points fixed, 1 megohm; EXT and a video trigger are in every model of the manuals."""
    channels = 4 if told_count(identity) == 4 else 2
    return Abilities(channels, 8, (2500,), GAIN_SPEC, video_trigger=True, ext_input=True)


class TektronixTds(TektronixDriver):
    """One instrument of the family."""

    tree = TREE
    abilities_of = staticmethod(abilities_of)
    preamble_query = "WFMP"
    trigger = "TRIG:MAI"

    def _channel_message(self, number: int, plan: ChannelPlan, limiter: bool) -> str:
        position_div = -plan.centre_v / plan.volts_per_div
        return (
            f":CH{number}:COUP DC;INV OFF;BAN {'ON' if limiter else 'OFF'}"
            f";SCA {plan.volts_per_div:g};POS {position_div:z.4g}"
        )

    def _time_message(self, span_s: float) -> str:
        return f":HOR:MAI:SCA {step_up(span_s / TREE.divisions, TIME_STEPS):g};POS 0"

    def _trigger_message(self, plan: Plan) -> str:
        source = EXT if plan.trigger_channel == EXT else f"CH{self._number(plan.trigger_channel)}"
        return f":TRIG:MAI:EDGE:SOU {source};SLO FALL;COUP DC;:TRIG:MAI:LEV {plan.trigger_level_v:.4g}"


TEKTRONIX_TDS = Family(
    name="tektronix-tds",
    series="TDS, TPS and TBS1000 series",
    identities=(r"TEKTRONIX,((TDS|TPS) ?(2\d\d|[12]\d{3})|TBS ?1\d{3}(?![C\d]))", r"PEAKWHITE,SIM-CURVE(-1002)?,"),
    ways=("USBTMC", "raw socket"),
    abilities=abilities_of,
    driver=TektronixTds,
)
