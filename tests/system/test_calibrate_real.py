"""Calibrating on the real simulated scope, whose first channel reads 2.5 % too high, and what daemon and page then say."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from live_client import LiveClient, live_client
from peakwhite.daemon.acquisition import NoTrigger, Task
from peakwhite.daemon.config import Setup
from peakwhite.daemon.sources.scope import open_scope

pytestmark = pytest.mark.timeout(400)

OFF = 1.025
ANSWER_DEADLINE_S = 60.0


@pytest.fixture
def scope(children: Any) -> Any:
    """A simulated scope whose CH1 reads 2.5 % too high and 8 mV too high."""
    started = children.scope("--clock", "fast", "--seed", "9")
    started.ask({"front": {"CH1": {"gain_error_pct": 2.5, "offset_error_mv": 8.0}}})
    return started


@pytest.fixture
def calibrate(tmp_path: Path) -> Iterator[Callable[..., "Dialogue"]]:
    """Starts `peakwhite calibrate …` as a process."""
    begun: list[Dialogue] = []

    def begin(*arguments: str) -> Dialogue:
        begun.append(Dialogue(arguments, tmp_path))
        return begun[-1]

    yield begin
    for dialogue in begun:
        dialogue.end()


class Dialogue:
    """A run of `peakwhite calibrate` with somebody at the bench who does what it asks for."""

    def __init__(self, arguments: Sequence[str], folder: Path) -> None:
        environment = os.environ | {"XDG_CONFIG_HOME": str(folder), "XDG_STATE_HOME": str(folder)}
        pipe = subprocess.PIPE
        command = (sys.executable, "-m", "peakwhite.daemon", "calibrate", *arguments)
        self.process = subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=pipe, env=environment)
        self.asked = ""

    def until(self, question: str) -> None:
        """Read what it says until this question."""
        assert self.process.stderr is not None
        while not self.asked.endswith(question):
            letter = self.process.stderr.read(1).decode(errors="replace")
            assert letter, f"it ended, and never asked '{question}': {self.asked}"
            self.asked += letter

    def answer(self, text: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{text}\n".encode())
        self.process.stdin.flush()

    def result(self) -> Any:
        out, err = self.process.communicate(timeout=ANSWER_DEADLINE_S)
        assert self.process.returncode == 0, self.asked + err.decode()
        return json.loads(out)

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            if stream is not None:
                with suppress(OSError):
                    stream.close()


def signal_of(scope: Any, role: str) -> Any:
    return scope.ask({"get": "truth"})["truth"]["signals"][role]


def field_mean_mv(scope: Any, channel: str) -> float:
    """What a DC meter would read: the mean over one field period by the unit's own clock, wherever it begins."""
    line = scope.ask({"get": "truth"})["truth"]["line"]
    source = open_scope(scope.resource)
    try:
        source.configure(Task.FIELD, Setup())
        capture = source.capture(5.0)
        assert not isinstance(capture, NoTrigger)
    finally:
        source.close()
    samples = round(line["period_us"] * 1e-6 * line["lines_per_field"] / capture.seconds_per_sample)
    record = capture.channel(channel)
    assert record is not None
    return float(np.mean(record.codes[:samples], dtype=np.float64)) * record.mv_per_code + record.mv_at_code_zero


def red_of(daemon: Any) -> Any:
    """A fresh reading of red."""

    def fresh(reading: dict[str, Any]) -> bool:
        red = reading["channels"][0]
        return red["peak_white_mv"] is not None and not red["held"]

    client: LiveClient
    with live_client(daemon) as client:
        return client.reading(fresh)["channels"][0]


def by_supply(dialogue: Dialogue, scope: Any) -> Any:
    """Four levels; the meter reads the truth in tenths of a millivolt."""
    for number, wanted_mv in enumerate((0.0, 350.0, 700.0, 720.0 + 55.0)):
        if number > 2:
            dialogue.until("q when that was all: ")
            dialogue.answer("")
        dialogue.until("press Enter. ")
        scope.ask({"set": {"red": {"gain_percent": 0.0, "dc_offset_mv": wanted_mv}}})
        dialogue.answer("")
        dialogue.until("Meter, mV: ")
        dialogue.answer(f"{signal_of(scope, 'red')['blanking_mv']:.1f}")
    dialogue.until("q when that was all: ")
    dialogue.answer("q")
    scope.ask({"set": {"red": {"gain_percent": 105.0, "dc_offset_mv": 0.0}}})
    return dialogue.result()


def by_multimeter(dialogue: Dialogue, scope: Any, picture_share: float) -> Any:
    """White and black with the leads both ways; a meter of one millivolt that is 2 mV off."""
    for pattern in ("white", "black"):
        dialogue.until("press Enter. ")
        scope.ask({"set": {"pattern": pattern}})
        red = signal_of(scope, "red")
        mean_mv = red["blanking_mv"] + picture_share * (red["peak_white_mv"] if pattern == "white" else 0.0)
        dialogue.answer("")
        for swapped, sign in (("", 1.0), (", leads swapped", -1.0)):
            dialogue.until(f"Meter on {pattern}{swapped}, mV: ")
            dialogue.answer(f"{sign * mean_mv + 2.0:.0f}")
    scope.ask({"set": {"pattern": "white"}})
    return dialogue.result()


