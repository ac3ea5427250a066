"""The settings that a service starts with where those of the file are wrong."""

from collections.abc import Iterable
from pathlib import Path

import pytest

from peakwhite.daemon.config.complaints import Complaint
from peakwhite.daemon.config.settings import Settings, SettingsMistakes, load_settings
from peakwhite.daemon.last_good import COPY_NAME, LastGood
from peakwhite.drivers.errors import PortTaken, SettingsError

GOOD, BAD = "[live]\nrate_hz = 10\n", "[live]\nrate_hs = 10\n"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "bench.toml"
    path.write_text(GOOD)
    return path


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    return tmp_path / "state" / COPY_NAME


def started(file: Path, copy: Path | None, complaints: Iterable[Complaint] = ()) -> tuple[LastGood, Settings]:
    last_good = LastGood(copy)
    settings = last_good.settings(lambda data=None: load_settings(file, data), lambda _: complaints)
    return last_good, settings


def test_a_wrong_file_has_the_copy_serve_and_is_the_mistake(file: Path, copy: Path) -> None:
    last_good, settings = started(file, copy)
    assert last_good.mistake is None
    last_good.keep(settings)
    assert (copy.read_text(), copy.stat().st_mode & 0o777) == (GOOD, 0o600)
    file.write_text(BAD)
    last_good, settings = started(file, copy)
    assert (settings.tables.live.rate_hz, settings.path) == (10.0, file)
    assert "line 2: [live] rate_hs is no key" in str(last_good.mistake)


def test_a_file_that_is_gone_or_unreadable_has_the_copy_serve_too(file: Path, copy: Path) -> None:
    last_good, settings = started(file, copy)
    last_good.keep(settings)
    file.write_bytes(b"\xff")
    assert started(file, copy)[1].tables.live.rate_hz == 10.0
    file.unlink()
    assert started(file, copy)[1].tables.live.rate_hz == 10.0


@pytest.mark.parametrize("kept", [None, BAD, "\x00"])
def test_without_a_copy_that_is_right_the_file_is_refused(file: Path, copy: Path, kept: str | None) -> None:
    file.write_text("[live]\nrate_ht = 10\n")
    if kept is not None:
        copy.parent.mkdir()
        copy.write_text(kept)
    with pytest.raises(SettingsMistakes, match="rate_ht"):
        started(file, copy)


def test_a_port_that_cannot_be_had_has_the_copy_serve_or_ends_it_as_such(file: Path, copy: Path) -> None:
    def check(settings: Settings) -> Iterable[Complaint]:
        if settings.tables.http.port != 8714:
            raise PortTaken("cannot listen there", where="127.0.0.1", do="give another")
        return ()

    last_good, settings = started(file, copy)
    file.write_text("[http]\nport = 80\n")
    with pytest.raises(PortTaken):
        LastGood(copy).settings(lambda data=None: load_settings(file, data), check)
    last_good.keep(settings)
    assert last_good.settings(lambda data=None: load_settings(file, data), check).tables.http.port == 8714
    assert isinstance(last_good.mistake, PortTaken)


def test_what_only_its_user_can_refuse_is_wrong_in_the_copy_as_well(file: Path, copy: Path) -> None:
    last_good, settings = started(file, copy)
    last_good.keep(settings)
    with pytest.raises(SettingsMistakes, match="is not to be had"):
        started(file, copy, [Complaint(("live", "rate_hz"), "is not to be had")])


def test_on_a_command_line_nothing_is_kept_and_a_wrong_file_is_refused(
    file: Path, copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(copy.parent))
    last_good = LastGood.of({"STATE_DIRECTORY": str(copy.parent)})
    last_good.keep(load_settings(file))
    assert not copy.exists()
    LastGood.of({"NOTIFY_SOCKET": "/run/x"}).keep(load_settings(file))
    file.write_text(BAD)
    with pytest.raises(SettingsError):
        last_good.settings(lambda data=None: load_settings(file, data), lambda _: ())
    assert copy.read_text() == GOOD


def test_a_full_disk_is_told_and_ends_nothing(
    file: Path, copy: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    LastGood(copy).keep(load_settings(file))
    assert "No space left on device" in caplog.text and list(copy.parent.iterdir()) == []
