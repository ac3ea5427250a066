"""Which family an instrument belongs to, by identification strings as instruments give them."""

from dataclasses import replace

import pytest

from peakwhite.drivers.errors import InstrumentRejected, UnknownInstrument, UsageError
from peakwhite.drivers.families import FAMILIES, family_named, family_of
from peakwhite.drivers.family import Family, channel_number, step_up
from peakwhite.drivers.identity import Identity

KNOWN = [
    ("TEKTRONIX,TDS 210,0,CF:91.1CT FV:v1.09", "tektronix-tds", 2),
    ("TEKTRONIX,TDS 2024C,C000000,CF:91.1CT FV:v24.26", "tektronix-tds", 4),
    ("TEKTRONIX,TDS 1001B,C000000,CF:91.1CT FV:v22.11", "tektronix-tds", 2),
    ("TEKTRONIX,TDS 2001C,C000000,CF:91.1CT FV:v24.26", "tektronix-tds", 2),
    ("TEKTRONIX,TBS 1202B-EDU,C010396,CF:91.1CT FV:v4.0", "tektronix-tds", 2),
    ("PEAKWHITE,SIM-CURVE,SIM000001,1.0", "tektronix-tds", 4),
    ("TEKTRONIX,MSO54,C000000,CF:91.1CT FV:1.28", "tektronix-mso", 4),
    ("TEKTRONIX,MSO58,C000000,CF:91.1CT FV:1.28", "tektronix-mso", 8),
    ("TEKTRONIX,DPO4032,C000000,CF:91.1CT FV:v2.68", "tektronix-mso", 2),
    ("TEKTRONIX,MDO4104B-6,C000000,CF:91.1CT FV:v3.14", "tektronix-mso", 4),
    ("PEAKWHITE,SIM-OUTGOING,SIM000001,1.0", "tektronix-mso", 4),
    ("RIGOL TECHNOLOGIES,DS1104Z,DS1ZA000000000,00.04.04.SP4", "rigol-1000z", 4),
    ("Rigol Technologies,DS1102Z-E,DS1ZE000000000,00.06.02", "rigol-1000z", 2),
    ("PEAKWHITE,SIM-PREAMBLE,SIM000001,1.0", "rigol-1000z", 4),
    ("RIGOL TECHNOLOGIES,DHO804,DHO8A0000,00.01.02", "rigol-dho", 4),
    ("RIGOL TECHNOLOGIES,DHO812,DHO8A0000,00.01.02", "rigol-dho", 2),
    ("RIGOL TECHNOLOGIES,DHO924S,DHO9A0000,00.01.02", "rigol-dho", 4),
    ("PEAKWHITE,SIM-WORDS,SIM000001,1.0", "rigol-dho", 4),
    ("RIGOL TECHNOLOGIES,MSO5104,MS5A000000000,00.01.03.02.02", "rigol-mso5000", 4),
    ("RIGOL TECHNOLOGIES,MSO5072,MS5A000000000,00.01.03.02.02", "rigol-mso5000", 2),
    ("PEAKWHITE,SIM-SETTLING,SIM000001,1.0", "rigol-mso5000", 4),
    ("AGILENT TECHNOLOGIES,DSO-X 2024A,MY00000000,02.43.2018020635", "keysight-infiniivision", 4),
    ("KEYSIGHT TECHNOLOGIES,MSO-X 3054T,MY00000000,07.20", "keysight-infiniivision", 4),
    ("KEYSIGHT TECHNOLOGIES,EDU-X 1002A,CN00000000,01.10", "keysight-infiniivision", 2),
    ("Keysight Technologies,DSOX1102G,CN00000000,01.20", "keysight-infiniivision", 2),
    ("PEAKWHITE,SIM-REGISTER,SIM000001,1.0", "keysight-infiniivision", 4),
    ("Rohde&Schwarz,RTB2004,1333.1005k04/000000,02.400", "rohde-schwarz-rtb", 4),
    ("ROHDE&SCHWARZ,HMO1202,000000000,5.880", "rohde-schwarz-rtb", 2),
    ("HAMEG,HMO1024,000000000,5.400", "rohde-schwarz-rtb", 4),
    ("PEAKWHITE,SIM-HEADER,SIM000001,1.0", "rohde-schwarz-rtb", 4),
    ("Siglent Technologies,SDS1104X-E,SDS100000000,8.1.6.1.35R2", "siglent-1000xe", 4),
    ("SIGLENT TECHNOLOGIES,SDS1072CML,SDS100000000,5.01.02.32", "siglent-1000xe", 2),
    ("LECROY,T3DSO1204,LCRY0000C00000,8.2.6.1.37", "siglent-1000xe", 4),
    ("PEAKWHITE,SIM-SPARSED,SIM000001,1.0", "siglent-1000xe", 4),
    ("Siglent Technologies,SDS2104X Plus,SDS2P0000000,1.3.5R10", "siglent-2000xplus", 4),
    ("Siglent Technologies,SDS814X HD,SDS8P0000000,1.1.3.3", "siglent-2000xplus", 4),
    ("SIGLENT,SDS1104X HD,SDS1P0000000,1.1.3.3", "siglent-2000xplus", 4),
    ("Siglent Technologies,SDS5104X,SDS5P0000000,0.9.9", "siglent-2000xplus", 4),
    ("PEAKWHITE,SIM-DESCRIPTOR,SIM000001,1.0", "siglent-2000xplus", 4),
]
UNKNOWN = [
    "TEKTRONIX,TBS2104B,C000000,CF:91.1CT FV:v1.27",
    "TEKTRONIX,TBS1202C,C000000,CF:91.1CT FV:v1.27",
    "RIGOL TECHNOLOGIES,DHO1074,DHO1A0000,00.02.00",
    "RIGOL TECHNOLOGIES,MSO7034,MS7A000000000,00.01.01",
    "AGILENT TECHNOLOGIES,34401A,0,10-5-2",
    "KEYSIGHT TECHNOLOGIES,DSO-X 6004A,MY00000000,07.20",
    "Rohde&Schwarz,FSW-26,1312.8000K26/000000,1.70",
    "Siglent Technologies,SDG2042X,SDG2000000000,2.01.01.37",
    "Siglent Technologies,SDS3054,SDS3000000000,1.0",
    "PEAKWHITE,SIM-OTHER,SIM000001,1.0",
    "",
]