def check_before(red: Any, truth_mv: float) -> None:
    assert red["peak_white_mv"] == pytest.approx(OFF * truth_mv, abs=3.0)
    assert abs(red["peak_white_mv"] - truth_mv) <= red["u95_mv"] < 27.0


def check_after(red: Any, truth_mv: float, u95_before_mv: float) -> None:
    assert abs(red["peak_white_mv"] - truth_mv) <= red["u95_mv"] < 0.5 * u95_before_mv
    assert red["peak_white_mv"] == pytest.approx(truth_mv, abs=4.0)
    assert not red["hints"]


def test_a_supply_makes_the_level_right_within_its_smaller_uncertainty(
    children: Any, scope: Any, calibrate: Callable[..., Dialogue]
) -> None:
    truth_mv = signal_of(scope, "red")["peak_white_mv"]
    daemon = children.daemon("serve", "--scope", scope.resource)
    before = red_of(daemon)
    daemon.child.kill()
    check_before(before, truth_mv)
    found = by_supply(calibrate("supply", "--channel", "CH1", "--scope", scope.resource, "--json"), scope)
    assert found["serial"] == "SIM000001"
    assert found["factor"] == pytest.approx(1.0 / OFF, abs=0.0015)
    check_after(red_of(children.daemon("serve", "--scope", scope.resource)), truth_mv, before["u95_mv"])


def test_a_multimeter_on_the_unit_does_so_too(children: Any, scope: Any, calibrate: Callable[..., Dialogue]) -> None:
    green = signal_of(scope, "green")["peak_white_mv"]
    means_mv = []
    for pattern in ("black", "white"):
        scope.ask({"set": {"pattern": pattern}})
        means_mv.append(field_mean_mv(scope, "CH2"))
    share = (means_mv[1] - means_mv[0]) / green
    assert 0.7 < share < 0.85, "of a field, so much is picture; taken from a channel that has no gain error"
    found = by_multimeter(
        calibrate("multimeter", "--channel", "CH1", "--scope", scope.resource, "--json"), scope, share
    )
    assert found["factor"] == pytest.approx(1.0 / OFF, abs=0.004)
    assert found["u95_mv"] < 0.45 * found["u95_before_mv"]
    red = red_of(children.daemon("serve", "--scope", scope.resource))
    check_after(red, signal_of(scope, "red")["peak_white_mv"], found["u95_before_mv"])


def test_another_scope_refuses_it(children: Any, scope: Any, calibrate: Callable[..., Dialogue]) -> None:
    by_supply(calibrate("supply", "--channel", "CH1", "--scope", scope.resource, "--json"), scope)
    other = children.scope("--clock", "fast", "--seed", "9", "--identity", "PEAKWHITE,SIM-CURVE,SIM000002,1.0")
    other.ask({"front": {"CH1": {"gain_error_pct": 2.5}}})
    red = red_of(children.daemon("serve", "--scope", other.resource))
    check_before(red, signal_of(other, "red")["peak_white_mv"])
    [told] = [hint["text"] for hint in red["hints"] if hint["code"] == "calibration-refused"]
    assert "made on the scope SIM000001, and this one is SIM000002" in told


def test_the_terminator_is_kept_for_the_scope_that_answers(scope: Any, calibrate: Callable[..., Dialogue]) -> None:
    dialogue = calibrate("terminator", "--channel", "CH1", "--scope", scope.resource, "--json")
    dialogue.until("shorted, ohm: ")
    dialogue.answer("0.2")
    dialogue.until("off the cable, ohm: ")
    dialogue.answer("75.5")
    found = dialogue.result()
    assert (found["serial"], found["terminator_ohm"]) == ("SIM000001", pytest.approx(75.3))


def test_nobody_at_the_bench_is_told_in_one_line(scope: Any, calibrate: Callable[..., Dialogue]) -> None:
    dialogue = calibrate("supply", "--channel", "CH1", "--scope", scope.resource)
    out, err = dialogue.process.communicate(timeout=ANSWER_DEADLINE_S)
    assert (dialogue.process.returncode, out) == (2, b"")
    assert err.decode().splitlines()[-1].startswith("peakwhite: standard input: nobody answers; ")


def test_a_tie_asks_for_one_colour_alone_so_that_a_probe_left_elsewhere_sees_nothing(
    scope: Any, calibrate: Callable[..., Dialogue]
) -> None:
    dialogue = calibrate("tie", "--scope", scope.resource)
    _, err = dialogue.process.communicate(timeout=ANSWER_DEADLINE_S)
    step = (
        "Put the probes of all colours on one output, with one terminator, and show a full field of that colour alone"
    )
    assert dialogue.process.returncode == 2
    assert f"{step}, then press Enter. " in err.decode()
    assert (
        err.decode()
        .splitlines()[-1]
        .endswith("give recorded captures instead (see --help), or answer on standard input")
    )
