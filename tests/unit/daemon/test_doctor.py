"""What `peakwhite doctor` sees, on machines that a test makes up: folders as /sys, /dev and /proc, and real sockets."""

import json
import os
import socket
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from importlib.metadata import PackageNotFoundError
from pathlib import Path

import pytest

from peakwhite.daemon.book.clock import Clock
from peakwhite.daemon.cli import run
from peakwhite.daemon.config.settings import Settings, parse_settings
from peakwhite.daemon.doctor import Finding, machine, port, usb, versions, wear
from peakwhite.daemon.surroundings import LOW_BYTES
from peakwhite.drivers.udev import RULES_FILE, SERVICE_RULES_FILE
from peakwhite.drivers.usb_devices import NoLibusb

ALIVE = json.dumps({"status": "alive", "version": "1.2.3", "run": "abcd"})


@contextmanager
def answering(answers: dict[str, tuple[int, str]], token: str | None = None) -> Iterator[int]:
    """Something that answers so on a port of its own, to whoever sends the token, if there is one."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            status, text = answers.get(self.path, (404, "not here"))
            if token is not None and self.headers["Authorization"] != f"Bearer {token}":
                status, text = 401, "no"
            self.send_response(status)
            self.end_headers()
            self.wfile.write(text.encode())

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        try:
            yield server.server_port
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture
def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


# Versions.


def installed_of(packages: dict[str, str]) -> Callable[[str], str]:
    def installed(name: str) -> str:
        if name not in packages:
            raise PackageNotFoundError(name)
        return packages[name]

    return installed


def looked(needed: list[str], packages: dict[str, str], python: tuple[int, ...] = (3, 11, 7)) -> dict[str, Finding]:
    have = installed_of({"peakwhite": "0.1.0"} | packages)
    return {one.what: one for one in versions.python_and_packages(lambda name: needed, have, python)}


def test_packages_that_suit_are_well_and_those_of_extras_are_not_looked_at() -> None:
    needed = ["numpy>=2.0", "click<9,>=8.1", 'psycopg[binary]>=3.2; extra == "postgresql"']
    found = looked(needed, {"numpy": "2.1.0rc1", "click": "8.1.7"})
    assert [one.state for one in found.values()] == ["well"] * 3


@pytest.mark.parametrize(
    ("need", "have", "told"),
    [
        ("numpy>=2.0", "1.26.4", "numpy is 1.26.4 and has to be >=2.0"),
        ("sqlalchemy>=2.0.36", "2.0.9", "sqlalchemy is 2.0.9 and has to be >=2.0.36"),
        ("click<9,>=8.1", "9.0", "click is 9.0 and has to be <9"),
        ("fastapi~=0.115", "1.0", "fastapi is 1.0 and has to be ~=0.115"),
        ("uvicorn!=0.50", "0.50", "uvicorn is 0.50 and has to be !=0.50"),
        ("alembic>=1.16", None, "alembic is missing"),
    ],
)
def test_a_package_out_of_its_bounds_or_missing_is_in_the_way(need: str, have: str | None, told: str) -> None:
    name = need[: need.index(next(sign for sign in need if sign in "<>=!~"))]
    found = looked([need], {} if have is None else {name: have})["packages"]
    assert (found.state, found.text) == ("in-the-way", told)
    assert found.do


def test_an_old_python_is_in_the_way() -> None:
    assert looked([], {}, (3, 10, 4))["python"].state == "in-the-way"


def test_a_folder_that_is_not_installed_is_no_trouble() -> None:
    found = list(versions.python_and_packages(lambda name: [], installed_of({})))
    assert [one.state for one in found] == ["well", "note"]


# USB.


@pytest.fixture
def bus(tmp_path: Path) -> tuple[Path, Path, Path]:
    """A computer with one instrument and one keyboard on USB, a node for the instrument, and no rules."""
    sysfs, nodes, rules = (tmp_path / name for name in ("sys", "dev", "rules"))
    for name, kind, subclass in (("1-1", "fe", "03"), ("1-2", "03", "01")):
        interface = sysfs / f"{name}:1.0"
        interface.mkdir(parents=True)
        (interface / "bInterfaceClass").write_text(f"{kind}\n")
        (interface / "bInterfaceSubClass").write_text(f"{subclass}\n")
        (sysfs / name).mkdir()
        for file, text in (("idVendor", "1234"), ("idProduct", "5678"), ("busnum", "1"), ("devnum", name[-1])):
            (sysfs / name / file).write_text(f"{text}\n")
    (nodes / "001").mkdir(parents=True)
    (nodes / "001" / "001").touch()
    rules.mkdir()
    return sysfs, nodes, rules


def seen_on(bus: tuple[Path, Path, Path], *, wanted: bool = False) -> dict[str, Finding]:
    sysfs, nodes, rules = bus
    found = usb.instruments(sysfs, nodes, [rules], wanted=wanted, listed=list, system="linux")
    return {one.what: one for one in found}


def test_an_instrument_whose_node_can_be_opened_is_well(bus: tuple[Path, Path, Path]) -> None:
    found = seen_on(bus)
    assert found["usb"].state == "well"
    assert "1234:5678" in found["usb"].text
    assert found["udev"].state == "note"
    (bus[2] / RULES_FILE).touch()
    assert seen_on(bus)["udev"].state == "well"


def test_the_rules_of_the_service_will_do_as_well(bus: tuple[Path, Path, Path]) -> None:
    (bus[2] / SERVICE_RULES_FILE).touch()
    found = seen_on(bus)["udev"]
    assert found.state == "well"
    assert SERVICE_RULES_FILE in found.text


def test_an_instrument_that_may_not_be_opened_is_in_the_way_and_the_rules_are_named(
    bus: tuple[Path, Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    node = bus[1] / "001" / "001"
    monkeypatch.setattr(os, "access", lambda path, mode: path != node)
    found = seen_on(bus)["usb"]
    assert found.state == "in-the-way"
    assert found.do is not None and RULES_FILE in found.do


def test_an_instrument_without_a_node_is_in_the_way(bus: tuple[Path, Path, Path]) -> None:
    (bus[1] / "001" / "001").unlink()
    assert seen_on(bus)["usb"].state == "in-the-way"


def test_a_computer_without_usb_is_well(tmp_path: Path) -> None:
    found = seen_on((tmp_path / "sys", tmp_path / "dev", tmp_path / "rules"))
    assert {one.state for one in found.values()} == {"well"}


@pytest.mark.parametrize(("wanted", "state"), [(True, "in-the-way"), (False, "note")])
def test_missing_libusb_is_in_the_way_of_those_who_need_it(tmp_path: Path, wanted: bool, state: str) -> None:
    def listed() -> list[object]:
        raise NoLibusb(2, "no libusb")

    first = next(iter(usb.instruments(tmp_path, tmp_path, [], wanted=wanted, listed=listed, system="linux")))  # type: ignore[arg-type]
    assert (first.what, first.state) == ("libusb", state)
    assert first.do is not None and "libusb" in first.do


# Port.


def test_a_free_port_is_well(free_port: int) -> None:
    assert port.port("127.0.0.1", free_port, "1.2.3").state == "well"


def test_a_port_that_our_own_daemon_holds_is_well_unless_it_is_of_another_version() -> None:
    with answering({"/healthz": (200, ALIVE)}) as number:
        assert port.port("127.0.0.1", number, "1.2.3").state == "well"
        older = port.port("127.0.0.1", number, "1.3.0")
    assert older.state == "note"
    assert "1.2.3" in older.text and "1.3.0" in older.text


def test_a_daemon_that_says_that_it_is_not_well_is_in_the_way() -> None:
    told = {"detail": "healthz: acquisition has given no sign of life", "do": "start it again"}
    with answering({"/healthz": (500, json.dumps(told))}) as number:
        found = port.port("127.0.0.1", number, "1.2.3")
    assert (found.state, found.do) == ("in-the-way", "start it again")


@pytest.mark.parametrize("answer", [(200, "hello"), (200, "[]"), (200, "{}"), (500, "{}"), (404, "\xff")])
def test_a_port_that_another_program_holds_is_in_the_way_and_its_holder_is_named(answer: tuple[int, str]) -> None:
    with answering({"/healthz": answer}) as number:
        found = port.port("127.0.0.1", number, "1.2.3")
    assert found.state == "in-the-way"
    assert f"(process {os.getpid()})" in found.text


def test_a_program_that_accepts_and_says_nothing_is_another_program(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(port, "ANSWER_S", 0.1)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        assert port.port("127.0.0.1", silent.getsockname()[1], "1.2.3").state == "in-the-way"


def test_a_daemon_that_listens_everywhere_is_asked_on_loopback() -> None:
    assert port.url_of("0.0.0.0", 8714) == "http://127.0.0.1:8714/"
    assert port.url_of("::", 8714) == "http://[::1]:8714/"
    assert port.url_of("192.0.2.4", 80) == "http://192.0.2.4:80/"


# The machine.


def test_folders_are_written_to_and_those_to_come_are_made_where_that_can_be_done(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    named = {"the book": tmp_path, "calibrations": tmp_path / "to" / "come", "backups": tmp_path / "file" / "in it"}
    assert [one.state for one in machine.folders(named)] == ["well", "well", "in-the-way"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file"], "nothing is left behind"


def test_a_folder_to_come_is_not_said_to_be_one_that_can_be_written_to(tmp_path: Path) -> None:
    (found,) = machine.folders({"the book": tmp_path / "to" / "come"})
    assert found.text == f"{tmp_path / 'to' / 'come'}, for the book, is not there yet, and can be made"


def test_nobody_is_told_to_let_a_user_write_to_the_root_of_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "TemporaryFile", refused)
    (found,) = machine.folders({"the book": Path("/nonexistent/.local/share/peakwhite")})
    assert found.state == "in-the-way"
    assert found.do is not None and "write to /" not in found.do
    assert "HOME" in found.do and "STATE_DIRECTORY" in found.do and "--book" in found.do


@pytest.mark.parametrize(
    ("free", "a_day", "state"),
    [(LOW_BYTES - 1, 0.0, "in-the-way"), (LOW_BYTES, 0.0, "well"), (3e9, 204e6, "note"), (9e9, 204e6, "well")],
)
def test_room_is_judged_by_what_is_left_and_by_what_is_written(
    tmp_path: Path, free: float, a_day: float, state: str
) -> None:
    assert machine.disk(tmp_path, a_day, lambda folder: int(free)).state == state


@pytest.mark.parametrize(
    ("year", "synced", "state"),
    [(1970, False, "in-the-way"), (2026, True, "well"), (2026, None, "well"), (2027, False, "note")],
)
def test_a_clock_before_this_program_is_in_the_way(year: int, synced: bool | None, state: str) -> None:
    utc_ns = int(datetime(year, 6, 1, tzinfo=UTC).timestamp()) * 1_000_000_000
    assert machine.clock(Clock(lambda: 0, lambda: utc_ns, lambda: synced)).state == state


# What is written.


def metrics_of(uptime_s: float, written: float) -> str:
    return f"peakwhite_uptime_seconds {uptime_s}\npeakwhite_written_bytes_total {written}\n"


@pytest.mark.parametrize(
    ("text", "a_day"),
    [
        (metrics_of(43_200.0, 50e6), 100e6),
        (metrics_of(60.0, 50e6), None),
        (metrics_of(43_200.0, 0.0), None),
        ("{not metrics", None),
        ("", None),
    ],
)
def test_what_a_running_daemon_counted_is_taken_where_it_has_run_long_enough(text: str, a_day: float | None) -> None:
    with answering({"/metrics": (200, text)}) as number:
        found = wear.measured(f"http://127.0.0.1:{number}/")
    assert (None if found is None else found.bytes_a_day) == a_day
    assert found is None or "12.0 h" in found.how


def test_where_the_daemon_does_not_let_us_in_the_estimate_says_so() -> None:
    with answering({"/metrics": (401, "no")}) as number:
        found = wear.known(f"http://127.0.0.1:{number}/", Settings())
    assert found.bytes_a_day == wear.estimated(Settings()).bytes_a_day
    assert "does not tell without an access token: give its code as PEAKWHITE_TOKEN" in wear.wear(found).text


def test_the_daemon_is_sent_the_token_that_the_environment_has(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PEAKWHITE_TOKEN", "a-code")
    with answering({"/metrics": (200, metrics_of(43_200.0, 50e6))}, token="a-code") as number:
        assert wear.known(f"http://127.0.0.1:{number}/", Settings()).bytes_a_day == 100e6
        monkeypatch.delenv("PEAKWHITE_TOKEN")
        assert "does not tell" in wear.known(f"http://127.0.0.1:{number}/", Settings()).how


def test_the_estimate_says_so_and_falls_with_rarer_writing() -> None:
    often = wear.estimated(Settings())
    rarely = wear.estimated(parse_settings("[book]\nlog_batch_s = 60", Path("x.toml")))
    never = wear.estimated(parse_settings("[book]\nlog = false", Path("x.toml")))
    assert 200e6 > often.bytes_a_day > 2 * rarely.bytes_a_day > never.bytes_a_day == 0.0
    assert "estimated" in wear.wear(often).text


# The command.


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, free_port: int) -> Path:
    """A user's own folders, with settings that name a free port."""
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME"):
        monkeypatch.setenv(name, str(tmp_path))
    (tmp_path / "peakwhite").mkdir()
    (tmp_path / "peakwhite" / "peakwhite.toml").write_text(f"[http]\nport = {free_port}\n")
    return tmp_path


