"""Whoever asks of a service from the command line is told how to see what it sees."""

import os
import pwd
from pathlib import Path

import pytest

from peakwhite.daemon import service
from peakwhite.daemon.doctor.the_service import passed_by
from peakwhite.daemon.service import as_the_service

FOLDERS = {"STATE_DIRECTORY": "/var/lib/peakwhite", "CONFIGURATION_DIRECTORY": "/etc/peakwhite"}
README = Path(__file__).resolve().parents[3] / "README.md"


@pytest.fixture
def installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A computer that has the service, and its user, who runs this."""
    monkeypatch.setattr(service, "is_installed", lambda: True)
    entry = pwd.struct_passwd(("peakwhite", "x", os.geteuid(), 1, "", "/var/lib/peakwhite", "/usr/sbin/nologin"))
    monkeypatch.setattr(pwd, "getpwnam", lambda name: entry)
    for name, folder in FOLDERS.items():
        monkeypatch.setenv(name, folder)


@pytest.mark.usefixtures("installed")
def test_who_looks_at_the_service_is_told_nothing_more() -> None:
    assert list(passed_by()) == []


@pytest.mark.usefixtures("installed")
@pytest.mark.parametrize("missing", FOLDERS)
def test_who_has_not_its_folders_is_told_how_to_look_at_it(missing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(missing)
    (found,) = passed_by()
    assert found.state == "note"
    assert found.do is not None and found.do.endswith(" doctor")
    for name, folder in FOLDERS.items():
        assert f"{name}={folder}" in found.do
    assert "sudo -u peakwhite " in found.do


@pytest.mark.usefixtures("installed")
def test_who_is_another_user_is_told_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 54321)
    assert len(list(passed_by())) == 1


def test_where_there_is_no_service_nothing_is_said_of_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "is_installed", lambda: as_the_service.is_installed(tmp_path / "peakwhite.service"))
    assert list(passed_by()) == []
    (tmp_path / "peakwhite.service").touch()
    assert len(list(passed_by())) == 1


def test_every_line_of_the_readme_that_is_given_as_the_services_user_names_both_folders() -> None:
    lines = [line for line in README.read_text("utf-8").splitlines() if line.startswith("sudo -u peakwhite ")]
    assert len(lines) >= 3
    for line in lines:
        assert all(f"{name}={folder} " in line for name, folder in FOLDERS.items())
