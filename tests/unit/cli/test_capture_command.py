"""`peakwhite capture` from a source that follows a script: what is written, what is passed over, what is refused."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from made_video import Made, rgb_sync, white
from peakwhite.daemon.acquisition import NoTrigger, Task
from peakwhite.daemon.cli import run
from peakwhite.daemon.cli.from_scope import MOST_TRIES
from peakwhite.daemon.sources.capture_file import read_capture
from peakwhite.drivers.capture import FORCED, Capture
from peakwhite.drivers.errors import LinkLost
from scripted import ScriptedSource, Step, a_source

RESOURCE = "TCPIP0::192.0.2.7::5025::SOCKET"
IDENTITY = "MAKER,MODEL-4,SN77,1.0"

Said = tuple[int, str, str]
Run = Callable[..., tuple[Said, ScriptedSource]]


def seen(level_mv: float = 700.0, seed: int = 1) -> Capture:
    """A triggered capture of that white on all colours."""
    made = rgb_sync(Made(seed=seed), white(level_mv), white(level_mv), white(level_mv))
    return replace(made, identity=IDENTITY, triggered_by="CH4", captured_at_ns=1_767_323_045_678_000_000)


def railed(capture: Capture) -> Capture:
    """The same with the first channel at its upper rail."""
    first = capture.channels[0]
    assert first.high_rail_code is not None
    codes = np.full_like(first.codes, first.high_rail_code)
    return replace(capture, channels=(replace(first, codes=codes), *capture.channels[1:]))


def same(one: Capture, other: Capture) -> bool:
    codes = zip(one.channels, other.channels, strict=True)
    return one.captured_at_ns == other.captured_at_ns and all(np.array_equal(a.codes, b.codes) for a, b in codes)


@pytest.fixture
def capture(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """Runs `peakwhite capture …` on a scope that gives these steps."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))

    def captured(*arguments: object, steps: tuple[Step, ...] = ()) -> tuple[Said, ScriptedSource]:
        source = a_source(*steps)
        monkeypatch.setattr(
            "peakwhite.daemon.sources.borrowed_scope.open_scope", lambda resource, family, users: source
        )
        status = run(["capture", *map(str, arguments), "--scope", RESOURCE])
        return (status, *capsys.readouterr()), source

    return captured


def test_what_the_scope_sent_is_in_the_file_and_one_line_says_so(capture: Run, tmp_path: Path) -> None:
    file, sent = tmp_path / "unit.npz", seen()
    (status, out, err), source = capture(file, steps=(sent,))
    assert (status, err) == (0, "")
    span_ms = sent.samples * sent.seconds_per_sample * 1e3
    assert out == (
        f"{file}: CH1 red, CH2 green, CH3 blue, CH4 sync; {sent.samples} samples over {span_ms:.4g} ms,"
        f" 2026-01-02T03:04:05.678Z, {IDENTITY}\n"
    )
    assert same(read_capture(file), sent)
    assert (source.tasks, source.closed) == ([Task.LEVELS], True)
    assert [path.name for path in tmp_path.iterdir()] == ["unit.npz"]


def test_records_off_the_range_without_an_edge_or_without_picture_are_passed_over(capture: Run, tmp_path: Path) -> None:
    good = seen(seed=5)
    steps = (railed(seen()), replace(seen(), triggered_by=FORCED), seen(0.0), good)
    (status, _, err), _ = capture(tmp_path / "unit.npz", steps=steps)
    assert (status, err) == (0, "")
    assert same(read_capture(tmp_path / "unit.npz"), good)


def test_a_black_picture_is_captured_all_the_same(capture: Run, tmp_path: Path) -> None:
    (status, _, err), _ = capture(tmp_path / "unit.npz", steps=(seen(0.0),) * 9)
    assert (status, err) == (0, "")


def test_a_field_is_taken_after_the_few_lines(capture: Run, tmp_path: Path) -> None:
    field = seen(seed=7)
    (status, _, _), source = capture(tmp_path / "unit.npz", "--field", steps=(seen(), field))
    assert (status, source.tasks) == (0, [Task.LEVELS, Task.FIELD])
    assert same(read_capture(tmp_path / "unit.npz"), field)


def test_a_file_that_is_there_is_written_over_only_when_that_is_said(capture: Run, tmp_path: Path) -> None:
    file = tmp_path / "unit.npz"
    file.write_bytes(b"as found")
    (status, out, err), source = capture(file, steps=(seen(),))
    assert (status, out) == (2, "")
    assert err == f"peakwhite: {file}: it is there already; name another file, or say --overwrite\n"
    assert (file.read_bytes(), source.tasks) == (b"as found", []), "and nothing was asked of the scope"
    assert capture(file, "--overwrite", steps=(seen(),))[0][0] == 0
    assert same(read_capture(file), seen())


def test_a_file_that_came_while_it_was_capturing_is_left_too(
    capture: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "unit.npz"

    def take(source: ScriptedSource, deadline_s: float) -> Capture:
        file.write_bytes(b"of somebody else")
        return seen()

    monkeypatch.setattr(ScriptedSource, "capture", take)
    (status, _, err), _ = capture(file)
    assert (status, err.count("it is there already")) == (2, 1)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"of somebody else"]


REFUSED: dict[str, tuple[list[str], tuple[Step, ...], int, str]] = {
    "no trigger": (
        ["unit.npz"],
        (replace(seen(), triggered_by=FORCED),) * MOST_TRIES,
        3,
        f"{RESOURCE}: the scope found no trigger; check the sync probe, and that the unit is on",
    ),
    "no record": (
        ["unit.npz"],
        (NoTrigger(0.65),),
        3,
        f"{RESOURCE}: the scope gives no record; stop what else uses it",
    ),
    "off every range": (
        ["unit.npz"],
        (railed(seen()),) * MOST_TRIES,
        3,
        "CH1: it runs off every range; check what is connected to it",
    ),
    "lost": (["unit.npz"], (LinkLost("it went", where=RESOURCE, do="look"),), 3, f"{RESOURCE}: it went; look"),
    "no such folder": (["none/unit.npz"], (), 3, "none: there is no such folder; make it first"),
    "a csv": (["unit.csv"], (), 2, "unit.csv: a capture is kept as .npz; name it unit.npz"),
    "no file": ([], (), 2, "capture: missing argument 'FILE'; see 'peakwhite capture --help'"),
    "no such channel": (
        ["unit.npz", "--role", "CH9=red"],
        (),
        2,
        "scripted: it has no channel 'CH9'; change the hookup",
    ),
    "no such role": (["unit.npz", "--role", "CH1=rod"], (), 2, "--role: there is no role 'rod'; the nearest is 'red'"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_is_told_in_one_line_and_nothing_is_written(
    case: str, capture: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments, steps, expected, told = REFUSED[case]
    monkeypatch.chdir(tmp_path)
    (status, out, err), source = capture(*arguments, steps=steps)
    assert (status, out, err.count("\n")) == (expected, "", 1)
    assert err.startswith(f"peakwhite: {told}")
    assert list(tmp_path.iterdir()) == []
    assert source.closed or not steps


def test_without_a_scope_it_says_how_to_name_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert run(["capture", str(tmp_path / "unit.npz")]) == 2
    assert capsys.readouterr().err.startswith("peakwhite: capture: no scope is named; give --scope RESOURCE, or ")
