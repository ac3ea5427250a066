"""REST of terminator test and tie, over captures that a test makes while a press is being taken."""

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from made_video import Made, capture_of, digitised, picture_wave, rgb_sync, white
from peakwhite.daemon.calibrations import StoredCalibrations, default_folder, load_calibrations
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.services import Services
from peakwhite.daemon.live import ControlLease, Hub, Problem, ScopeStatus
from peakwhite.daemon.measure.calibration import VALID_DAYS
from peakwhite.daemon.measure.engine import measure_capture
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT
from peakwhite.daemon.measure.reading import LatencyMs, Reading, ScopeTag, iso_utc
from peakwhite.daemon.measure.targets import Conditions
from peakwhite.daemon.procedures import Procedures
from peakwhite.daemon.recalibration import Recalibration
from peakwhite.drivers.capture import Capture, GainSpec

HOST = "127.0.0.1:8714"
IDENTITY = "MAKER,MODEL-4,SN77,1.0"
TERMINATOR, TIE = "/api/v1/procedures/terminator", "/api/v1/procedures/tie"
MADE = Made(lsb_mv=8.0, centre_mv=700.0, noise_mv=6.0)
PRESSES = [
    ("POST", f"{TERMINATOR}/first", {"second": "open"}),
    ("POST", f"{TERMINATOR}/second", None),
    ("DELETE", TERMINATOR, None),
    ("POST", f"{TIE}/learn", {}),
    ("POST", f"{TIE}/keep", None),
    ("DELETE", TIE, None),
]


def shown(red_mv: float, green_mv: float, blue_mv: float, seed: int = 1, identity: str = IDENTITY) -> Capture:
    """Red, green and blue at these levels, beside a sync."""
    capture = rgb_sync(replace(MADE, seed=seed), white(red_mv), white(green_mv), white(blue_mv))
    return replace(capture, identity=identity, gain_spec=GainSpec(3.0))


class Bench:
    """A daemon whose captures come from a thread, as the acquisition's do."""

    def __init__(self, folder: Path, wait_s: float) -> None:
        self.setup = SetupInForce(Setup(conditions=Conditions(BENCH_DEFAULT)))
        self.lease = ControlLease(lambda: 0.0)
        self.hub = Hub(self.lease, lambda: self.setup.current.generation, lambda: self.now_s)
        self.hub.announce(ScopeStatus("ready", 1, "capturing"), ())
        self.now_s = 1000.0
        self._numbers = count(1)
        recalibration = Recalibration(StoredCalibrations(), self.setup, self.hub)
        self.procedures = Procedures(self.setup, self.hub, recalibration.look, lambda: self.now_s, wait_s=wait_s)
        services = Services(
            hub=self.hub,
            lease=self.lease,
            setup=self.setup,
            version="1.2.3",
            run="abcd",
            hosts=frozenset({HOST}),
            page=folder,
            scan=self.scan,
            check_hookup=lambda hookup: None,
            trimmers=None,
            now_s=lambda: self.now_s,
            procedures=self.procedures,
        )
        self.client = TestClient(create_app(services), base_url=f"http://{HOST}", raise_server_exceptions=False)

    async def scan(self) -> list[Any]:
        return []

    @contextmanager
    def showing(self, captures: Sequence[Capture]) -> Iterator[None]:
        """While this lasts the captures come again and again, each later than the one before."""
        ended = threading.Event()
        measured = [measure_capture(one, self.setup.current.conditions) for one in captures]

        def run() -> None:
            while not ended.wait(0.002):
                number = next(self._numbers)
                capture = replace(captures[number % len(captures)], captured_at_ns=10**18 + number)
                one, tag = measured[number % len(captures)], ScopeTag(capture.identity, None)
                setup, at_ns = self.setup.current.generation, capture.captured_at_ns
                self.procedures.on_reading(Reading("abcd", number, setup, at_ns, LatencyMs(1, 2), tag, one), capture)

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield
        finally:
            ended.set()
            thread.join()

    def press(self, path: str, body: object, *captures: Capture) -> Any:
        with self.showing(captures):
            return self.client.post(path, json=body)

    def first(self, second: str, red_mv: float, green_mv: float, blue_mv: float) -> Any:
        captures = [shown(red_mv, green_mv, blue_mv, seed) for seed in (1, 2)]
        return self.press(f"{TERMINATOR}/first", {"second": second}, *captures)

    def second(self, red_mv: float, green_mv: float, blue_mv: float) -> Any:
        return self.press(f"{TERMINATOR}/second", None, *[shown(red_mv, green_mv, blue_mv, seed) for seed in (3, 4)])


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    made = Bench(tmp_path, 12.0)
    with made.client:
        yield made


