"""/metrics, /healthz and /readyz over a hub without a scope; the text is read by the library's own parser."""

import math
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from prometheus_client import REGISTRY
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.parser import text_string_to_metric_families
from starlette.websockets import WebSocketDisconnect

from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.counting import STALE_S, Tallies
from peakwhite.daemon.http.app import create_app
from peakwhite.daemon.http.metrics_table import METRICS
from peakwhite.daemon.http.services import Services
from peakwhite.daemon.live import ControlLease, Hub, Problem, ScopeStatus
from peakwhite.daemon.measure.reading import ChannelReading, LatencyMs, Measured, Reading, ScopeTag, SyncReading

HOST = "127.0.0.1:8714"
DEVELOPERS = (Path(__file__).resolve().parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")
READY = ScopeStatus("ready", 1, "capturing")


class Face:
    """The application over a hub whose clock a test turns."""

    def __init__(self, folder: Path) -> None:
        self.now_s = 50.0
        lease = ControlLease(lambda: self.now_s)
        self.hub = Hub(lease, lambda: 1, lambda: self.now_s)
        self.tallies = Tallies(disk=folder, book_waiting=lambda: {"writes": 2, "log": 0}, began_s=20.0)

        async def scan() -> list[object]:
            return []

        self.app = create_app(
            Services(
                hub=self.hub,
                lease=lease,
                setup=SetupInForce(Setup()),
                version='1.2 "beta"',
                run="abcd",
                hosts=frozenset({HOST}),
                page=folder,
                scan=scan,  # type: ignore[arg-type]
                check_hookup=lambda hookup: None,
                trimmers=None,
                now_s=lambda: self.now_s,
                tallies=self.tallies,
            )
        )

    def publish(self, *channels: ChannelReading, sync: str = "locked") -> None:
        measured = Measured(SyncReading(sync), channels, None, ())  # type: ignore[arg-type]
        self.hub.publish(Reading("abcd", 1, 1, 1, LatencyMs(4.0, 1.0), ScopeTag("scope", None), measured))


@pytest.fixture
def face(tmp_path: Path) -> Face:
    (tmp_path / "index.html").write_text("<!doctype html>")
    return Face(tmp_path)


@pytest.fixture
def client(face: Face) -> Iterator[TestClient]:
    with TestClient(face.app, base_url=f"http://{HOST}") as client:
        yield client


def families(client: TestClient) -> dict[str, Family]:
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    return {family.name: family for family in text_string_to_metric_families(answer.text)}


def samples(client: TestClient, name: str) -> dict[tuple[str, ...], float]:
    """Values of a metric by its labels."""
    family = families(client)[name.removesuffix("_total")]
    return {tuple(sample.labels.values()): sample.value for sample in family.samples if sample.name == name}


def test_every_metric_of_the_table_is_there_with_its_type_and_meaning_and_no_other_of_ours(client: TestClient) -> None:
    there = {name: family for name, family in families(client).items() if name.startswith("peakwhite_")}
    assert there.keys() == {metric.name.removesuffix("_total") for metric in METRICS}
    for metric in METRICS:
        family = there[metric.name.removesuffix("_total")]
        assert (family.type, family.documentation) == (metric.kind, metric.meaning)
        own = [set(sample.labels) - {"le"} for sample in family.samples]
        assert all(labels == set(metric.labels) for labels in own)


def test_names_follow_the_rules_of_prometheus() -> None:
    for metric in METRICS:
        assert re.fullmatch(r"peakwhite(_[a-z]+)+", metric.name)
        assert metric.name.endswith("_total") == (metric.kind == "counter"), metric.name
        assert not re.search(r"_(milli|micro|ms|mv|percent|count|sum|bucket)\w*$", metric.name), (
            "base units, no suffix of parts"
        )
        if metric.kind == "histogram":
            assert metric.name.endswith("_seconds")


def test_the_table_in_developers_is_the_table_in_the_code() -> None:
    head = "| metric | type | labels | what it tells |\n|---|---|---|---|\n"
    rows = [
        f"| `{name}` | {kind} | {', '.join(f'`{label}`' for label in labels)} | {meaning} |".replace("|  |", "| |")
        for name, kind, labels, meaning in METRICS
    ]
    assert DEVELOPERS.split(head)[1].split("\n\n")[0].splitlines() == rows


def test_levels_are_in_volts_and_absent_where_they_were_not_measured(face: Face, client: TestClient) -> None:
    face.hub.announce(READY, ())
    face.publish(
        ChannelReading("CH1", "red", peak_white_mv=750.25, u95_mv=22.5),
        ChannelReading("CH2", "green"),
        ChannelReading("CH3", "blue", peak_white_mv=700.0, held=True, age_s=2.0),
        ChannelReading("CH4", None, peak_white_mv=1.0),
    )
    assert samples(client, "peakwhite_level_volts") == {("CH1", "red"): 0.75025}
    assert samples(client, "peakwhite_level_uncertainty_volts") == {("CH1", "red"): 0.0225}
    face.now_s += 10.0
    assert samples(client, "peakwhite_level_volts") == {}
    assert samples(client, "peakwhite_reading_age_seconds") == {(): 10.0}


def test_no_value_is_ever_nan(face: Face, client: TestClient) -> None:
    face.hub.announce(READY, ())
    face.publish(ChannelReading("CH1", "red", peak_white_mv=float("nan"), u95_mv=float("inf")))
    assert not any(math.isnan(sample.value) for family in families(client).values() for sample in family.samples)


def test_ready_is_what_readyz_says(face: Face, client: TestClient) -> None:
    def both() -> tuple[int, float]:
        return client.get("/readyz").status_code, samples(client, "peakwhite_ready")[()]

    assert both() == (503, 0.0)
    face.hub.announce(READY, ())
    face.publish(ChannelReading("CH1", "red", peak_white_mv=750.0))
    assert both() == (200, 1.0)
    face.now_s += 3.5
    assert both() == (503, 0.0)
    face.publish(ChannelReading("CH1", "red"), sync="none")
    assert both() == (503, 0.0)
    answer = client.get("/readyz")
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["detail"] == "readyz: the newest reading found no sync"


def test_healthz_says_when_acquisition_hangs_but_not_when_there_is_no_scope(face: Face, client: TestClient) -> None:
    assert client.get("/healthz").status_code == 200
    face.tallies.captures.beat_s = face.now_s
    face.now_s += STALE_S
    assert client.get("/healthz").status_code == 200
    face.now_s += 1.0
    answer = client.get("/healthz")
    assert (answer.status_code, answer.headers["content-type"]) == (500, "application/problem+json")
    assert "no sign of life" in answer.json()["detail"]
    assert samples(client, "peakwhite_acquisition_beat_age_seconds") == {(): STALE_S + 1.0}


@pytest.mark.parametrize(("path", "status"), [("/healthz", 200), ("/readyz", 503), ("/metrics", 200)])
def test_a_supervisor_may_ask_with_head(client: TestClient, path: str, status: int) -> None:
    answer = client.head(path)
    assert (answer.status_code, answer.headers["content-type"]) == (status, client.get(path).headers["content-type"])


def test_connections_that_were_closed_are_counted_by_why(face: Face, client: TestClient) -> None:
    face.tallies.connections.refused["too-late"] += 2
    assert samples(client, "peakwhite_connections_refused_total") == {
        ("too-many",): 0,
        ("too-late",): 2,
        ("invalid",): 0,
    }


def test_state_and_problems_of_all_parts_are_told_by_code(face: Face, client: TestClient) -> None:
    face.hub.announce(ScopeStatus("lost", 1, "gone", "wait"), [Problem("link-lost", "gone", "wait", 1)])
    face.hub.announce_beside("book", [Problem("book-full", "full", "make room", 1), Problem("book-full", "f", "m", 1)])
    assert samples(client, "peakwhite_problems") == {("link-lost",): 1.0, ("book-full",): 2.0}
    states = samples(client, "peakwhite_scope_state")
    assert [state for (state,), value in states.items() if value] == ["lost"]
    assert len(states) == 5


def test_a_histogram_adds_up_as_the_format_wants_it(face: Face, client: TestClient) -> None:
    for seconds in (0.0005, 0.004, 0.1, 60.0):
        face.tallies.captures.publish.add(seconds)
    family = families(client)["peakwhite_capture_publish_seconds"]
    buckets = [(sample.labels["le"], sample.value) for sample in family.samples if sample.name.endswith("_bucket")]
    values = [value for _, value in buckets]
    assert values == sorted(values)
    assert dict(buckets)["0.004"] == 2.0
    assert (buckets[-1], values[-1]) == (("+Inf", 4.0), 4.0)
    assert next(sample.value for sample in family.samples if sample.name.endswith("_sum")) == pytest.approx(60.1045)


def test_viewers_are_counted_by_how_they_went_and_by_place_never_by_name(face: Face, client: TestClient) -> None:
    with client.websocket_connect(f"ws://{HOST}/api/v1/live") as socket:
        socket.receive_text()
        assert samples(client, "peakwhite_viewers") == {(): 1.0}
        socket.send_text("garbage")
        with pytest.raises(WebSocketDisconnect) as closed:
            while True:
                socket.receive_text()
        assert closed.value.code == 1008
    gone = samples(client, "peakwhite_viewers_gone_total")
    assert gone == {("left",): 0.0, ("too-slow",): 0.0, ("bad-message",): 1.0}
    assert samples(client, "peakwhite_viewers") == {(): 0.0}
    assert samples(client, "peakwhite_frames_sent_total")[("status",)] >= 1.0
    assert len(samples(client, "peakwhite_viewer_frames_dropped_total")) == 17


def test_disk_process_and_build_are_told(face: Face, client: TestClient) -> None:
    assert 0 < samples(client, "peakwhite_disk_free_bytes")[()] <= samples(client, "peakwhite_disk_size_bytes")[()]
    (build,) = families(client)["peakwhite_build_info"].samples
    assert (build.labels["version"], build.value) == ('1.2 "beta"', 1.0)
    assert samples(client, "peakwhite_uptime_seconds") == {(): 30.0}
    assert samples(client, "peakwhite_book_queue_length") == {("writes",): 2.0, ("log",): 0.0}
    assert samples(client, "process_resident_memory_bytes")[()] > 1e6


def test_nothing_of_ours_is_in_the_librarys_global_registry(client: TestClient) -> None:
    families(client)
    families(client)
    assert not [family.name for family in REGISTRY.collect() if family.name.startswith("peakwhite")]
