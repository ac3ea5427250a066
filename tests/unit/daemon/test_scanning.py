"""Looking for scopes ends with the server at whatever moment that is, and leaves neither process nor defect."""

import asyncio
import gc
import os

import pytest

from peakwhite.daemon import scanning
from peakwhite.drivers.errors import InstrumentError
from processes import children_of


@pytest.mark.parametrize("cancellations", [1, 2, 3])
@pytest.mark.parametrize("steps", range(1, 12))
def test_a_server_that_ends_while_the_process_is_being_started_is_said_in_one_line(
    monkeypatch: pytest.MonkeyPatch, steps: int, cancellations: int
) -> None:
    monkeypatch.setattr(scanning, "COMMAND", ("sleep", "60"))
    before = children_of(os.getpid())

    async def look() -> None:
        looking = asyncio.create_task(scanning.scan())
        for _ in range(steps):
            await asyncio.sleep(0)
        for _ in range(cancellations):
            looking.cancel()
            await asyncio.sleep(0)
        with pytest.raises(InstrumentError, match="the daemon ends"):
            await looking
        assert set(children_of(os.getpid())) <= set(before)

    asyncio.run(look())
    gc.collect()  # a transport that was left open would complain now
