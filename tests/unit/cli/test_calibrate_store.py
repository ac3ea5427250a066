"""Calibrations on disk: what is kept comes back, nothing is lost, damage is named."""

import json
import os
from dataclasses import replace
from pathlib import Path

import pytest

from peakwhite.daemon.calibrations import keep_calibration, load_calibrations, remove_calibrations
from peakwhite.daemon.measure.calibration import Calibration, Compared, Gain, SignalPath, Terminator
from peakwhite.drivers.errors import UnreadableInput, UsageError

MADE_NS = 1_767_323_045_678_000_000
PATH = SignalPath(0.008, 1.6, "coax", 1.0)
GAIN = Calibration(
    "supply", MADE_NS, "SN77", "CH1", gain=Gain(Compared(0.9756, 0.5, 0.002, 0.4), PATH, (46.0, 137.5)), valid_days=30.5
)
TERMINATOR = Calibration("terminator", MADE_NS, "SN77", "CH1", terminator=Terminator(74.8, 0.27))


def on_range(volts_per_state: float) -> Calibration:
    assert GAIN.gain is not None
    return replace(
        GAIN, gain=replace(GAIN.gain, path=replace(PATH, volts_per_state=volts_per_state, full_scale_v=None))
    )


def test_what_is_kept_comes_back(tmp_path: Path) -> None:
    for one in (GAIN, TERMINATOR, replace(GAIN, channel="CH2")):
        keep_calibration(one, tmp_path)
    assert set(load_calibrations(tmp_path)) == {GAIN, TERMINATOR, replace(GAIN, channel="CH2")}
    assert [path.name for path in tmp_path.iterdir()] == ["SN77.json"]


def test_without_a_folder_there_are_none(tmp_path: Path) -> None:
    assert load_calibrations(tmp_path / "never" / "made") == ()


def test_a_new_one_takes_the_place_of_the_old_one_on_the_same_range_alone(tmp_path: Path) -> None:
    newer = replace(GAIN, way="multimeter", made_at_ns=MADE_NS + 1)
    for one in (GAIN, on_range(0.02), TERMINATOR, newer):
        keep_calibration(one, tmp_path)
    assert set(load_calibrations(tmp_path)) == {newer, on_range(0.02), TERMINATOR}


@pytest.mark.parametrize("serial", ["../../etc/x", "a/b\\c", ".", "..", "Ä 7", "S" * 64])
def test_any_printable_serial_has_a_file_of_its_own_in_the_folder(tmp_path: Path, serial: str) -> None:
    folder = tmp_path / "calibrations"
    path = keep_calibration(replace(GAIN, serial=serial), folder)
    assert path.parent == folder and os.path.realpath(path).startswith(os.path.realpath(folder))
    assert [one.serial for one in load_calibrations(folder)] == [serial]


@pytest.mark.parametrize("serial", ["", "S" * 65, "a\nb"])
def test_a_serial_that_cannot_be_is_refused(tmp_path: Path, serial: str) -> None:
    with pytest.raises(UsageError, match="no serial number"):
        keep_calibration(replace(GAIN, serial=serial), tmp_path)


DAMAGED = {
    "empty": b"",
    "torn": json.dumps({"schema": "peakwhite.calibrations/1", "serial": "SN77"})[:-9].encode(),
    "no text": b"\xff\xfe\x00",
    "another schema": b'{"schema": "peakwhite.calibrations/2", "serial": "SN77", "calibrations": []}',
    "a list": b"[]",
    "huge": b"[" + b" " * (1 << 20) + b"]",
}


@pytest.mark.parametrize("damage", DAMAGED.values(), ids=DAMAGED.keys())
def test_a_damaged_file_is_named_in_one_line_and_left_as_it_is(tmp_path: Path, damage: bytes) -> None:
    path = tmp_path / "SN77.json"
    path.write_bytes(damage)
    for attempt in (
        lambda: load_calibrations(tmp_path),
        lambda: keep_calibration(GAIN, tmp_path),
        lambda: remove_calibrations("SN77", "CH1", tmp_path),
    ):
        with pytest.raises(UnreadableInput) as refused:
            attempt()
        assert str(refused.value).startswith(f"{path}: ") and "\n" not in str(refused.value)
    assert path.read_bytes() == damage
    assert list(tmp_path.iterdir()) == [path]


WRONG: dict[str, tuple[tuple[str, ...], object]] = {
    "negative factor": (("gain", "compared", "factor"), -1.0),
    "factor of words": (("gain", "compared", "factor"), "0.9756"),
    "no number": (("gain", "path", "probe_ratio"), None),
    "unknown link": (("gain", "path", "link"), "wire"),
    "unknown way": (("way",), "guess"),
    "nothing held": (("gain",), None),
    "unknown key": (("colour",), "red"),
}


@pytest.mark.parametrize(("keys", "value"), WRONG.values(), ids=WRONG.keys())
def test_a_value_that_cannot_be_is_refused(tmp_path: Path, keys: tuple[str, ...], value: object) -> None:
    path = keep_calibration(GAIN, tmp_path)
    stored = json.loads(path.read_text())
    table = stored["calibrations"][0]
    for key in keys[:-1]:
        table = table[key]
    table[keys[-1]] = value
    path.write_text(json.dumps(stored))
    with pytest.raises(UnreadableInput, match=r"SN77\.json"):
        load_calibrations(tmp_path)


@pytest.mark.parametrize("fails", ["fsync", "replace"])
def test_a_write_that_fails_loses_nothing_and_leaves_nothing(
    tmp_path: Path, fails: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep_calibration(GAIN, tmp_path)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, fails, full)
        with pytest.raises(OSError, match="No space left"):
            keep_calibration(TERMINATOR, tmp_path)
    assert load_calibrations(tmp_path) == (GAIN,)
    assert [path.name for path in tmp_path.iterdir()] == ["SN77.json"]


def test_removing_forgets_one_channel_of_one_scope(tmp_path: Path) -> None:
    others = (replace(GAIN, channel="CH2"), replace(GAIN, serial="SN78"))
    for one in (GAIN, TERMINATOR, *others):
        keep_calibration(one, tmp_path)
    assert remove_calibrations("SN77", "CH1", tmp_path) == (GAIN, TERMINATOR)
    assert set(load_calibrations(tmp_path)) == set(others)
    assert remove_calibrations("SN77", "CH1", tmp_path) == ()
    assert remove_calibrations("SN99", "CH1", tmp_path) == ()
