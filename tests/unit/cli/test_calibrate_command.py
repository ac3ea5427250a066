"""`peakwhite calibrate` from recorded fields and levels, with options alone and with answers; list, remove, refusals."""

import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from made_video import Made, Raster, digitised, rgb_sync, white
from peakwhite.daemon.cli import run
from peakwhite.daemon.cli.answers import OHMS, meter_reading, wait_for
from peakwhite.daemon.measure.reading import plain
from peakwhite.daemon.sources.capture_file import write_capture
from peakwhite.drivers.capture import Capture, GainSpec
from peakwhite.drivers.errors import UsageError

IDENTITY = "MAKER,MODEL-4,SN77,1.0"
MADE_NS = 1_767_323_045_678_000_000
GAIN = 1.025
FIELD = Made(Raster(lines_per_field=262), sample_ns=168.0, samples=250_000, noise_mv=6.0, seed=6)
WHITE_MV = 700.0


def field(level_mv: float) -> Capture:
    """Two fields of red of that level, as a scope 2.5 % too high reads it; green and blue likewise."""
    pictures = [white(level_mv * GAIN)] * 3
    made = rgb_sync(FIELD, pictures[0], pictures[1], pictures[2])
    return replace(made, identity=IDENTITY, gain_spec=GainSpec(3.0))


def steady(level_mv: float, seed: int = 1, noise_mv: float = 4.0) -> Capture:
    made = Made(samples=20_000, seed=seed, noise_mv=noise_mv)
    sync = digitised(made, "CH4", np.zeros(made.samples), 4)
    record = digitised(made, "CH1", np.full(made.samples, level_mv * GAIN + 6.0), 1)
    return Capture((record, sync), 40e-9, 0.0, IDENTITY, 1_767_323_045_678_000_000, GainSpec(3.0))


