"""The scope stops, hangs, dies and comes back; the page is told and the daemon needs no restart."""

import os
import signal
from collections.abc import Callable
from typing import Any

import pytest

from live_client import LiveClient, channel_of, is_fresh, live_client
from processes import children_of, is_running


def test_a_scope_that_hangs_is_lost_and_comes_back_when_it_goes_on(
    daemon: Any, simulated_scope: Any, eventually: Callable[..., Any]
) -> None:
    with live_client(daemon) as live:
        before = live.reading()
        live.status("ready")
        simulated_scope.signal(signal.SIGSTOP)
        lost = live.status("lost")
        assert [problem["code"] for problem in lost["problems"]] == ["link-timeout"]
        assert lost["scope"]["do"]
        assert daemon.request("GET", "readyz")[0] == 503
        eventually(lambda: daemon.request("GET", "api/v1/reading")[0] == 503)
        with live_client(daemon) as late:
            kinds = [late.frame()["type"] for _ in range(5)]
            assert (kinds[:2], set(kinds)) == (["hello", "status"], {"hello", "status", "bench"})
        simulated_scope.signal(signal.SIGCONT)
        live.status("ready")
        after = live.reading(is_fresh)
        assert (after["run"], after["seq"] > before["seq"]) == (before["run"], True)


def test_a_scope_that_is_killed_is_lost_and_its_return_is_noticed(
    daemon: Any, simulated_scope: Any, children: Any
) -> None:
    with live_client(daemon) as live:
        live.reading()
        simulated_scope.child.kill()
        lost = live.status("lost")
        assert lost["problems"][0]["code"] == "link-lost"
        children.scope("--clock", "real", "--port", str(simulated_scope.port))
        live.status("ready")
        live.reading(is_fresh)
    log = daemon.child.stderr
    assert log.count("scope lost") == log.count("scope back") == 1
    assert "Traceback" not in log


@pytest.mark.parametrize("fault", ["silent", "drop-mid-block", "garbage", "scale-nan", "switched-off"])
def test_a_fault_of_the_scope_is_survived(lasting_bench: Any, fault: str) -> None:
    with live_client(lasting_bench.daemon) as live:
        live.status("ready")
        assert lasting_bench.scope.ask({"fault": fault})["ok"]
        live.status("lost")
        assert lasting_bench.scope.ask({"fault": None})["ok"]
        live.status("ready")
        live.reading(is_fresh)
    assert "Traceback" not in lasting_bench.daemon.child.stderr


def red_at(live: LiveClient, percent: float) -> dict[str, Any]:
    """The first reading in which red stands at that per cent of nominal."""
    return live.reading(
        lambda item: is_fresh(item, "red") and abs(channel_of(item, "red")["peak_white_mv"] - 7.143 * percent) < 3.0
    )


def test_a_trimmer_of_the_demo_turns_the_level(demo: Any) -> None:
    with live_client(demo) as live:
        assert live.frame()["demo"] is True
        assert channel_of(red_at(live, 105.0), "red")["zone"] == "over"
        assert demo.json("PUT", "api/v1/demo/trimmers/red", {"percent": 97.0}) == {"percent": 97.0}
        assert channel_of(red_at(live, 97.0), "red")["verdict"] == "leave-it"
        assert demo.json("GET", "api/v1/demo")["trimmers"]["red"] == {"percent": 97.0}


def test_the_demo_starts_its_scope_again_with_the_trimmers_as_they_were(
    demo: Any, eventually: Callable[..., Any]
) -> None:
    with live_client(demo) as live:
        live.status("ready")
        demo.json("PUT", "api/v1/demo/trimmers/red", {"percent": 90.0})
        red_at(live, 90.0)
        (scope_pid,) = children_of(demo.process.pid)
        os.kill(scope_pid, signal.SIGKILL)
        live.status("lost")
        live.status("ready")
        red_at(live, 90.0)
        (new_pid,) = children_of(demo.process.pid)
        assert new_pid != scope_pid


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_the_demo_with_status_0_and_nothing_is_left(demo: Any, number: int) -> None:
    with live_client(demo) as live:
        live.status("ready")
        started = children_of(demo.process.pid)
        assert len(started) == 1
        demo.process.send_signal(number)
        assert demo.child.wait() == 0
        assert live.closed_with() == 1012
    assert not any(is_running(pid) for pid in started)
    assert demo.process.stdout.read() == b"", "the address is the only line on standard output"
    assert "Traceback" not in demo.child.stderr


def test_a_killed_demo_leaves_no_scope_behind(demo: Any, eventually: Callable[..., Any]) -> None:
    with live_client(demo) as live:
        live.status("ready")
        (scope_pid,) = children_of(demo.process.pid)
    demo.process.kill()
    demo.process.wait()
    eventually(lambda: not is_running(scope_pid))