@pytest.fixture
def hasty_bench(tmp_path: Path) -> Iterator[Bench]:
    """Waits a second and a half for steady levels."""
    made = Bench(tmp_path, 1.5)
    with made.client:
        yield made


def refused(response: Any, status: int, code: str) -> str:
    body = response.json()
    assert (response.status_code, body["code"]) == (status, code), body
    return f"{body['detail']}; {body['do']}"


def by_role(response: Any) -> dict[str, Any]:
    assert response.status_code == 200, response.json()
    return {one["role"]: one for one in response.json()["result"]}


def test_two_presses_tell_the_source_impedance_of_every_channel(bench: Bench) -> None:
    body = bench.first("open", 700.0, 700.0, 700.0).json()
    assert {one["role"]: one["level_mv"] for one in body["first"]} == {
        role: pytest.approx(700.0, abs=2.0) for role in ("red", "green", "blue")
    }
    found = by_role(bench.second(1400.0, 1120.0, 840.0))
    for role, source_ohm in (("red", 75.0), ("green", 45.0), ("blue", 15.0)):
        assert found[role]["source_ohm"] == pytest.approx(source_ohm, abs=found[role]["u95_ohm"])
        assert found[role]["u95_ohm"] < 2.5 and found[role]["same_range"]
    assert found["red"]["words"].endswith("ohm: back-terminated as it should be")
    assert found["green"]["words"].endswith("ohm: less than the 75 ohm that belong there")
    assert found["blue"]["words"].endswith("ohm: hardly any series resistor at the output")
    assert [hint["code"] for hint in found["blue"]["hints"]] == ["no-back-termination"]
    body = bench.client.get(TERMINATOR).json()
    assert (body["second"], body["result"]) == ("open", list(found.values())), "it stays to be read"


def test_a_second_load_does_too(bench: Bench) -> None:
    bench.first("two-loads", 700.0, 700.0, 700.0)
    found = by_role(bench.second(466.7, 466.7, 466.7))
    assert found["red"]["source_ohm"] == pytest.approx(75.0, abs=found["red"]["u95_ohm"])
    assert found["red"]["words"].endswith("75 ohm are likely; one range and an open output tell it closer")


def test_room_is_made_for_an_open_output_until_the_test_ends(bench: Bench) -> None:
    bench.first("open", 700.0, 700.0, 700.0)
    assert bench.setup.current.conditions.headroom > 1.5
    bench.second(1400.0, 1400.0, 1400.0)
    assert bench.setup.current.conditions.headroom > 1.5, "the terminators are still off"
    assert bench.client.delete(TERMINATOR).json()["first"] is None
    assert bench.setup.current.conditions.headroom == 1.0


def test_a_level_that_did_not_move_is_told_and_the_second_press_may_come_again(bench: Bench) -> None:
    bench.first("open", 700.0, 700.0, 700.0)
    found = by_role(bench.second(1400.0, 700.0, 700.0))
    assert found["green"]["words"].startswith("the level did not move: its terminator stayed on, or ")
    assert "was really off" in found["green"]["hints"][0]["test"]
    found = by_role(bench.second(1400.0, 1400.0, 1400.0))
    assert found["green"]["source_ohm"] == pytest.approx(75.0, abs=2.5)


def test_without_a_first_press_the_second_is_refused(bench: Bench) -> None:
    assert "no first press" in refused(bench.second(700.0, 700.0, 700.0), 422, "usage")


