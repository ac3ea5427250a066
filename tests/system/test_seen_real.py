"""A real daemon seen from outside: what it counts while a real scope comes and goes, and where its log goes."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
from prometheus_client.parser import text_string_to_metric_families

from live_client import channel_of, is_fresh, live_client
from scraped import counted

END_S = 30.0


@contextmanager
def a_daemon(folder: Path, *arguments: str, stderr: int) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """`peakwhite serve` with its standard error there, and its address."""
    own = {name: str(folder) for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_DATA_HOME")}
    found = os.fstat(stderr)
    journal = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}
    command = (sys.executable, "-m", "peakwhite.daemon", "serve", *arguments, "--port", "0", "--no-browser")
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=stderr, env=os.environ | own | journal)
    assert process.stdout is not None
    try:
        yield process, process.stdout.readline().decode().strip()
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def test_counters_rise_and_a_scope_that_stalls_and_goes_on_is_one_reconnect_and_two_lines(
    simulated_scope: Any, daemon: Any, eventually: Callable[..., Any]
) -> None:
    first = eventually(lambda: (now := counted(daemon))["peakwhite_readings_total"] >= 1 and now)
    assert first["peakwhite_scope_reconnects_total"] == 0.0
    with live_client(daemon) as viewer:
        viewer.reading()
        while_seen = counted(daemon)
        assert while_seen["peakwhite_viewers"] == 1.0
        assert while_seen["peakwhite_frames_sent_total reading"] >= 1.0
    simulated_scope.signal(signal.SIGSTOP)
    lost = eventually(lambda: (now := counted(daemon))["peakwhite_scope_state lost"] == 1.0 and now)
    assert (lost["peakwhite_ready"], lost["peakwhite_scope_reconnects_total"]) == (0.0, 0.0)
    assert lost["peakwhite_capture_publish_seconds_count"] == lost["peakwhite_readings_total"], "both stand still now"
    assert not [name for name in lost if name.startswith("peakwhite_level_volts")]
    assert daemon.request("GET", "readyz")[0] == 503
    assert daemon.request("GET", "healthz")[0] == 200, "a scope that is away is no fault of the process"
    simulated_scope.signal(signal.SIGCONT)
    back = eventually(lambda: (now := counted(daemon))["peakwhite_ready"] == 1.0 and now)
    assert back["peakwhite_scope_reconnects_total"] == 1.0
    assert sum(value for name, value in back.items() if name.startswith("peakwhite_scope_failures_total")) >= 1.0
    assert back["peakwhite_captures_total captured"] > first["peakwhite_captures_total captured"]
    reading = eventually(lambda: is_fresh(now := daemon.json("GET", "api/v1/reading")) and now)
    for channel in (channel_of(reading, role) for role in ("red", "green", "blue")):
        name = f"peakwhite_level_volts {channel['channel']} {channel['role']}"
        level = eventually(lambda name=name: counted(daemon).get(name))  # not of a capture in the vertical interval
        assert level == pytest.approx(channel["peak_white_mv"] / 1e3, abs=0.01)
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0  # with all of its log written
    log = [line for line in daemon.child.stderr.splitlines() if "watch: scope" in line]
    assert [line.split("watch: ")[1].split(" ")[1].rstrip(":") for line in log if "not there" not in line] == [
        "lost",
        "back",
    ]


def test_a_log_that_nobody_reads_stops_nothing_and_the_daemon_ends_all_the_same(
    simulated_scope: Any, tmp_path: Path, eventually: Callable[..., Any]
) -> None:
    read, write = os.pipe()
    os.set_blocking(write, False)
    try:
        while True:
            os.write(write, b"x" * 4096)
    except BlockingIOError:
        os.set_blocking(write, True)
    with a_daemon(tmp_path, "--scope", simulated_scope.resource, stderr=write) as (process, url):

        def readings() -> float:
            with urlopen(f"{url}metrics") as answer:
                families = text_string_to_metric_families(answer.read().decode())
            return next(family.samples[0].value for family in families if family.name == "peakwhite_readings")

        before = eventually(readings)
        eventually(lambda: readings() > before + 5)
        process.send_signal(signal.SIGTERM)
        assert process.wait(END_S) == 0
    os.close(read)
    os.close(write)


def test_in_the_journal_every_line_has_a_priority_and_with_json_is_an_object(tmp_path: Path) -> None:
    settings = tmp_path / "bench.toml"
    settings.write_text('[scope]\nresource = "TCPIP0::127.0.0.1::9::SOCKET"\n[log]\nformat = "json"\n')
    read, write = os.pipe()
    with a_daemon(tmp_path, "--config", str(settings), stderr=write) as (process, _):
        os.close(write)
        with os.fdopen(read, encoding="utf-8") as stream:
            told = []
            for line in stream:
                told.append(line)
                if "scope not there" in line:
                    process.send_signal(signal.SIGTERM)
        assert process.wait(END_S) == 0
    objects = [(line[:3], json.loads(line[3:])) for line in told]
    assert all({"<6>": "info", "<4>": "warning"}[priority] == one["level"] for priority, one in objects)
    messages = [one["message"] for _, one in objects]
    assert any(message.startswith("caution: ") for message in messages)
    assert sum("scope not there" in message for message in messages) == 1