def test_every_part_is_looked_at_and_each_finding_in_the_way_says_what_to_do(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status = run(["doctor", "--json"])
    found = json.loads(capsys.readouterr().out)
    looked_at = {"python", "settings", "scope", "libusb", "port", "folder", "calibrated", "written", "disk", "clock"}
    assert {one["what"] for one in found} >= looked_at
    in_the_way = [one for one in found if one["state"] == "in-the-way"]
    assert status == (3 if in_the_way else 0)
    assert all(one["do"] for one in in_the_way)


def test_settings_that_are_wrong_are_told_with_their_line_and_the_rest_is_looked_at_all_the_same(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = home / "peakwhite" / "peakwhite.toml"
    file.write_text("[live]\nrate_herz = 3\n")
    assert run(["doctor"]) == 3
    told = capsys.readouterr().out
    assert f"in the way  settings    {file}: line 2" in told
    assert "the nearest is 'rate_hz'" in told
    assert "clock" in told


def test_a_settings_folder_that_the_page_cannot_write_to_is_worth_knowing(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "file").write_text("no folder")
    run(["doctor", "--config", str(home / "peakwhite" / "peakwhite.toml")])
    told = capsys.readouterr().out
    assert f"well        folder      {home / 'peakwhite'}, for settings changed by the page, can be written to" in told
    assert "calibrated  there is no calibration yet" in told
    run(["doctor", "--config", str(home / "file" / "peakwhite.toml")])
    assert (
        f"note        folder      {home / 'file'}, for settings changed by the page, cannot" in capsys.readouterr().out
    )


def test_a_missing_settings_file_that_was_named_is_in_the_way(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["doctor", "--config", str(home / "none.toml")]) == 3
    assert "there is no such file" in capsys.readouterr().out
