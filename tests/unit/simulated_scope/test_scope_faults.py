"""Every fault of the simulated scope, seen from a client."""

import itertools
import subprocess
import sys
from collections.abc import Callable
from typing import Any

import pytest

from peakwhite.simulated_scope.faults import Fault

Start = Callable[..., Any]

SETUP = "HEAD OFF;:HOR:RECO 2500;:DAT:SOU CH1;STAR 1;STOP 2500;:ACQ:STOPA SEQ;STATE RUN;*OPC?"


@pytest.fixture(scope="module")
def running(start_scope: Start) -> Any:
    return start_scope("--clock", "fast")


@pytest.fixture
def scope(running: Any) -> Any:
    """The module's scope with a record in memory, faults cleared afterwards."""
    assert running.client().ask(SETUP) == "1"
    yield running
    assert running.control({"fault": None}) == {"ok": True}
    assert running.client().ask("*IDN?;*CLS").startswith("PEAKWHITE,SIM-CURVE")


def switched_on(scope: Any, fault: str) -> Any:
    """A client of the scope with that fault."""
    client = scope.client()
    assert scope.control({"fault": fault}) == {"ok": True}
    return client


def says_nothing(client: Any, within_s: float = 0.2) -> bool:
    client.socket.settimeout(within_s)
    try:
        client.socket.recv(1)
    except TimeoutError:
        return True
    return False


def test_refuse_connections_closes_the_port_and_opens_the_same_one_again(scope: Any) -> None:
    standing = switched_on(scope, "refuse-connections")
    with pytest.raises(ConnectionRefusedError):
        scope.client()
    assert standing.ask("*OPC?") == "1"
    scope.control({"fault": None})
    assert scope.client().ask("*OPC?") == "1"


def test_switched_off_ends_every_connection_and_comes_back_with_factory_settings(start_scope: Start) -> None:
    scope = start_scope("--clock", "fast")
    standing = scope.client()
    assert standing.ask("CH1:SCA 0.5;:HEAD OFF;:CH1:SCA?") == "5.0E-1"
    assert [standing.ask("*ESR?"), standing.ask("*ESR?")] == ["128", "0"]
    scope.control({"fault": "switched-off"})
    assert standing.rest() == b""
    with pytest.raises(ConnectionRefusedError):
        scope.client()
    scope.control({"fault": None})
    back = scope.client()
    assert back.ask("HEAD OFF;*ESR?") == "128"
    assert back.ask("CH1:SCA?") == "1.0E0"
    assert back.ask("ACQ:STATE?") == "1"


def test_switched_off_from_the_start(start_scope: Start) -> None:
    off = start_scope("--fault", "switched-off")
    with pytest.raises(ConnectionRefusedError):
        off.client()
    off.control({"fault": None})
    assert off.client().ask("*OPC?") == "1"


def test_refuse_connections_from_the_start(start_scope: Start) -> None:
    refusing = start_scope("--fault", "refuse-connections")
    with pytest.raises(ConnectionRefusedError):
        refusing.client()
    refusing.control({"fault": None})
    assert refusing.client().ask("*OPC?") == "1"


def test_drop_mid_block_ends_the_connection_in_the_block(scope: Any) -> None:
    client = switched_on(scope, "drop-mid-block")
    assert client.ask("*OPC?") == "1"
    client.write("CURV?")
    received = client.rest()
    assert received.startswith(b"#42500")
    assert len(received) < 2000


def test_stall_once_stops_half_way_once(scope: Any) -> None:
    client = switched_on(scope, "stall-once")
    client.write("CURV?")
    assert len(client.exactly(1253)) == 1253
    assert says_nothing(client)
    other = scope.client()
    assert len(other.block("CURV?")) == 2500
    assert scope.control({"get": "state"})["state"]["faults"] == []


def test_silent_carries_out_but_does_not_answer(scope: Any) -> None:
    client = switched_on(scope, "silent")
    client.write("CH1:SCA 0.5;*IDN?")
    assert says_nothing(client)
    scope.control({"fault": None})
    assert scope.client().ask("CH1:SCA?") == "5.0E-1"


def test_answer_late_answers_after_any_sensible_time_out(scope: Any) -> None:
    client = switched_on(scope, "answer-late")
    client.write("*OPC?")
    assert says_nothing(client)
    client.socket.settimeout(30.0)
    assert client.socket.recv(10) == b"1\n"


def test_answer_twice_says_everything_again(scope: Any) -> None:
    client = switched_on(scope, "answer-twice")
    client.write("CH1:COUP?")
    assert [client.line(), client.line()] == ["DC", "DC"]
    assert says_nothing(client)


def test_truncate_block_sends_half_of_what_its_header_says(scope: Any) -> None:
    client = switched_on(scope, "truncate-block")
    client.write("CURV?;*OPC?")
    assert client.exactly(6) == b"#42500"
    assert client.exactly(1250 + 3).endswith(b";1\n")


