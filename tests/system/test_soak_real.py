"""The soak of the benchmarks, short: what three thousand readings leave behind in a daemon of its own."""

import pytest
from tests.bench import soak

MEMORY_MB = 150.0


@pytest.mark.timeout(600)
def test_thousands_of_readings_leave_memory_and_descriptors_as_they_were() -> None:
    found = soak.run(count=3_000)
    rows, total = found["soak"], found["soak_total"]
    assert isinstance(rows, list) and isinstance(total, dict)
    assert total["readings"] >= 3_000
    assert total["growth_mb"] < soak.GOAL_MB
    open_files = [row["descriptors"] for row in rows]
    # the least of them: whatever is read once a second is open for a moment
    assert min(open_files[-5:]) <= min(open_files[soak.ROWS // 2 - 2 : soak.ROWS // 2 + 3])
    assert max(row["memory_mb"] for row in rows) < MEMORY_MB
