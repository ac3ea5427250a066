"""What a whole daemon says on /metrics."""

from typing import Any

from prometheus_client.parser import text_string_to_metric_families


def counted(daemon: Any) -> dict[str, float]:
    """Every sample by its name and labels, `name{label="value"}` without the braces where there is none."""
    status, headers, body = daemon.request("GET", "metrics")
    assert (status, headers["content-type"]) == (200, "text/plain; version=0.0.4; charset=utf-8")
    return {
        sample.name + "".join(f" {value}" for value in sample.labels.values()): sample.value
        for family in text_string_to_metric_families(body.decode())
        for sample in family.samples
    }
