"""Where settings, book and calibrations lie."""

from pathlib import Path

import platformdirs
import pytest

from peakwhite.daemon.book import default_place
from peakwhite.daemon.calibrations import default_folder
from peakwhite.daemon.config.settings import default_path


def test_the_directories_that_systemd_names_go_before_the_users_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/peakwhite")
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", "/etc/peakwhite")
    assert default_path() == Path("/etc/peakwhite/peakwhite.toml")
    assert default_place().path == Path("/var/lib/peakwhite/book.sqlite")
    assert default_folder() == Path("/var/lib/peakwhite/calibrations")


def test_of_several_directories_the_first_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", "/var/lib/peakwhite:/var/lib/another")
    assert default_folder() == Path("/var/lib/peakwhite/calibrations")


@pytest.mark.parametrize("named", [None, ""])
def test_without_systemd_they_are_the_users_own(named: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in ("STATE_DIRECTORY", "CONFIGURATION_DIRECTORY"):
        if named is None:
            monkeypatch.delenv(variable, raising=False)
        else:
            monkeypatch.setenv(variable, named)
    assert default_path() == platformdirs.user_config_path("peakwhite") / "peakwhite.toml"
    assert default_place().path == platformdirs.user_data_path("peakwhite") / "book.sqlite"
    assert default_folder() == platformdirs.user_state_path("peakwhite") / "calibrations"
