"""Looking for scopes on USB and on the network. Slow and never in the start path: only when somebody asks.

What is looked through runs in threads of its own, each under the time limit, since no library call here can be cancelled:
one that overruns is reported and left behind (a daemon thread, which ends with the process).
"""

import queue
import threading
import time
import warnings
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from .errors import PeakwhiteError
from .links import identify, open_link

LIST_SHARE = 0.6
"""Part of the time for listing; the rest is for asking each what it is."""
ASK_TIMEOUT_S = 1.0


@dataclass(frozen=True)
class FoundScope:
    """What was found: its resource and what it calls itself, or why that is not known.

    Where a whole way of looking failed, `resource` is the pattern that was looked for.
    """

    resource: str
    identity: str | None = None
    problem: str | None = None


T = TypeVar("T")
Listing = Callable[[], Sequence[str | FoundScope]]
USB = "USB?*::INSTR"


def list_usb() -> list[str | FoundScope]:
    """The USBTMC instruments that are plugged in, with what is wrong where one cannot be used. Raises OSError."""
    from .usb_devices import NoLibusb, trouble_of, usb_devices

    try:
        devices = usb_devices()
    except NoLibusb as error:
        return [FoundScope(USB, problem="; ".join(trouble_of(error)))]
    return [
        device.resource
        if device.problem is None
        else FoundScope(device.resource, problem=f"{device.problem}; {device.do}")
        for device in devices
    ]


def list_vxi11() -> list[str]:
    """Resources that answer a VXI-11 broadcast. Raises OSError."""
    from pyvisa_py.tcpip import TCPIPInstrVxi11

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that psutil would find more networks is said in the README
        return list(TCPIPInstrVxi11.list_resources())


def list_hislip() -> list[str]:
    """Resources that announce HiSLIP. Raises OSError."""
    from pyvisa_py.tcpip import TCPIPInstrHiSLIP

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that this needs zeroconf is said in the README
        return list(TCPIPInstrHiSLIP.list_resources())


LISTINGS: dict[str, Listing] = {
    USB: list_usb,
    "TCPIP?*::inst?*::INSTR": list_vxi11,
    "TCPIP?*::hislip?*::INSTR": list_hislip,
}
"""Ways of looking, by the pattern of what each finds."""


def find_scopes(time_limit_s: float, *, listings: Mapping[str, Listing] = LISTINGS) -> tuple[FoundScope, ...]:
    """Every instrument that can be found in that time, raw sockets excepted: these announce themselves nowhere.

    Never raises for what goes wrong on the way; each problem has an entry of its own.
    """
    began = time.monotonic()
    listed = _each(listings, lambda pattern: listings[pattern](), began + LIST_SHARE * time_limit_s)
    found = [FoundScope(pattern, problem=result) for pattern, result in listed.items() if isinstance(result, str)]
    results = [item for result in listed.values() if not isinstance(result, str) for item in result]
    found += [item for item in results if isinstance(item, FoundScope)]
    resources = sorted({item for item in results if isinstance(item, str)})
    asked = _each(resources, _ask, began + time_limit_s)
    found += [
        answer if isinstance(answer, FoundScope) else FoundScope(resource, problem=answer)
        for resource, answer in asked.items()
    ]
    return tuple(found)


def _ask(resource: str) -> FoundScope:
    try:
        link = open_link(resource, timeout_s=ASK_TIMEOUT_S)
        try:
            return FoundScope(resource, identity=identify(link))
        finally:
            link.close()
    except PeakwhiteError as error:
        return FoundScope(resource, problem=f"{error.what}; {error.do}")


def _each(names: Iterable[str], work: Callable[[str], T], deadline_s: float) -> dict[str, T | str]:
    """What `work` gives for each name, all at once; a sentence where it failed or was not done by the deadline."""
    done: queue.SimpleQueue[tuple[str, T | str]] = queue.SimpleQueue()

    def run(name: str) -> None:
        try:
            done.put((name, work(name)))
        except (OSError, ValueError, ImportError, NotImplementedError, RuntimeError) as error:
            done.put((name, f"could not look ({str(error) or type(error).__name__})"))

    results: dict[str, T | str] = dict.fromkeys(names, "no answer within the time limit")
    for name in results:
        threading.Thread(target=run, args=(name,), name=f"find {name}", daemon=True).start()
    waiting = len(results)
    while waiting and (left_s := deadline_s - time.monotonic()) > 0.0:
        try:
            name, result = done.get(timeout=left_s)
        except queue.Empty:
            break
        results[name] = result
        waiting -= 1
    return results
