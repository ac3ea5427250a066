"""What is counted, as Prometheus reads it: collected at a scrape, by a registry of its own, from numbers kept elsewhere."""

import math
import platform
import shutil
from collections.abc import Iterable, Iterator
from contextlib import suppress
from itertools import accumulate
from pathlib import Path
from typing import get_args

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily
from prometheus_client.metrics_core import Metric as Family
from prometheus_client.process_collector import ProcessCollector
from prometheus_client.registry import Collector

from ..counting import MOST_PLACES, Histogram
from ..live.status import ScopeState
from .health_api import reading_age_s, why_not_ready
from .metrics_table import METRICS, Metric
from .services import Services

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"

Sample = tuple[tuple[str, ...], "float | Histogram"]
"""Values of its labels, and the value."""
Samples = dict[str, list[Sample]]
"""By the metric's name; one that has none is described all the same."""


def scraped(services: Services) -> bytes:
    """All metrics in the text format of Prometheus, version 0.0.4, with what its library tells of a process (`process_…`).

    Reads the disk; belongs on a thread where that may wait.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Collected(services))
    ProcessCollector(registry=registry)
    return generate_latest(registry)


class _Collected(Collector):
    def __init__(self, services: Services) -> None:
        self._services = services

    def collect(self) -> Iterator[Family]:
        """All of the table, as it stands now."""
        samples = _samples(self._services)
        for metric in METRICS:
            yield _family(metric, samples.get(metric.name, []))


def _family(metric: Metric, samples: list[Sample]) -> Family:
    name, kind, labels, meaning = metric
    if kind == "histogram":
        histogram = HistogramMetricFamily(name, meaning, labels=labels)
        for of, value in samples:
            assert isinstance(value, Histogram)
            histogram.add_metric(of, _buckets(value), value.sum_s)
        return histogram
    family = CounterMetricFamily(name, meaning, labels=labels) if kind == "counter" else None
    told = family or GaugeMetricFamily(name, meaning, labels=labels)
    for of, value in samples:
        assert not isinstance(value, Histogram)
        told.add_metric(of, value)
    return told


def _buckets(histogram: Histogram) -> list[tuple[str, float]]:
    edges = [*(f"{bound:g}" for bound in histogram.bounds_s), "+Inf"]
    return list(zip(edges, accumulate(histogram.counts()), strict=True))


def _samples(services: Services) -> Samples:
    found: Samples = {
        "peakwhite_build_info": [((services.version, platform.python_version()), 1)],
        "peakwhite_uptime_seconds": [((), services.now_s() - services.tallies.began_s)],
        "peakwhite_log_lines_dropped_total": [((), services.tallies.log_lines_dropped())],
    }
    for part in (_of_scope, _of_captures, _of_levels, _of_viewers, _of_book, _of_disk):
        found |= part(services)
    return found


def _of_scope(services: Services) -> Samples:
    problems = [problem.code for problem in services.hub.all_problems]
    present = services.hub.scope.state
    age_s = reading_age_s(services)
    return {
        "peakwhite_ready": [((), float(why_not_ready(services) is None))],
        "peakwhite_reading_age_seconds": [] if age_s is None else [((), age_s)],
        "peakwhite_scope_state": [((state,), float(state == present)) for state in get_args(ScopeState)],
        "peakwhite_problems": [((code,), problems.count(code)) for code in sorted(set(problems))],
    }


def _of_captures(services: Services) -> Samples:
    tally = services.tallies.captures
    beat_s = tally.beat_s
    return {
        "peakwhite_captures_total": [(("captured",), tally.captured), (("untriggered",), tally.untriggered)],
        "peakwhite_readings_total": [((), tally.readings)],
        "peakwhite_readings_overtaken_total": [((), services.hub.tally.overtaken)],
        "peakwhite_scope_failures_total": _by_label(dict(tally.failures)),
        "peakwhite_scope_reconnects_total": [((), tally.reconnects)],
        "peakwhite_acquisition_defects_total": [((), tally.defects)],
        "peakwhite_acquisition_beat_age_seconds": [] if beat_s is None else [((), services.now_s() - beat_s)],
        "peakwhite_capture_fetch_seconds": [((), tally.fetch)],
        "peakwhite_capture_measure_seconds": [((), tally.measure)],
        "peakwhite_capture_publish_seconds": [((), tally.publish)],
    }


def _of_levels(services: Services) -> Samples:
    """Of the newest reading, while it is valid; what it only holds from an earlier one was not measured now."""
    latest = services.hub.latest
    if latest is None or why_not_ready(services) is not None:
        return {}
    channels = [one for one in latest.reading.measured.channels if not one.held]
    return {
        "peakwhite_level_volts": _in_volts((one.channel, one.role, one.peak_white_mv) for one in channels),
        "peakwhite_level_uncertainty_volts": _in_volts((one.channel, one.role, one.u95_mv) for one in channels),
    }


def _in_volts(levels: Iterable[tuple[str, str | None, float | None]]) -> list[Sample]:
    """Channel, role and millivolts; what has no role or was not measured is left out."""
    return [
        ((channel, role), level_mv / 1e3)
        for channel, role, level_mv in levels
        if role is not None and level_mv is not None and math.isfinite(level_mv)
    ]


def _of_viewers(services: Services) -> Samples:
    tally = services.hub.tally
    places = [*(str(place + 1) for place in range(MOST_PLACES)), "more"]
    return {
        "peakwhite_viewers": [((), services.hub.viewers)],
        "peakwhite_viewers_joined_total": [((), tally.joined)],
        "peakwhite_viewers_gone_total": _by_label(tally.goodbyes),
        "peakwhite_frames_sent_total": _by_label(tally.sent),
        "peakwhite_frames_dropped_total": _by_label(tally.dropped),
        "peakwhite_connections_refused_total": _by_label(services.tallies.connections.refused),
        "peakwhite_viewer_frames_dropped_total": _by_label(dict(zip(places, tally.dropped_of, strict=True))),
    }


def _of_book(services: Services) -> Samples:
    tally = services.tallies.book
    return {
        "peakwhite_book_writes_total": [((), tally.written)],
        "peakwhite_book_write_failures_total": [((), tally.failed)],
        "peakwhite_book_refusals_total": [((), tally.refused)],
        "peakwhite_book_write_seconds": [((), tally.write)],
        "peakwhite_book_queue_length": _by_label(services.tallies.book_waiting()),
    }


def _of_disk(services: Services) -> Samples:
    found: Samples = {}
    with suppress(OSError, ValueError, StopIteration):  # no such system, or not for us
        lines = Path("/proc/self/io").read_text("ascii").splitlines()
        written = next(line for line in lines if line.startswith("write_bytes:"))
        found["peakwhite_written_bytes_total"] = [((), int(written.split(":")[1]))]
    if services.tallies.disk is not None:
        with suppress(OSError):  # a disk that was taken away
            usage = shutil.disk_usage(services.tallies.disk)
            found["peakwhite_disk_free_bytes"] = [((), usage.free)]
            found["peakwhite_disk_size_bytes"] = [((), usage.total)]
    return found


def _by_label(values: dict[str, int]) -> list[Sample]:
    return [((label,), value) for label, value in values.items()]
