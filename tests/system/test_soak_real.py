"""The soak of the benchmarks, short: what three thousand readings leave behind in a daemon of its own."""

import pytest
from tests.bench import soak

MEMORY_MB = 150.0


@pytest.mark.timeout(300)
def test_thousands_of_readings_leave_memory_and_descriptors_as_they_were() -> None:
    found = soak.run(count=3_000)
    rows, total = found["soak"], found["soak_total"]
    assert isinstance(rows, list) and isinstance(total, dict)
    assert total["readings"] >= 3_000
    assert total["growth_mb"] < soak.GOAL_MB
    assert total["descriptors_more"] <= 0
    assert max(row["memory_mb"] for row in rows) < MEMORY_MB