def test_another_set_up_since_the_first_press_is_refused(bench: Bench) -> None:
    bench.first("open", 700.0, 700.0, 700.0)
    conditions = bench.setup.current.conditions
    bench.setup.swap(replace(conditions, pattern_white_pct=75.0))
    assert "changed since the first press; start again" in refused(bench.second(1400.0, 1400.0, 1400.0), 422, "usage")
    assert bench.setup.current.conditions == replace(conditions, pattern_white_pct=75.0, headroom=1.0)
    assert bench.client.get(TERMINATOR).json()["first"] is None


def test_a_first_press_counts_for_five_minutes(bench: Bench) -> None:
    bench.first("two-loads", 700.0, 700.0, 700.0)
    bench.now_s += 299.0
    assert bench.client.get(TERMINATOR).json()["age_s"] == pytest.approx(299.0)
    bench.now_s += 2.0
    assert "older than 5 min; start again" in refused(bench.second(467.0, 467.0, 467.0), 422, "usage")


def test_another_scope_than_at_the_first_press_is_refused(bench: Bench) -> None:
    bench.first("two-loads", 700.0, 700.0, 700.0)
    other = shown(467.0, 467.0, 467.0, identity="MAKER,MODEL-4,SN78,1.0")
    assert "another scope" in refused(bench.press(f"{TERMINATOR}/second", None, other), 422, "usage")


def test_a_channel_of_the_first_press_that_is_not_seen_any_more_is_named(bench: Bench) -> None:
    bench.first("open", 700.0, 700.0, 700.0)
    assert "press: CH1 runs off the scope's range" in refused(bench.second(2600.0, 1400.0, 1400.0), 422, "usage")
    assert bench.client.get(TERMINATOR).json()["first"], "the second press may come again"


def flat(seed: int) -> Capture:
    """Noise alone on all four."""
    made = replace(MADE, seed=seed)
    noise = picture_wave(made, white(0.0)) * 0.0
    records = [digitised(made, f"CH{number}", noise, number) for number in (1, 2, 3, 4)]
    return replace(capture_of(made, *records), identity=IDENTITY)


@pytest.mark.parametrize(
    ("captures", "status", "code", "words"),
    [
        ([], 503, "no-reading", "no capture came"),
        ([flat(1)], 422, "usage", "no sync is found"),
        ([shown(0.0, 0.0, 0.0)], 422, "usage", "no white is seen on CH1 and CH2 and CH3"),
        ([shown(600.0, 600.0, 600.0), shown(700.0, 600.0, 600.0)], 422, "usage", "the levels are not steady"),
    ],
    ids=["nothing", "no sync", "black", "moving"],
)
def test_a_press_says_what_its_captures_lack(
    hasty_bench: Bench, captures: list[Capture], status: int, code: str, words: str
) -> None:
    if captures:
        response = hasty_bench.press(f"{TERMINATOR}/first", {"second": "open"}, *captures)
    else:
        response = hasty_bench.client.post(f"{TERMINATOR}/first", json={"second": "open"})
    assert f"press: {words}" in refused(response, status, code)
    assert hasty_bench.setup.current.conditions.headroom == 1.0


def test_every_press_is_refused_while_somebody_else_holds_control(bench: Bench) -> None:
    bench.lease.take("phone")
    for method, path, body in PRESSES:
        assert "phone holds control" in refused(bench.client.request(method, path, json=body), 409, "control-held")


def test_every_route_is_described_with_the_errors_that_it_gives(bench: Bench) -> None:
    document = bench.client.get("/openapi.json").json()["paths"]
    writing = {(method.upper(), path) for path, one in document.items() if "/procedures/" in path for method in one}
    assert writing - {("GET", TERMINATOR), ("GET", TIE)} == {(method, path) for method, path, _ in PRESSES}
    for method, path in writing:
        operation = document[path][method.lower()]
        assert operation["summary"] and operation["description"], (method, path)
        assert method == "GET" or "409" in operation["responses"]


def learn(bench: Bench, red_mv: float, green_mv: float, blue_mv: float, **body: str) -> Any:
    return bench.press(f"{TIE}/learn", body, *[shown(red_mv, green_mv, blue_mv, seed) for seed in (1, 2, 3, 4)])


