"""Reading a set-up by a dialect's table, and giving it back."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from peakwhite.drivers.errors import LinkTimeout, ReplyError
from peakwhite.drivers.kept import ask_chained
from peakwhite.drivers.links import Link
from peakwhite.drivers.present_setup import SettingsTree, channel_name, give_back, is_on, read_kept, setup_of

Script = Callable[[Sequence[tuple[str, str | bytes | None]]], Link]

TREE = SettingsTree(
    channel={"on": "C{n}:ON", "probe": "C{n}:PR", "scale": "C{n}:SC", "position": "C{n}:PO"}
    | {"coupling": "C{n}:CO", "limiter": "C{n}:BW"},
    scope={"time_scale": "T:SC", "trigger_source": "E:SO", "slope": "E:SL", "trigger_mode": "E:MO"},
    centre_v=lambda volts_per_div, offset_v: -offset_v,
    divisions=10,
    arguments={"C{n}:PR": "VAL,{}"},
)
KEPT = (
    *(("C1:ON", "1"), ("C1:PR", "10"), ("C1:SC", "2.0E-1"), ("C1:PO", "-0.3"), ("C1:CO", "DC"), ("C1:BW", "FULL")),
    *(("C2:ON", "OFF"), ("C2:PR", "1"), ("C2:SC", "1"), ("C2:PO", "0"), ("C2:CO", "AC"), ("C2:BW", "20M")),
    *(("T:SC", "5E-5"), ("E:SO", "CHAN2"), ("E:SL", "NEG"), ("E:MO", "NORMAL")),
)


def test_a_set_up_is_asked_for_header_by_header(script: Script) -> None:
    assert read_kept(script([(f"{header}?", reply) for header, reply in KEPT]), TREE, 2) == KEPT


class Fewer:
    """A link to a scope of one channel, which says nothing about others."""

    resource, dirty = "scope", False

    def __init__(self, silent: str) -> None:
        self.silent = silent

    def query(self, command: str) -> str:
        if command.startswith(self.silent):
            raise LinkTimeout("no answer within 2 s", where="scope", do="check the cable")
        return dict(KEPT)[command.removesuffix("?")]

    def query_block(self, command: str, limit_bytes: int) -> memoryview:
        raise AssertionError(command)

    def write(self, command: str) -> None: ...

    def clear(self) -> None: ...

    def close(self) -> None: ...


def test_a_channel_that_stays_silent_after_the_first_one_is_told_as_a_count_that_may_be_wrong() -> None:
    with pytest.raises(LinkTimeout, match="about CH2, as if it had fewer than the 2 channels") as caught:
        read_kept(Fewer("C2:"), TREE, 2)
    assert "*IDN?" in caught.value.do


@pytest.mark.parametrize("silent", ["C1:", "T:"])
def test_silence_about_all_is_not_laid_on_the_channels(silent: str) -> None:
    with pytest.raises(LinkTimeout, match="^scope: no answer within 2 s; check the cable$"):
        read_kept(Fewer(silent), TREE, 2)


@pytest.mark.parametrize(
    ("reply", "is_fifty"),
    [("FIFT", True), ("FIFTY", True), ("5.0E1", True), ("50.0000", True), ("50", True), ("+5.00E+01", True)]
    + [("ONEM", False), ("ONEMEG", False), ("1.0E6", False), ("1000000", False), ("5.0E+10", False), ("500", False)],
)
def test_an_impedance_is_understood_in_words_and_ohms(reply: str, is_fifty: bool) -> None:
    tree = replace(TREE, channel={**TREE.channel, "impedance": "C{n}:IM"})
    kept = (*KEPT, ("C1:IM", reply), ("C2:IM", "ONEM"))
    assert [one.fifty_ohm for one in setup_of(kept, tree, 2, running=True, where="scope").channels] == [is_fifty, False]


def test_a_coupling_can_stand_for_50_ohm() -> None:
    tree = replace(TREE, fifty_ohm_couplings=("AC",))
    assert [one.fifty_ohm for one in setup_of(KEPT, tree, 2, running=True, where="scope").channels] == [False, True]


def test_where_questions_can_be_chained_a_channel_is_one_message(script: Script) -> None:
    groups = (KEPT[:6], KEPT[6:12], KEPT[12:])
    pairs = [(";".join(f"{h}?" for h, _ in group), ";".join(reply for _, reply in group)) for group in groups]
    assert read_kept(script(pairs), TREE, 2, ask_chained) == KEPT


def test_another_count_of_answers_than_of_questions_is_an_error(script: Script) -> None:
    with pytest.raises(ReplyError, match="1 answers to 2 questions"):
        ask_chained(script([("A?;B?", "7")]), ("A", "B"))


@pytest.mark.parametrize("reply", ["CHANé", "20µs"])
def test_an_answer_that_could_not_be_given_back_is_refused_when_it_is_read(script: Script, reply: str) -> None:
    pairs = [(f"{header}?", reply if header == "E:SO" else value) for header, value in KEPT]
    with pytest.raises(ReplyError, match="E:SO. is answered with .*no ASCII"):
        read_kept(script(pairs), TREE, 2)


def test_a_set_up_is_understood() -> None:
    setup = setup_of(KEPT, TREE, 2, running=True, where="scope")
    first, second = setup.channels
    assert (first.name, first.on, first.volts_per_div, first.centre_v) == ("CH1", True, 0.2, 0.3)
    assert (first.coupling, first.limiter, first.probe_ratio, first.inverted) == ("DC", False, 10.0, False)
    assert (second.on, second.coupling, second.limiter) == (False, "AC", True)
    assert setup.span_s == pytest.approx(500e-6)
    assert (setup.trigger_source, setup.falling) == ("CH2", True)
    assert (setup.normal_mode, setup.running, setup.reply("C1:PR")) == (True, True, "10")


@pytest.mark.parametrize(("header", "reply"), [("C1:SC", "****"), ("C1:ON", "perhaps"), ("T:SC", "9.9E37")])
def test_an_answer_that_cannot_be_is_a_typed_error(header: str, reply: str) -> None:
    spoilt = tuple((name, reply if name == header else value) for name, value in KEPT)
    with pytest.raises(ReplyError):
        setup_of(spoilt, TREE, 2, running=True, where="scope")


def test_a_set_up_is_given_back_in_its_order_in_the_form_that_each_header_takes(script: Script) -> None:
    messages: list[tuple[str, str | bytes | None]] = [
        (f"{header} VAL,{reply}" if header.endswith("PR") else f"{header} {reply}", None) for header, reply in KEPT
    ]
    give_back(script(messages), TREE, setup_of(KEPT, TREE, 2, running=True, where="scope"))


@pytest.mark.parametrize(
    ("reply", "on"), [("1", True), ("on", True), ("INV", True), ("0", False), ("OFF", False), ("NORM", False)]
)
def test_switches_are_read_in_every_form(reply: str, on: bool) -> None:
    assert is_on(reply, where="scope") is on


@pytest.mark.parametrize(("word", "name"), [("CHAN4", "CH4"), ("C1", "CH1"), ("CHANNEL2", "CH2"), ("EXT", "EXT")])
def test_sources_are_named_like_channels(word: str, name: str) -> None:
    assert channel_name(word) == name