def picture_share() -> float:
    """What part of a field is picture: 60.05 - 6.46 us of edges at half height a line, 17 lines of each 262 without."""
    raster = FIELD.raster
    return (raster.period_us - raster.blanking_end_us - raster.front_porch_us) / raster.period_us * (262 - 17) / 262


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Files: white, black, and levels of 0, 350 and 700 mV."""
    folder = tmp_path_factory.mktemp("recorded")
    for name, capture in {
        "white": field(WHITE_MV),
        "black": field(0.0),
        "0": steady(0.0, 1),
        "350": steady(350.0, 2),
        "700": steady(700.0, 3),
    }.items():
        write_capture(folder / f"{name}.npz", capture)
    return folder


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    return tmp_path / "peakwhite" / "calibrations"


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[int, str, str]]:
    """Runs `peakwhite calibrate …` with these lines on standard input: status, stdout, stderr."""

    def calibrate(*arguments: object, answers: str = "") -> tuple[int, str, str]:
        monkeypatch.setattr("sys.stdin", io.StringIO(answers))
        status = run(["calibrate", *map(str, arguments)])
        return status, *capsys.readouterr()

    return calibrate


def fields_of(recorded: Path, **readings: str) -> list[object]:
    mean_mv = WHITE_MV * picture_share()
    given = {
        "white": f"{mean_mv - 20:.1f}",
        "white-swapped": f"{20 - mean_mv:.1f}",
        "black": "-20.0",
        "black-swapped": "20.0",
    }
    files = ["--white-file", recorded / "white.npz", "--black-file", recorded / "black.npz"]
    options = [part for name, text in (given | readings).items() if text for part in (f"--{name}", text)]
    return ["multimeter", "--channel", "CH1", *files, *options]


def levels_of(recorded: Path, *names: str) -> list[object]:
    return [
        "supply",
        "--channel",
        "CH1",
        *(part for name in names for part in ("--level", f"{name}.0={recorded}/{name}.npz")),
    ]


def red_of(capsys: pytest.CaptureFixture[str], file: Path) -> Any:
    assert run(["measure", str(file), "--json"]) == 0
    return json.loads(capsys.readouterr().out)["channels"][0]


def test_white_and_black_calibrate_a_channel(
    said: Callable[..., tuple[int, str, str]], recorded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = red_of(capsys, recorded / "white.npz")
    status, out, err = said(*fields_of(recorded), "--json")
    assert (status, err) == (0, "")
    found = json.loads(out)
    assert (found["way"], found["serial"], found["channel"]) == ("multimeter", "SN77", "CH1")
    assert found["factor"] == pytest.approx(1.0 / GAIN, abs=0.002)
    assert found["level_mv"] == pytest.approx(WHITE_MV, abs=2.0)
    assert found["u95_before_mv"] == pytest.approx(before["u95_mv"] / GAIN, rel=0.01)
    assert found["u95_mv"] < 0.4 * found["u95_before_mv"]
    after = red_of(capsys, recorded / "white.npz")
    assert before["peak_white_mv"] == pytest.approx(GAIN * WHITE_MV, abs=1.0)
    assert after["peak_white_mv"] == pytest.approx(WHITE_MV, abs=2.0)
    assert after["u95_mv"] == pytest.approx(found["u95_mv"], rel=0.02)


def test_levels_of_a_supply_calibrate_a_channel(
    said: Callable[..., tuple[int, str, str]],
    recorded: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("time.time_ns", lambda: MADE_NS)
    status, out, err = said(*levels_of(recorded, "0", "350", "700"))
    assert (status, err) == (0, "")
    first, second, third = out.splitlines()
    assert first.startswith("CH1 on SN77: true is 0.975")
    assert second.startswith("a level of 714.3 mV: ±22.") and second.endswith("mV now (95 %)")
    assert "SN77.json, good until 2026-04-02" in third
    monkeypatch.setattr("time.time_ns", lambda: 1_780_000_000_000_000_000)
    assert "SN77.json, expired since 2026-04-02" in said(*levels_of(recorded, "0", "350", "700"))[1]
    assert red_of(capsys, recorded / "white.npz")["peak_white_mv"] == pytest.approx(WHITE_MV, abs=2.0)


def test_readings_that_are_not_given_are_asked_for(said: Callable[..., tuple[int, str, str]], recorded: Path) -> None:
    mean_v = WHITE_MV * picture_share() / 1e3
    given = fields_of(recorded, **{name: "" for name in ("white", "white-swapped", "black", "black-swapped")})
    status, out, err = said(*given, answers=f"{mean_v:.4f}V\n\N{MINUS SIGN}{mean_v:.4f} V\n0\n0.0\n")
    assert status == 0
    assert (
        err
        == "Meter on white, mV: Meter on white, leads swapped, mV: Meter on black, mV: Meter on black, leads swapped, mV: "
    )
    assert out.startswith("CH1 on SN77: true is 0.97")


def test_the_last_digit_of_the_meter_counts(said: Callable[..., tuple[int, str, str]], recorded: Path) -> None:
    fine, coarse = (
        json.loads(said(*fields_of(recorded), "--resolution", digit, "--json")[1])["u95_mv"]
        for digit in ("0.1mV", "5mV")
    )
    assert coarse > 1.5 * fine


def test_leads_that_were_not_swapped_refuse_it_and_nothing_is_kept(
    said: Callable[..., tuple[int, str, str]], recorded: Path, state: Path
) -> None:
    status, out, err = said(*fields_of(recorded, **{"white-swapped": "531.0"}))
    assert (status, out) == (2, "")
    assert err.startswith("peakwhite: calibrate: with its leads swapped the meter reads 531 mV on white")
    assert err.count("\n") == 1 and not state.exists()


def test_the_terminator_is_calibrated_without_a_scope(
    said: Callable[..., tuple[int, str, str]], recorded: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = red_of(capsys, recorded / "white.npz")
    status, out, _ = said("terminator", "--channel", "CH1", "--serial", "SN77", "--days", "3660", answers="0.3\n74.5\n")
    assert status == 0
    assert out.startswith("CH1 on SN77: terminator 74.20 ohm, u 0.27 ohm")
    assert "share of a level of 714.3 mV: ±3.4 mV before, ±2.5 mV now (95 %)" in out
    after = red_of(capsys, recorded / "white.npz")
    assert after["peak_white_mv"] == pytest.approx(before["peak_white_mv"] * 149.2 / 148.4, rel=1e-5)


def test_what_is_kept_is_listed_and_forgotten(said: Callable[..., tuple[int, str, str]], recorded: Path) -> None:
    assert said("list") == (0, "There is no calibration.\n", "")
    said(*levels_of(recorded, "0", "350", "700"))
    said("terminator", "--channel", "CH1", "--serial", "SN77", "--shorted", "0.3", "--reading", "75.1")
    _, out, _ = said("list")
    assert [line.split()[:3] for line in out.splitlines()] == [["SN77", "CH1", "supply"], ["SN77", "CH1", "terminator"]]
    assert "EXPIRED 2026-04-02" in out.splitlines()[0], "the captures are of January"
    listed = json.loads(said("list", "--json")[1])
    assert [one["way"] for one in listed] == ["supply", "terminator"]
    assert listed[0]["terminator_ohm"] is None and listed[1]["terminator_ohm"] == pytest.approx(74.8)
    assert said("remove", "CH1") == (0, "CH1 on SN77: 2 forgotten\n", "")
    assert said("list")[1] == "There is no calibration.\n"


def test_forgetting_asks_which_scope_where_there_are_several(said: Callable[..., tuple[int, str, str]]) -> None:
    for serial in ("SN77", "SN78"):
        said("terminator", "--channel", "CH1", "--serial", serial, "--shorted", "0.3", "--reading", "75.1")
    status, _, err = said("remove", "CH1")
    assert status == 2 and "say --serial, SN77 or SN78" in err
    assert said("remove", "CH1", "--serial", "SN78")[0] == 0
    assert said("remove", "CH1", "--serial", "SN78")[0] == 2


def test_a_calibration_for_another_scope_is_refused_in_the_reading(
    said: Callable[..., tuple[int, str, str]], recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said(*levels_of(recorded, "0", "350", "700"))
    other = tmp_path / "other.npz"
    write_capture(other, replace(field(WHITE_MV), identity=IDENTITY.replace("SN77", "SN78")))
    red = red_of(capsys, other)
    assert red["peak_white_mv"] == pytest.approx(GAIN * WHITE_MV, abs=1.0)
    [told] = [hint["text"] for hint in red["hints"] if hint["code"] == "calibration-refused"]
    assert "made on the scope SN77, and this one is SN78" in told


def test_a_damaged_file_ends_every_command_that_needs_it_in_one_line(
    said: Callable[..., tuple[int, str, str]], recorded: Path, state: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    state.mkdir(parents=True)
    (state / "SN77.json").write_text('{"schema": "peakwhite.cal')
    assert run(["measure", str(recorded / "white.npz")]) == 3
    assert run(["serve", "--port", "0", "--no-browser"]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count(f"peakwhite: {state}/SN77.json: it holds no calibrations: ") == 2
    for arguments in (levels_of(recorded, "0", "350", "700"), ["list"]):
        status, out, err = said(*arguments)
        assert (status, out, err.count("\n")) == (3, "", 1)
    assert (state / "SN77.json").read_text() == '{"schema": "peakwhite.cal'


def refusals(recorded: Path, tmp_path: Path) -> dict[str, tuple[list[object], int, str]]:
    write_capture(tmp_path / "file.npz", replace(steady(350.0), identity="file.csv"))
    write_capture(tmp_path / "SN78.npz", replace(steady(350.0), identity="MAKER,MODEL-4,SN78,1.0"))
    write_capture(tmp_path / "restless.npz", replace(field(350.0)))
    write_capture(tmp_path / "clipped.npz", steady(1400.0))
    (tmp_path / "plain.csv").write_text("t,CH1,CH4\n0,0.1,0\n1e-8,0.1,0\n2e-8,0.1,0\n")
    supply: list[object] = ["supply", "--channel", "CH1"]

    def with_file(name: str) -> list[object]:
        middle = ["--level", f"350={tmp_path / name}"]
        return [*supply, "--level", f"0={recorded}/0.npz", *middle, "--level", f"700={recorded}/700.npz"]

    return {
        "two levels": (levels_of(recorded, "0", "700"), 2, "2 levels over 700 mV do not make a line"),
        "one file": ([*supply, "--level", f"0={recorded}/0.npz", "--level", "350"], 2, "some steps have a file"),
        "no reading": ([*supply, "--level", "much"], 2, "'much' is no reading of a meter"),
        "a reading of hertz": (fields_of(recorded, white="535Hz"), 2, "'535Hz' is no reading of a meter"),
        "no scope": (supply, 2, "no scope is named"),
        "no channel": (["supply"], 2, "missing option '--channel'"),
        "sync": (["supply", "--channel", "CH4"], 2, "CH4 carries sync, of which no level is told; choose of CH1, CH2, CH3"),
        "not clipped": (["supply", "--channel", "CH9"], 2, "CH9 is not in the hookup"),
        "nobody": (fields_of(recorded, black=""), 2, "nobody answers; give --black"),
        "no such file": (with_file("none.npz"), 3, "no such file"),
        "another scope": (with_file("SN78.npz"), 2, "from different scopes"),
        "a picture": (with_file("restless.npz"), 3, "does not hold still"),
        "off the range": (with_file("clipped.npz"), 3, "runs off the scope's range"),
        "a csv": (with_file("plain.csv"), 3, "does not say when it was captured"),
        "black first": ([*fields_of(recorded), "--white-file", recorded / "black.npz"], 3, "no white is seen"),
        "white twice": ([*fields_of(recorded), "--black-file", recorded / "white.npz"], 3, "the black field has a white"),
        "half a field": ([*fields_of(recorded), "--black-file", recorded / "0.npz"], 3, "no two vertical syncs"),
        "50 ohm": (
            ["terminator", "--channel", "CH1", "--serial", "S", "--shorted", "0.2", "--reading", "50.1"],
            2,
            "49.9 ohm is no 75-ohm terminator",
        ),
        "which scope": (["terminator", "--channel", "CH1"], 2, "it is not said which scope"),
    }  # fmt: skip


def test_what_cannot_be_is_refused_in_one_line_and_nothing_is_kept(
    said: Callable[..., tuple[int, str, str]], recorded: Path, tmp_path: Path, state: Path
) -> None:
    for name, (arguments, status, told) in refusals(recorded, tmp_path).items():
        got, out, err = said(*arguments)
        last = err.splitlines()[-1]
        assert (name, got, out) == (name, status, "")
        assert told in last and "; " in last and last.startswith("peakwhite: "), (name, err)
        assert not state.exists(), name


@pytest.mark.parametrize(
    ("text", "mv", "digit"),
    [("535.2", 535.2, 0.1), ("0.5352V", 535.2, 0.1), (" -41 mV ", -41.0, 1.0), ("\N{MINUS SIGN}.5 v", -500.0, 100.0)],
)
def test_what_a_meter_shows_is_read_with_its_last_digit(text: str, mv: float, digit: float) -> None:
    found = meter_reading(text, "--white")
    assert found.value == pytest.approx(mv)
    assert found.resolution == pytest.approx(digit)


@pytest.mark.parametrize("text", ["", "-", "1e3", "nan", "inf", "5,3", "12 ohm", "1 2", "0x10"])
def test_what_no_meter_shows_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="no reading of a meter"):
        meter_reading(text, "--white")


def test_ohms_are_read_as_ohms() -> None:
    assert meter_reading("75.1 ohm", "--reading", OHMS).value == pytest.approx(75.1)


GAINS = {"red": 1.02, "green": 0.985, "blue": 1.0}


def on_one_output(level_mv: float = WHITE_MV, seed: int = 11, green: float = GAINS["green"]) -> Capture:
    """One white on all three probes, as channels of these gains read it."""
    made = replace(FIELD, seed=seed, samples=60_000)
    red, green_as_read, blue = (white(level_mv * gain) for gain in (GAINS | {"green": green}).values())
    return replace(rgb_sync(made, red, green_as_read, blue), identity=IDENTITY, gain_spec=GainSpec(3.0))


def files_of(folder: Path, *captures: Capture) -> list[Path]:
    paths = [folder / f"tied-{number}.npz" for number, _ in enumerate(captures)]
    for path, capture in zip(paths, captures, strict=True):
        write_capture(path, capture)
    return paths


def test_a_tie_takes_the_gains_out_of_the_match(
    said: Callable[..., tuple[int, str, str]], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = files_of(tmp_path, on_one_output(), on_one_output(seed=12))
    status, out, err = said("tie", *files, "--json")
    assert (status, err) == (0, "")
    found = json.loads(out)
    assert [one["channel"] for one in found["channels"]] == ["CH1", "CH2", "CH3"]
    assert [one["relative_gain"] for one in found["channels"]] == pytest.approx([1.0, 0.9657, 0.9804], abs=0.002)
    assert {(one["way"], one["serial"], one["reference"]) for one in found["channels"]} == {("tie", "SN77", "CH1")}
    assert found["match_u95_before_mv"] > 5.0 * found["match_u95_mv"]
    assert run(["measure", str(files_of(tmp_path, on_one_output(690.0, seed=13))[0]), "--json"]) == 0
    match = json.loads(capsys.readouterr().out)["match"]
    assert (match["method"], match["ok"]) == ("tied", True)
    assert match["spread_mv"] < 2.0 and match["u95_mv"] == pytest.approx(found["match_u95_mv"], rel=0.1)


def test_a_tie_is_said_in_words_listed_and_forgotten(
    said: Callable[..., tuple[int, str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.time_ns", lambda: MADE_NS)
    status, out, _ = said("tie", *files_of(tmp_path, on_one_output()), "--reference", "CH3", "--days", "30")
    first, second, third, matched, kept = out.splitlines()
    assert status == 0
    assert first.startswith("CH1 on SN77: reads 1.0") and "of CH3, u 0.02" in first and " ns " in first
    assert second.startswith("CH2 on SN77: reads 0.98")
    assert third == "CH3 on SN77: the others are compared with it at 1.6 V full scale, coax"
    assert matched.startswith("match of the colours: ±34.") and matched.endswith(" mV now (95 %)")
    assert "good until 2026-02-01" in kept
    assert [line.split()[2] for line in said("list")[1].splitlines()] == ["tie"] * 3
    assert said("remove", "CH2") == (0, "CH2 on SN77: 1 forgotten\n", "")


def test_a_tie_stands_beside_a_gain_and_takes_the_place_of_an_older_tie(
    said: Callable[..., tuple[int, str, str]], recorded: Path, tmp_path: Path
) -> None:
    said(*levels_of(recorded, "0", "350", "700"))
    for _ in range(2):
        assert said("tie", *files_of(tmp_path, on_one_output()))[0] == 0
    listed = json.loads(said("list", "--json")[1])
    assert sorted((one["channel"], one["way"]) for one in listed) == [
        ("CH1", "supply"),
        ("CH1", "tie"),
        ("CH2", "tie"),
        ("CH3", "tie"),
    ]


@pytest.mark.parametrize(
    ("green", "identity", "status", "told"),
    [
        (0.5, IDENTITY, 3, "CH2: it reads 0.49"),
        (GAINS["green"], "file.csv", 2, "'file.csv' gives no serial number"),
        (GAINS["green"], "", 2, "the capture names no scope, so no calibration can be kept for it"),
    ],
)
def test_what_is_no_tie_is_refused_and_nothing_is_kept(
    said: Callable[..., tuple[int, str, str]],
    tmp_path: Path,
    state: Path,
    green: float,
    identity: str,
    status: int,
    told: str,
) -> None:
    files = files_of(tmp_path, replace(on_one_output(green=green), identity=identity))
    got, out, err = said("tie", *files)
    assert (got, out, err.count("\n")) == (status, "", 1)
    assert told in err and not state.exists()


def test_an_old_capture_makes_a_tie_that_is_said_to_have_expired(
    said: Callable[..., tuple[int, str, str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("time.time_ns", lambda: MADE_NS + 91 * 86_400 * 1_000_000_000)
    assert said("tie", *files_of(tmp_path, on_one_output()))[1].endswith(", expired since 2026-04-02\n")


def test_the_caution_of_a_tie_speaks_of_the_unit_alone(said: Callable[..., tuple[int, str, str]]) -> None:
    caution = said("tie")[2].splitlines()[0]
    assert caution == "peakwhite: caution: unit off, earth clip on first, then the tip, then switch on"


def test_where_nobody_is_at_the_bench_recorded_captures_are_the_way_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    with pytest.raises(UsageError) as told:
        wait_for("Put the probes on one output")
    assert told.value.do == "give recorded captures instead (see --help), or answer on standard input"


def test_captures_and_a_scope_are_too_many_for_a_tie(said: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    status, out, err = said("tie", *files_of(tmp_path, on_one_output()), "--scope", "TCPIP0::192.0.2.10::5025::SOCKET")
    assert (status, out) == (2, "")
    assert err == "peakwhite: calibrate tie: recorded captures are given, and --scope too; leave out one of the two\n"


def test_json_of_a_tie_is_rounded_as_readings_are(said: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    found = json.loads(said("tie", *files_of(tmp_path, on_one_output()), "--json")[1])
    assert plain(found) == found


def test_ties_of_two_scopes_are_refused(said: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    other = replace(on_one_output(), identity=IDENTITY.replace("SN77", "SN78"))
    status, _, err = said("tie", *files_of(tmp_path, on_one_output(), other))
    assert status == 2 and "from different scopes" in err
