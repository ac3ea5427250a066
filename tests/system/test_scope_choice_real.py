"""Of the found scopes another is chosen: two real simulated scopes, a real daemon, over HTTP."""

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from live_client import live_client
from peakwhite.drivers.links import Link, open_link

HELPERS = str(Path(__file__).parents[1] / "helpers")
IN_USE = "api/v1/scopes/in-use"
LOOK = ":HEAD?;:CH1:SCA?;:CH2:POS?;:HOR:MAI:SCA?;:TRIG:MAI:MOD?;:ACQ:STATE?"


class Bench:
    """Two scopes, of which the second shows a red of 90 %, and the file by which they are found."""

    def __init__(self, children: Any) -> None:
        self.children = children
        self.first, self.second = children.scope("--seed", "1"), children.scope("--seed", "2", "--identity", SECOND)
        assert self.second.ask({"set": {"red": {"gain_percent": 90.0}}})["ok"]
        self.announced = children.folder / "announced.txt"
        self.announced.write_text(f"{self.first.resource} {self.second.resource}")

    def daemon(self, *arguments: str) -> Any:
        return self.children.daemon(str(self.announced), "serve", *arguments, module="announced")

    def truth(self, scope: Any) -> float:
        """Red's level on it, mV."""
        return float(scope.ask({"get": "truth"})["truth"]["signals"]["red"]["peak_white_mv"])


SECOND = "PEAKWHITE,SIM-CURVE,SECOND,1"


def scanned(daemon: Any) -> dict[str, Any]:
    """What is found, by resource."""
    return {one["resource"]: one for one in daemon.json("POST", "api/v1/scopes/scan")["scopes"]}


def red_of(reading: dict[str, Any]) -> float | None:
    """Red's level, where the reading has it."""
    level: float | None = next(one for one in reading["channels"] if one["role"] == "red")["peak_white_mv"]
    return level


@pytest.fixture
def bench(children: Any, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(filter(None, [HELPERS, os.environ.get("PYTHONPATH")])))
    return Bench(children)


@pytest.fixture
def user(bench: Bench) -> Iterator[Link]:
    """The first scope's user."""
    link = open_link(bench.first.resource)
    yield link
    link.close()


def test_of_the_found_scopes_another_is_chosen_by_its_id_and_levels_come_from_it(
    bench: Bench, user: Link, eventually: Callable[..., Any], tmp_path: Path
) -> None:
    before = user.query(LOOK)
    config = tmp_path / "bench.toml"
    config.write_text(f"# the bench\n[scope]\nresource = '{bench.first.resource}' # by the window\n")
    daemon = bench.daemon("--config", str(config))
    found = scanned(daemon)
    assert found[bench.second.resource]["identity"] == SECOND
    with live_client(daemon) as client:
        old = client.reading(lambda one: red_of(one) is not None)
        assert old["scope"]["resource"] == bench.first.resource
        for sent in (bench.second.resource, "TCPIP0::192.0.2.66::5025::SOCKET"):
            assert daemon.request("PUT", IN_USE, {"id": sent})[0] == 404
        answer = daemon.json("PUT", IN_USE, {"id": found[bench.second.resource]["id"]})
        assert answer["kept"]
        new = client.reading(lambda one: one["setup"] == 2 and red_of(one) is not None)
        assert new["scope"] == {"identity": SECOND, "resource": bench.second.resource}
        assert red_of(new) == pytest.approx(bench.truth(bench.second), abs=4.0)
        assert abs(bench.truth(bench.second) - bench.truth(bench.first)) > 50.0
    assert user.query(LOOK) == before, "the first has its user's set-up back"
    text = config.read_text()
    assert f'resource = "{bench.second.resource}" # by the window' in text and text.startswith("# the bench")
    assert f"scope changed over: {bench.second.resource} after {bench.first.resource}" in daemon.child.stderr
    daemon.process.send_signal(signal.SIGTERM)
    assert daemon.child.wait() == 0


def test_a_chosen_scope_that_does_not_open_is_one_line_and_is_waited_for_until_another_is_chosen(
    bench: Bench, eventually: Callable[..., Any]
) -> None:
    daemon = bench.daemon("--scope", bench.first.resource)
    found = scanned(daemon)
    bench.second.ask({"fault": "refuse-connections"})
    with live_client(daemon) as client:
        client.reading()
        answer = daemon.json("PUT", IN_USE, {"id": found[bench.second.resource]["id"]})
        assert (answer["kept"], answer["why_not_kept"]) == (False, "--scope goes before the settings file")
        told = client.until("status", lambda one: one["scope"]["text"].startswith(bench.second.resource))
        assert (told["scope"]["state"], len(told["problems"]), told["setup"]) == ("absent", 1, 2)
        bench.second.ask({"fault": None})
        assert client.reading(lambda one: one["setup"] == 2)["scope"]["resource"] == bench.second.resource
        daemon.json("PUT", IN_USE, {"id": found[bench.first.resource]["id"]})
        assert client.reading(lambda one: one["setup"] == 3)["scope"]["resource"] == bench.first.resource


def test_a_daemon_that_was_started_without_a_scope_takes_up_the_one_that_is_chosen(bench: Bench) -> None:
    daemon = bench.daemon()
    with live_client(daemon) as client:
        client.until("status", lambda one: one["scope"]["text"] == "no scope is named")
        assert daemon.json("PUT", IN_USE, {"id": scanned(daemon)[bench.second.resource]["id"]})["kept"]
        assert client.reading()["scope"]["resource"] == bench.second.resource
