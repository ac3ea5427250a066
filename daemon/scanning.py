"""Looks for scopes, without ever hanging with one that does."""

import asyncio
import contextlib
import json
import subprocess
import sys
from asyncio.subprocess import Process
from typing import Any

from ..drivers.errors import InstrumentError, LinkTimeout
from .http.services import Found

SCAN_DEADLINE_S = 15.0
"""`peakwhite scopes` limits itself to six seconds and its start; what takes longer hangs."""
COMMAND: tuple[str, ...] = (sys.executable, "-m", "peakwhite.daemon", "scopes", "--json")


async def scan() -> list[Found]:
    """Look for scopes in a process of its own: what hangs there, in a library call, is ended with it.

    Raises LinkTimeout, InstrumentError.
    """
    start = asyncio.create_subprocess_exec(
        *COMMAND,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    starting = asyncio.create_task(start)
    try:
        async with asyncio.timeout(SCAN_DEADLINE_S):
            process = await asyncio.shield(starting)
            answer, _ = await process.communicate()
    except TimeoutError as error:
        raise LinkTimeout(
            f"looking for scopes did not end within {SCAN_DEADLINE_S:g} s", where="scopes", do="name the scope"
        ) from error
    except asyncio.CancelledError as error:  # the server ends; let through it would be logged as a defect
        raise InstrumentError("the daemon ends", where="scopes", do="start it and look again") from error
    finally:
        await _end(starting)
    if process.returncode != 0:
        raise InstrumentError("looking for scopes failed", where="scopes", do="run 'peakwhite scopes' to see why")
    return [Found(**found) for found in json.loads(answer)]


async def _end(starting: asyncio.Task[Process]) -> None:
    """End the process, be it still being started; a server that ends cancels more than once, and waits for this."""
    await _done(starting)
    if starting.cancelled() or starting.exception() is not None or starting.result().returncode is not None:
        return
    starting.result().kill()
    await _done(asyncio.create_task(starting.result().wait()))


async def _done(task: asyncio.Task[Any]) -> None:
    """Wait for it, though the waiting be cancelled meanwhile."""
    while not task.done():
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.wait({task})
