"""`peakwhite service`: what it shows, writes, tells and takes away, below a folder of the test's own."""

import json
import os
import shutil
import stat
import sys
from io import StringIO
from pathlib import Path

import pytest

from peakwhite.daemon import access, cli
from peakwhite.daemon import service as parts
from peakwhite.daemon.cli import first_sign_in
from peakwhite.daemon.cli.access_link import qr_code
from peakwhite.daemon.config.settings import load_settings
from peakwhite.daemon.service import how_it_stands, installing
from peakwhite.daemon.service.files import unit
from peakwhite.daemon.service.program import Program, this_program
from peakwhite.drivers.errors import PeakwhiteError

UNIT = "etc/systemd/system/peakwhite.service"
WANTED = "etc/systemd/system/multi-user.target.wants/peakwhite.service"
FILES = {
    UNIT,
    WANTED,
    "etc/sysusers.d/peakwhite.conf",
    "etc/tmpfiles.d/peakwhite.conf",
    "etc/udev/rules.d/61-peakwhite-service.rules",
}
SETTINGS = "etc/peakwhite/peakwhite.toml"
NO_TOOLS = ("systemd-sysusers", "systemd-tmpfiles", "systemctl", "udevadm")


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A system of the test's own, on a computer that has none of systemd's tools."""
    found = shutil.which
    monkeypatch.setattr(shutil, "which", lambda name: None if name in NO_TOOLS else found(name))
    (tmp_path / "system").mkdir()
    return tmp_path / "system"


def say(*arguments: str, root: Path, status: int = 0) -> None:
    assert cli.run(["service", *arguments, "--root", str(root)]) == status


def files(root: Path) -> set[str]:
    return {str(path.relative_to(root)) for path in root.rglob("*") if path.is_symlink() or path.is_file()}


def test_it_shows_every_file_whole_before_it_writes_and_writes_what_it_showed(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", StringIO("y\n"))
    say("install", root=root)
    shown = capsys.readouterr().out
    written = {name for name in files(root) if not name.startswith("var/")}
    assert written == FILES | {SETTINGS}
    for name in written - {WANTED}:
        assert str(root / name) in shown
        text = (root / name).read_text().splitlines()
        assert "\n".join(f"    {line}".rstrip() for line in text) in shown
    assert f"{root / WANTED}: so that it starts with the computer\n    -> /{UNIT}" in shown


@pytest.mark.parametrize(
    ("name", "addresses"),
    [
        ("Bench-Pi.lan", ["http://bench-pi.local:8714", "http://bench-pi:8714"]),
        ("localhost", []),
        ("no name", []),
        (None, []),
    ],
)
def test_the_page_is_known_by_the_names_of_the_computer(name: str | None, addresses: list[str], root: Path) -> None:
    if name is not None:
        (root / "etc").mkdir()
        (root / "etc/hostname").write_text(f"{name}\n")
    say("install", "--yes", root=root)
    http = load_settings(root / SETTINGS).tables.http
    assert (http.host, http.addresses) == ("0.0.0.0", addresses)


@pytest.mark.parametrize("answer", ["n\n", "\n", "no\n", "perhaps\n"])
def test_nothing_is_written_unless_it_is_agreed_to(
    answer: str, root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", StringIO(answer))
    say("install", root=root)
    assert capsys.readouterr().out.endswith("nothing was done\n")
    assert list(root.iterdir()) == []


def test_where_nobody_answers_it_says_how_to_go_on(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", StringIO(""))
    say("install", root=root, status=2)
    assert capsys.readouterr().err.endswith("peakwhite: standard input: nobody answers; give --yes\n")
    assert list(root.iterdir()) == []


def test_what_is_private_is_nobody_elses(root: Path) -> None:
    old = os.umask(0)
    try:
        say("install", "--yes", root=root)
    finally:
        os.umask(old)
    modes = {
        name: stat.S_IMODE((root / name).stat().st_mode) for name in ("etc/peakwhite", SETTINGS, "var/lib/peakwhite")
    }
    assert modes == {"etc/peakwhite": 0o770, SETTINGS: 0o660, "var/lib/peakwhite": 0o750}
    assert stat.S_IMODE((root / UNIT).stat().st_mode) == 0o644


def test_installing_again_brings_the_unit_up_to_date_and_leaves_settings_and_book_alone(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    say("install", "--yes", root=root)
    (root / UNIT).write_text("old")
    (root / SETTINGS).write_text("# mine\n")
    (root / "var/lib/peakwhite/book.sqlite").write_text("book")
    capsys.readouterr()
    say("install", "--yes", root=root)
    shown = capsys.readouterr().out
    assert f"{root / UNIT}: how systemd runs the daemon; takes the place of what is there" in shown
    assert f"{root / SETTINGS}: the settings; it is there and stays as it is" in shown
    assert (root / UNIT).read_text() == unit(this_program())
    assert (root / SETTINGS).read_text() == "# mine\n"
    assert (root / "var/lib/peakwhite/book.sqlite").read_text() == "book"


def test_a_link_that_leads_out_of_the_image_is_refused_before_anything_is_written(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "outside").mkdir()
    (root / "var").symlink_to(tmp_path / "outside")
    say("install", "--yes", root=root, status=2)
    assert f"leads out of {root}" in capsys.readouterr().err
    assert files(root) == {"var"}
    assert list((tmp_path / "outside").iterdir()) == []


@pytest.mark.parametrize("name", ["etc", "etc/systemd", "etc/udev/rules.d"])
def test_removing_follows_no_link_out_of_the_image(
    name: str, root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    say("install", "--yes", root=root)
    (root / name).rename(tmp_path / "outside")
    (root / name).symlink_to(tmp_path / "outside")
    there = files(tmp_path / "outside")
    capsys.readouterr()
    say("remove", "--yes", root=root, status=2)
    assert f"leads out of {root}" in capsys.readouterr().err
    assert files(tmp_path / "outside") == there


@pytest.mark.parametrize("name", ["var/lib/peakwhite", "etc/peakwhite", SETTINGS])
def test_a_link_in_place_of_what_is_kept_is_refused_where_it_leads_out_of_the_image(
    name: str, root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "outside").mkdir()
    (root / name).parent.mkdir(parents=True)
    (root / name).symlink_to(tmp_path / "outside")
    say("install", "--yes", root=root, status=2)
    assert f"peakwhite: {root / name}: leads out of {root}; " in capsys.readouterr().err
    assert files(root) == {name}
    assert list((tmp_path / "outside").iterdir()) == []


def test_a_link_within_the_image_is_followed(root: Path) -> None:
    (root / "data").mkdir()
    (root / "var/lib").mkdir(parents=True)
    (root / "var/lib/peakwhite").symlink_to(root / "data")
    say("install", "--yes", root=root)
    assert (root / "data/access.json").is_file()


def test_a_program_among_temporary_files_is_cautioned_of_where_an_image_is_written(
    root: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    for prefix, is_told in (("/tmp/venv", True), ("/opt/peakwhite", False)):
        found = Program(Path(prefix) / "bin/python3", (Path(prefix),))
        monkeypatch.setattr(parts, "this_program", lambda found=found: found)
        say("install", "--yes", root=root)
        lines = [line for line in capsys.readouterr().err.splitlines() if "temporary files" in line]
        assert len(lines) == is_told
        assert all(line.startswith("peakwhite: /tmp/venv: lies among temporary files") for line in lines)


def test_tools_that_are_not_there_are_named_and_nothing_fails(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    say("install", "--yes", root=root)
    told = capsys.readouterr().err
    why = "not there" if os.geteuid() == 0 else "only root may"
    assert f"peakwhite: not run, {why}: systemd-sysusers --root={root} peakwhite.conf\n" in told


def test_the_first_access_token_is_shown_even_if_what_comes_after_it_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    tool = tmp_path / "systemd-sysusers"
    tool.write_text("#!/bin/sh\necho no room >&2\nexit 1\n")
    tool.chmod(0o755)
    (tmp_path / "system").mkdir()
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(access, "first_token", lambda state: "only-once")
    say("install", "--yes", root=tmp_path / "system", status=3)
    told = capsys.readouterr()
    assert "kept nowhere:\n    only-once\n" in told.out
    assert "ended with 1: no room; " in told.err


def test_the_first_access_token_is_shown_once_and_kept_as_a_hash_that_nobody_else_may_read(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    say("install", "--yes", root=root)
    token = capsys.readouterr().out.split("which is shown this once and kept nowhere:\n")[1].split()[0]
    assert len(token) > 20
    private = [path for path in (root / "var/lib/peakwhite").rglob("*") if path.is_file()]
    assert private
    for path in private:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert token not in path.read_text()
    assert 'host = "0.0.0.0"' in (root / SETTINGS).read_text()
    say("install", "--yes", root=root)
    assert "access token" not in capsys.readouterr().out.split("then:")[1]


def test_of_an_image_it_is_said_how_a_phone_gets_in_once_its_address_is_known(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (root / SETTINGS).parent.mkdir(parents=True)
    (root / SETTINGS).write_text('[http]\nhost = "0.0.0.0"\nport = 9000\n')
    say("install", "--yes", root=root)
    told = capsys.readouterr().out
    code = told.split("kept nowhere:\n    ")[1].split()[0]
    assert f"with its address for ADDRESS:\n    http://ADDRESS:9000/#sign-in={code}\n" in told


def test_on_this_computer_address_link_and_on_a_terminal_the_qr_code_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = tmp_path / "peakwhite.toml"
    settings.write_text('[http]\nhost = "192.0.2.7"\n')
    first_sign_in.say_on_this_computer("secret", settings)
    told = capsys.readouterr()
    assert "    secret\n" in told.out
    assert told.out.endswith("at http://192.0.2.7:8714/:\n    http://192.0.2.7:8714/#sign-in=secret\n")
    assert told.err == ""
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    first_sign_in.say_on_this_computer("secret", settings)
    assert capsys.readouterr().out.endswith(f"{qr_code('http://192.0.2.7:8714/#sign-in=secret')}\n")


def test_the_code_is_shown_even_where_the_settings_are_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "peakwhite.toml"
    settings.write_text("[http]\nhots = 1\n")
    for tell in (first_sign_in.say_on_this_computer, first_sign_in.say_for_an_image):
        tell("secret", settings)
        told = capsys.readouterr()
        assert told.out.endswith("kept nowhere:\n    secret\n")
        assert "line 2" in told.err


@pytest.mark.skipif(
    os.geteuid() != 0 or shutil.which("systemd-sysusers") is None or shutil.which("systemd-tmpfiles") is None,
    reason="not root, or systemd's tools are not there",
)
def test_the_user_is_made_and_may_change_the_settings(tmp_path: Path) -> None:
    tmp_path.chmod(0o755)
    for _ in range(2):
        say("install", "--yes", root=tmp_path)
    (line,) = [line for line in (tmp_path / "etc/passwd").read_text().splitlines() if line.startswith("peakwhite:")]
    _, _, _, group, _, home, shell = line.split(":")
    assert (home, Path(shell).name) == ("/var/lib/peakwhite", "nologin")
    for name in ("etc/peakwhite", SETTINGS):
        found = (tmp_path / name).stat()
        assert (found.st_gid, bool(found.st_mode & stat.S_IWGRP), found.st_mode & stat.S_IRWXO) == (int(group), True, 0)


def test_a_command_that_fails_is_told_with_what_it_said(tmp_path: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("not root")
    told: list[str] = []
    with pytest.raises(PeakwhiteError, match="ended with 3: no such unit") as failed:
        installing.carry_out(
            (("sh", "-c", "echo no such unit >&2; exit 3"), ("touch", str(tmp_path / "after"))), told.append
        )
    assert failed.value.where.startswith("sh -c")
    assert told == []
    assert not (tmp_path / "after").exists()


def test_on_a_running_systemd_it_is_told_to_take_up_user_rules_and_unit(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(installing, "BOOTED", tmp_path)
    monkeypatch.setattr(installing, "UDEV", tmp_path)
    todo = [" ".join(command) for command in installing.commands_after_installing(Path("/"))]
    assert todo == [
        "systemd-sysusers peakwhite.conf",
        "systemd-tmpfiles --create peakwhite.conf",
        "udevadm control --reload",
        "udevadm trigger --subsystem-match=usb --action=change",
        "systemctl daemon-reload",
        "systemctl restart peakwhite.service",
    ]
    monkeypatch.setattr(installing, "UDEV", tmp_path / "none")
    assert not any("udevadm" in command for command in installing.commands_after_installing(Path("/")))
    assert installing.commands_after_removing(Path("/")) == (("systemctl", "daemon-reload"),)
    monkeypatch.setattr(installing, "UNIT_FILE", tmp_path)
    assert installing.commands_before_removing(Path("/")) == (("systemctl", "disable", "--now", "peakwhite.service"),)
    monkeypatch.setattr(installing, "UNIT_FILE", tmp_path / "none")
    assert installing.commands_before_removing(Path("/")) == ()
    assert installing.commands_before_removing(tmp_path) == ()


def test_status_says_what_is_there_and_what_cannot_be_told(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    say("status", root=root, status=3)
    before = capsys.readouterr().out
    assert f"{root / UNIT}: not there" in before
    assert "does not start with the computer" in before
    say("install", "--yes", root=root)
    (root / "etc/sysusers.d/peakwhite.conf").unlink()
    capsys.readouterr()
    say("status", "--json", root=root)
    told = json.loads(capsys.readouterr().out)
    assert (told["installed"], told["enabled"], told["active"], told["book"]) == ("yes", True, None, None)
    assert told["why"] == "an image is not running"
    assert told["missing"] == [str(root / "etc/sysusers.d/peakwhite.conf")]
    assert told["settings"] == str(root / SETTINGS)


@pytest.mark.parametrize("form", [(), ("--json",)])
def test_status_says_by_its_own_whether_the_service_is_installed(form: tuple[str, ...], root: Path) -> None:
    say("status", *form, root=root, status=3)
    say("install", "--yes", root=root)
    say("status", *form, root=root, status=0)
    (root / UNIT).write_text("[Service]\nExecStart=/opt/old/bin/python3\n")
    say("status", *form, root=root, status=0)


def test_status_tells_a_unit_of_another_program_and_the_book(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    say("install", "--yes", root=root)
    (root / UNIT).write_text("[Service]\nExecStart=/opt/old/bin/python3\n")
    (root / "var/lib/peakwhite/book.sqlite").touch()
    capsys.readouterr()
    say("status", root=root)
    told = capsys.readouterr().out
    assert f"{root / UNIT}: there, as another program wrote it" in told
    assert str(root / "var/lib/peakwhite/book.sqlite") in told


def test_status_of_this_computer_says_where_systemctl_is_not_there(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(["service", "status"]) == (0 if Path("/", UNIT).exists() else 3)
    assert "cannot be told, systemctl is not there" in capsys.readouterr().out


SYSTEMCTL = """#!/bin/sh
[ "$1 $2" = "show peakwhite.service" ] || exit 1
printf 'ActiveState=active\\nSubState=running\\nUnitFileState=enabled\\nNRestarts=2\\n'
printf 'StatusText=http://0.0.0.0:8714/ ready: capturing\\n'
"""
"""Answers in the form of the real one."""


def test_status_tells_what_systemctl_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "systemctl").write_text(SYSTEMCTL)
    (tmp_path / "systemctl").chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setattr(how_it_stands, "runs_here", lambda root: True)
    assert cli.run(["service", "status"]) == (0 if Path("/", UNIT).exists() else 3)
    told = dict(line.split(":", 1) for line in capsys.readouterr().out.splitlines())
    assert told["now"].strip() == "active (running)"
    assert told["says"].strip() == "http://0.0.0.0:8714/ ready: capturing"
    assert told["restarts"].strip().startswith("2, ")


def test_remove_takes_away_what_install_wrote_and_leaves_the_book_and_says_where(
    root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    say("install", "--yes", root=root)
    book = root / "var/lib/peakwhite/book.sqlite"
    book.write_text("book")
    kept = files(root) - FILES
    capsys.readouterr()
    say("remove", "--yes", root=root)
    told = capsys.readouterr().out
    assert files(root) == kept >= {SETTINGS, str(book.relative_to(root))}
    assert f"the bench book stays, with calibrations and access tokens, in {book.parent}" in told
    for name in FILES:
        assert f"    {root / name}\n" in told
    say("remove", root=root)
    assert "nothing to remove" in capsys.readouterr().out


def test_nothing_is_removed_unless_it_is_agreed_to(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    say("install", "--yes", root=root)
    monkeypatch.setattr(sys, "stdin", StringIO("n\n"))
    say("remove", root=root)
    assert files(root) >= FILES


@pytest.mark.parametrize("command", ["install", "remove"])
def test_whoever_is_not_root_is_told_how_to_go_on(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    assert cli.run(["service", command, "--yes"]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith(f"peakwhite: service {command}: only root may change which services there are; ")
    assert "--root DIR" in told.err


def test_a_service_is_offered_on_linux_only(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", "win32")
    assert cli.run(["service", "install", "--yes"]) == 2
    assert "Linux only" in capsys.readouterr().err
