"""`peakwhite access`: what it prints, what it refuses, and that the link can be scanned."""

import json
import re
from pathlib import Path
from typing import get_args

import pytest

from peakwhite.daemon import service
from peakwhite.daemon.access import Role, TokenFile, reach
from peakwhite.daemon.access.token_file import DAY_S
from peakwhite.daemon.cli import run
from peakwhite.daemon.cli.access import ROLES
from peakwhite.daemon.cli.access_link import address_for_phones, qr_code


def said(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> tuple[str, str]:
    assert run(("access", *arguments)) == status
    told = capsys.readouterr()
    return told.out, told.err


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """No settings of anybody's own, and a state folder that is not there yet."""
    for name in ("XDG_STATE_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path))
    return tmp_path / "peakwhite"


def test_a_new_token_is_told_with_code_and_link_and_a_hint_where_the_link_leads_nowhere(
    capsys: pytest.CaptureFixture[str], home: Path
) -> None:
    out, err = said(capsys, "new", "--role", "operator", "--name", "phone", "--no-qr")
    first, code, link = out.splitlines()
    assert first == "operator 'phone', without end"
    assert link == f"link: http://127.0.0.1:8714/#sign-in={code.removeprefix('code: ')}"
    assert err.startswith("peakwhite: the link is for this computer alone")
    assert [one.name for one in TokenFile(home).load().tokens] == ["phone"]


def test_the_link_has_the_address_of_the_settings_or_the_one_that_is_given(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    config = tmp_path / "settings.toml"
    config.write_text('[http]\nhost = "192.0.2.7"\n')
    common = ("new", "--role", "viewer", "--json", "--config", str(config))
    assert json.loads(said(capsys, *common, "--name", "a")[0])["link"].startswith("http://192.0.2.7:8714/#sign-in=")
    config.write_text('[http]\nhost = "0.0.0.0"\naddresses = ["https://bench.example/levels"]\n')
    assert json.loads(said(capsys, *common, "--name", "b")[0])["link"].startswith(
        "https://bench.example/levels/#sign-in="
    )
    config.write_text('[http]\nhost = "192.0.2.7"\naddresses = ["http://bench.local:8714"]\n')
    named, caution = address_for_phones(config, None)
    assert named == "http://bench.local:8714/"
    assert caution.startswith("where a phone does not know that name, put http://192.0.2.7:8714/ in its place")
    given = said(capsys, *common, "--name", "c", "--address", "http://bench.local:8714")
    assert json.loads(given[0])["link"].startswith("http://bench.local:8714/#sign-in=")
    assert given[1] == ""


def test_tokens_are_listed_with_role_and_end_and_revoked_by_name(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "state").mkdir()
    there = ("--state", str(tmp_path / "state"))
    assert said(capsys, "list", *there)[0] == "there is no token\n"
    said(capsys, "new", "--role", "operator", "--name", "phone", "--no-qr", *there)
    said(capsys, "new", "--role", "viewer", "--name", "wall", "--days", "3", "--no-qr", *there)
    operator, viewer = said(capsys, "list", *there)[0].splitlines()
    assert re.fullmatch(r"operator  without end +phone", operator)
    assert re.fullmatch(r"viewer    until \d{4}-\d\d-\d\dT\d\d:\d\dZ +wall", viewer)
    assert said(capsys, "revoke", "wall", *there)[0] == "viewer 'wall' is revoked\n"
    assert [one["name"] for one in json.loads(said(capsys, "list", "--json", *there)[0])] == ["phone"]


def test_a_token_that_expired_is_listed_so_while_the_clock_stands_in_the_past(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made_at_s = 4_000_000_000
    file = TokenFile(tmp_path, lambda: float(made_at_s))
    file.add("guest", "viewer", days=1)
    file.see(made_at_s + 2 * DAY_S)
    monkeypatch.setattr("peakwhite.daemon.book.clock.clock_synced", lambda: False)
    assert said(capsys, "list", "--state", str(tmp_path))[0].startswith("viewer    expired 2096-10-03T")


def test_who_revokes_the_last_token_that_holds_is_told_that_nobody_gets_in(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "state").mkdir()
    there = ("--state", str(tmp_path / "state"))
    TokenFile(tmp_path / "state", lambda: 1_770_000_000.0).add("old", "viewer", 1)
    for name in ("phone", "wall"):
        said(capsys, "new", "--role", "operator", "--name", name, "--no-qr", *there)
    assert said(capsys, "revoke", "phone", *there)[1] == ""
    assert "the last token that holds: nobody gets in" in said(capsys, "revoke", "wall", *there)[1]
    assert said(capsys, "revoke", "old", *there)[1] == ""


def test_a_state_folder_that_is_not_there_is_refused_and_not_made(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for command in (("new", "--role", "viewer", "--name", "wall"), ("list",), ("revoke", "wall")):
        err = said(capsys, *command, "--state", str(tmp_path / "mistyped"), status=2)[1]
        assert err.startswith(f"peakwhite: --state {tmp_path / 'mistyped'}: there is no such folder; ")
    assert not (tmp_path / "mistyped").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ("new", "--role", "operator"),
        ("new", "--role", "owner", "--name", "a"),
        ("new", "--role", "viewer", "--name", "a", "--days", "0"),
        ("new", "--role", "viewer", "--name", "\x1b[31m"),
        ("revoke", "nobody"),
    ],
)
def test_what_cannot_be_meant_is_one_line_and_status_2(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    out, err = said(capsys, *arguments, status=2)
    assert out == ""
    assert len(err.splitlines()) == 1 and err.startswith("peakwhite: ")


def test_where_a_service_is_installed_it_is_said_that_its_tokens_are_elsewhere(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(service, "is_installed", lambda: True)
    common = ("new", "--role", "viewer", "--no-qr", "--name")
    err = said(capsys, *common, "a")[1]
    assert "CONFIGURATION_DIRECTORY=/etc/peakwhite " in err and err.endswith("access new --role viewer --name NAME\n")
    (tmp_path / "its").mkdir()
    assert "the service" not in said(capsys, *common, "b", "--state", str(tmp_path / "its"))[1]
    monkeypatch.setattr(service, "has_its_folders", lambda: True)
    assert "the service" not in said(capsys, *common, "c")[1]


def test_without_a_network_it_is_said_that_the_link_lacks_the_address(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "settings.toml").write_text('[http]\nhost = "0.0.0.0"\n')
    monkeypatch.setattr(reach, "_own_address", lambda: None)
    told = said(capsys, "new", "--role", "viewer", "--name", "a", "--config", str(tmp_path / "settings.toml"))
    assert told[1].startswith("peakwhite: there is no network yet")


def test_the_roles_that_the_command_takes_are_the_roles() -> None:
    assert get_args(Role) == ROLES


def test_the_qr_code_is_drawn_light_on_dark_whatever_the_terminals_colours_are() -> None:
    lines = qr_code("http://192.0.2.7:8714/#sign-in=" + "A" * 43).splitlines()
    assert all(line.startswith("\x1b[97;40m") and line.endswith("\x1b[0m") for line in lines)
    widths = {len(re.sub(r"\x1b\[[0-9;]*m", "", line)) for line in lines}
    assert widths <= {37, 41}  # fits a terminal of 80 columns, with a quiet border
    assert set(re.sub(r"\x1b\[[0-9;]*m|\n", "", "".join(lines))) <= set(" █▀▄")