def test_a_tie_is_learnt_by_one_press_and_kept_by_another(bench: Bench) -> None:
    body = learn(bench, 700.0, 707.0, 693.0).json()
    gains = {one["channel"]: one["relative_gain"] for one in body["learnt"]}
    assert gains == {"CH1": 1.0, "CH2": pytest.approx(1.01, abs=1e-3), "CH3": pytest.approx(0.99, abs=1e-3)}
    assert body["learnt"][1]["words"].startswith("reads 1.0")
    assert body["match_u95_mv"] < 0.3 * body["match_u95_before_mv"]
    assert (body["file"], bench.setup.current.conditions.calibrations) == (None, ())
    kept = bench.client.post(f"{TIE}/keep").json()
    made = load_calibrations()
    assert kept["file"] == str(default_folder() / "SN77.json")
    assert [(one.way, one.channel, one.valid_days) for one in made] == [
        ("tie", name, VALID_DAYS) for name in ("CH1", "CH2", "CH3")
    ]
    assert kept["valid_until"] == iso_utc(made[0].made_at_ns + 90 * 86_400 * 10**9)
    assert bench.setup.current.conditions.calibrations == made
    assert "nothing to keep" in refused(bench.client.post(f"{TIE}/keep"), 422, "usage"), "it was kept once"


def test_another_channel_may_be_the_reference(bench: Bench) -> None:
    body = learn(bench, 700.0, 707.0, 693.0, reference="CH3").json()
    assert [one["reference"] for one in body["learnt"]] == ["CH3"] * 3
    assert "CH4 carries no colour" in refused(learn(bench, 700.0, 700.0, 700.0, reference="CH4"), 422, "usage")


def test_a_probe_that_was_left_elsewhere_is_no_tie(bench: Bench) -> None:
    told = refused(learn(bench, 700.0, 700.0, 500.0), 503, "instrument")
    assert told.startswith("CH3: it reads 0.714 of what CH1 reads")
    assert bench.client.get(TIE).json()["learnt"] is None


def test_a_tie_on_another_range_than_that_of_every_day_says_so_and_ends_a_terminator_test(bench: Bench) -> None:
    bench.first("open", 700.0, 700.0, 700.0)
    assert learn(bench, 700.0, 707.0, 693.0).json()["range_note"] is None
    assert bench.setup.current.conditions.headroom == 1.0
    bench.hub.announce(ScopeStatus("ready", 1, "capturing"), [Problem("range-widened", "it was widened", "nothing", 1)])
    assert "holds on the present one alone" in learn(bench, 700.0, 707.0, 693.0).json()["range_note"]


def past(bench: Bench) -> None:
    bench.now_s += 301.0


def other_set_up(bench: Bench) -> None:
    bench.setup.swap(replace(bench.setup.current.conditions, pattern_white_pct=75.0))


def start_again(bench: Bench) -> None:
    assert bench.client.delete(TIE).json()["learnt"] is None


@pytest.mark.parametrize(
    ("before", "words"),
    [(past, "more than 5 min ago"), (other_set_up, "changed since it was learnt"), (start_again, "nothing to keep")],
)
def test_what_is_not_of_here_and_now_is_not_kept(bench: Bench, before: Callable[[Bench], None], words: str) -> None:
    learn(bench, 700.0, 707.0, 693.0)
    before(bench)
    assert words in refused(bench.client.post(f"{TIE}/keep"), 422, "usage")
    assert load_calibrations() == ()


def test_a_folder_that_cannot_be_written_is_named_and_the_tie_can_be_kept_once_it_can(
    bench: Bench, tmp_path: Path
) -> None:
    learn(bench, 700.0, 707.0, 693.0)
    (tmp_path / "peakwhite").write_text("in the way")
    assert str(default_folder()) in refused(bench.client.post(f"{TIE}/keep"), 500, "internal")
    (tmp_path / "peakwhite").unlink()
    assert bench.client.post(f"{TIE}/keep").status_code == 200