def test_header_too_long_announces_more_than_follows(scope: Any) -> None:
    client = switched_on(scope, "header-too-long")
    client.write("CURV?")
    assert client.exactly(6) == b"#43500"
    assert client.exactly(2501).endswith(b"\n")
    assert says_nothing(client)


def test_header_too_short_announces_less_than_follows(scope: Any) -> None:
    client = switched_on(scope, "header-too-short")
    client.write("CURV?")
    assert client.exactly(6) == b"#41250"
    assert client.exactly(2501).endswith(b"\n")


def test_garbage_is_no_answer_to_anything(scope: Any) -> None:
    client = switched_on(scope, "garbage")
    first, second = client.ask("*IDN?"), client.ask("*IDN?")
    assert not first.startswith("PEAKWHITE")
    assert first != second


def test_preamble_field_missing_lacks_the_end(scope: Any) -> None:
    client = switched_on(scope, "preamble-field-missing")
    answer = client.ask("WFMP?")
    assert answer.count(";") == 12
    assert not answer.endswith('"Volts"')


@pytest.mark.parametrize(("fault", "scale"), [("scale-zero", "0.0E0"), ("scale-nan", "NAN"), ("scale-absurd", "1.0E6")])
def test_a_scale_that_cannot_be(scope: Any, fault: str, scale: str) -> None:
    assert switched_on(scope, fault).ask("WFMP:YMU?") == scale


def test_empty_record_is_a_block_of_nothing(scope: Any) -> None:
    assert switched_on(scope, "empty-record").ask("CURV?") == "#10"


def test_points_disagree_by_a_hundred(scope: Any) -> None:
    client = switched_on(scope, "points-disagree")
    assert client.ask("WFMP:NR_P?") == "2600"
    assert len(client.block("CURV?")) == 2500


def test_time_step_zero_is_printed_without_digits(scope: Any) -> None:
    assert switched_on(scope, "time-step-zero").ask("WFMP:XIN?") == "0.000000"


def test_text_before_block_and_extra_line_feed_wrap_a_block(scope: Any) -> None:
    switched_on(scope, "extra-line-feed")
    client = switched_on(scope, "text-before-block")
    client.write("CURV?")
    assert client.exactly(11) == b"DAT2,#42500"
    assert client.exactly(2502).endswith(b"\n\n")
    assert says_nothing(client)


def test_identity_changes(scope: Any) -> None:
    assert switched_on(scope, "identity-changes").ask("*IDN?") == "PEAKWHITE,ANOTHER,SIM000002,1.0"


def test_error_queue_overflow_fills_the_queue_at_every_message(scope: Any) -> None:
    client = switched_on(scope, "error-queue-overflow")
    client.ask("*ESR?")
    events = client.ask("ALLE?")
    assert events.count("310,") == 19
    assert events.endswith('350,"Queue overflow"')


def test_another_client_changes_something_every_so_many_messages(scope: Any) -> None:
    asked = "CH1:SCA?;:ACQ:STATE?;:TRIG:MAI:LEV?;:SEL:CH1?"
    client = switched_on(scope, "another-client")
    answers = [client.ask(asked) for _ in range(7 * 17)]
    changes = sum(one != other for one, other in itertools.pairwise(answers))
    assert 4 <= changes <= 7
    scope.control({"fault": None})
    assert len({client.ask(asked) for _ in range(2 * 17)}) == 1
    client.ask("*RST;:HEAD OFF;*OPC?")


def test_range_turned_once_doubles_the_range_and_the_preamble_of_the_record_that_is_held(scope: Any) -> None:
    client = switched_on(scope, "range-turned-once")
    before = float(client.ask("WFMP:YMU?"))
    data = client.block("CURV?")
    assert float(client.ask("WFMP:YMU?")) == 2 * before
    assert client.block("CURV?") == data
    assert client.ask(SETUP) == "1"
    assert float(client.ask("WFMP:YMU?")) == 2 * before
    assert client.block("CURV?") != data
    client.ask("*RST;:HEAD OFF;*OPC?")


def test_the_second_dialect_has_the_faults_of_waveforms_too(start_scope: Start) -> None:
    scope = start_scope("--clock", "fast", "--dialect", "preamble", "--fault", "scale-nan", "--fault", "truncate-block")
    client = scope.client()
    client.write(":SING;:WAV:MODE RAW;STOP 1000;:TRIG:STAT?;:TRIG:STAT?")
    client.line()
    assert client.ask(":WAV:PRE?").split(",")[7] == "NAN"
    client.write(":WAV:DATA?")
    assert client.exactly(11) == b"#9000001000"
    assert client.exactly(501).endswith(b"\n")


def test_help_says_of_every_fault_what_it_does() -> None:
    command = [sys.executable, "-m", "peakwhite.simulated_scope", "--help"]
    shown = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout
    assert all(f"  {fault:24}{fault.does}\n" in shown for fault in Fault)
    assert all(len(fault.does) > 15 and fault.does.endswith(".") for fault in Fault)
