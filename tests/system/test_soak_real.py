"""The soak of the benchmarks, short: what three thousand readings leave behind in a daemon of its own."""

from itertools import pairwise

import pytest
from tests.bench import soak

MEMORY_MB = 150.0
WARM = 2
"""Rows until everything has been needed once."""


@pytest.mark.timeout(600)
def test_thousands_of_readings_leave_memory_and_descriptors_as_they_were() -> None:
    found = soak.run(count=3_000)
    rows, total = found["soak"], found["soak_total"]
    assert isinstance(rows, list) and isinstance(total, dict)
    assert total["readings"] >= 3_000
    memory_mb = [row["memory_mb"] for row in rows]
    steps_mb = [after - before for before, after in pairwise(memory_mb[WARM:])]
    # a leak goes on growing; what a busy machine first needs late comes in one step
    assert sum(steps_mb) - max(steps_mb) < soak.GOAL_MB and max(memory_mb) < MEMORY_MB, memory_mb
    open_files = [row["descriptors"] for row in rows]
    # the least of them: whatever is read once a second is open for a moment
    assert min(open_files[-5:]) <= min(open_files[soak.ROWS // 2 - 2 : soak.ROWS // 2 + 3])