@pytest.mark.parametrize(("identity", "name", "channels"), KNOWN)
def test_an_instrument_finds_its_family_and_count_of_channels(identity: str, name: str, channels: int) -> None:
    assert family_of(identity, where="scope").name == name
    assert family_of(identity, where="scope").abilities(Identity(identity)).channels == channels
    assert sum(family.knows(identity) for family in FAMILIES) == 1


@pytest.mark.parametrize("identity", UNKNOWN)
def test_an_unknown_instrument_is_told_what_is_supported_and_how_to_force_it(identity: str) -> None:
    with pytest.raises(UnknownInstrument) as caught:
        family_of(identity, where="scope")
    for part in (*(family.name for family in FAMILIES), "--family NAME", 'family = "NAME" under [scope]'):
        assert part in caught.value.do


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)
def test_a_model_that_does_not_tell_has_two_channels_or_four_where_it_answers_about_the_third(family: Family) -> None:
    vague = Identity("MAKER,MODEL NINE,0,1.0")
    assert family.abilities(vague).channels == 2
    questions = family.unsure_of(vague)
    assert bool(questions) is (family.name != "tektronix-tds")
    if questions:
        assert family.abilities(replace(vague, answered=frozenset(questions))).channels == 4


@pytest.mark.parametrize(("identity", "name", "channels"), KNOWN)
def test_of_a_model_that_tells_its_channels_nothing_is_asked_about_them(
    identity: str, name: str, channels: int
) -> None:
    assert not [one for one in family_named(name).unsure_of(Identity(identity)) if "3" in one]


def test_a_family_is_found_by_its_name() -> None:
    assert [family_named(family.name) for family in FAMILIES] == list(FAMILIES)


@pytest.mark.parametrize("identity", [identity for identity, _, _ in KNOWN])
def test_only_the_simulated_scope_has_a_specification_that_is_known_for_sure(identity: str) -> None:
    spec = family_of(identity, where="scope").gain_spec_of(Identity(identity))
    assert spec is not None
    assert spec.from_data_sheet is identity.startswith("PEAKWHITE,")


def test_an_instrument_of_another_family_has_no_specification() -> None:
    assert FAMILIES[0].gain_spec_of(Identity("PEAKWHITE,SIM-OTHER,SIM000001,1.0")) is None


def test_a_wrong_family_name_gets_the_nearest_one() -> None:
    with pytest.raises(UsageError, match="the nearest is 'rigol-1000z'"):
        family_named("rigol-100z")


def test_channels_are_known_by_number() -> None:
    assert [channel_number(name, 4, where="scope") for name in ("CH1", "ch2", "CHAN3", "Channel4")] == [1, 2, 3, 4]


@pytest.mark.parametrize("name", ["CH3", "CH0", "red", "", "CH1;*RST"])
def test_a_channel_that_is_not_there_is_rejected(name: str) -> None:
    with pytest.raises(InstrumentRejected, match="it has CH1, CH2"):
        channel_number(name, 2, where="scope")


@pytest.mark.parametrize(
    ("value", "step"),
    [(50e-6, 50e-6), (51e-6, 100e-6), (41.7e-6, 50e-6), (2.5e-3, 2.5e-3), (2.6e-3, 5e-3), (9.9, 10.0)],
)
def test_steps_go_up_to_the_next_of_their_series(value: float, step: float) -> None:
    assert step_up(value, (1.0, 2.5, 5.0)) == pytest.approx(step)
