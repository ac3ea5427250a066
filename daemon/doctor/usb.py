"""USB: instruments that are plugged in, whether we may use them, libusb, and the udev rules. By reading, nothing is claimed."""

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from ...drivers.udev import RULES_FILE, SERVICE_RULES_FILE
from ...drivers.usb_devices import (
    GET_LIBUSB,
    GET_PERMISSION,
    NO_LIBUSB,
    USBTMC_CLASS,
    USBTMC_SUBCLASS,
    NoLibusb,
    UsbDevice,
    usb_devices,
)
from .finding import Finding, in_the_way, note, well

SYSFS = Path("/sys/bus/usb/devices")
NODES = Path("/dev/bus/usb")
RULES = tuple(Path(folder) for folder in ("/etc/udev/rules.d", "/run/udev/rules.d", "/usr/lib/udev/rules.d"))


def instruments(
    sysfs: Path = SYSFS,
    nodes: Path = NODES,
    rules: Sequence[Path] = RULES,
    *,
    wanted: bool = False,
    listed: Callable[[], Sequence[UsbDevice]] = usb_devices,
    system: str = sys.platform,
) -> Iterator[Finding]:
    """Looks at every test-and-measurement instrument on USB. `wanted` says that the settings name a scope on USB."""
    try:
        seen = listed()
    except NoLibusb:
        yield in_the_way("libusb", NO_LIBUSB, GET_LIBUSB) if wanted else note("libusb", NO_LIBUSB, GET_LIBUSB)
    except OSError as error:
        yield note("libusb", f"USB cannot be looked at: {(error.strerror or str(error)).lower()}")
    else:
        yield well("libusb", "it is there")
        for device in seen:
            if device.problem is None:
                yield well("usb", f"{device.resource} can be used")
            elif system != "linux":
                yield in_the_way("usb", f"{device.resource}: {device.problem}", device.do or GET_PERMISSION)
    if system == "linux":
        found = [_node_of(interface, nodes) for interface in _instruments_in(sysfs)]
        yield from _nodes(found)
        yield _rules(rules, needed=wanted or bool(found))


def _nodes(found: Sequence[tuple[str, Path]]) -> Iterator[Finding]:
    """Linux: whether the device node of each instrument can be opened; this works without libusb too."""
    if not found:
        yield well("usb", "no instrument is plugged in")
    for name, node in found:
        if not node.exists():
            yield in_the_way("usb", f"{name} has no device node {node}", "unplug the scope and plug it in again")
        elif os.access(node, os.R_OK | os.W_OK):
            yield well("usb", f"{name} can be opened ({node})")
        else:
            yield in_the_way("usb", f"{name} may not be opened ({node})", GET_PERMISSION)


def _instruments_in(sysfs: Path) -> list[Path]:
    """Folders of all interfaces of the test-and-measurement class."""
    wanted = (USBTMC_CLASS, USBTMC_SUBCLASS)
    interfaces = sorted(sysfs.glob("*:*"))
    return [one for one in interfaces if (_hex(one / "bInterfaceClass"), _hex(one / "bInterfaceSubClass")) == wanted]


def _node_of(interface: Path, nodes: Path) -> tuple[str, Path]:
    """What the device of an interface is called, and its node."""
    device = interface.parent / interface.name.split(":")[0]
    name = f"instrument {_text(device / 'idVendor') or '????'}:{_text(device / 'idProduct') or '????'}"
    numbers = [_text(device / file) for file in ("busnum", "devnum")]
    bus, number = (int(one) if one.isdecimal() else 0 for one in numbers)
    return name, nodes / f"{bus:03d}" / f"{number:03d}"


def _rules(folders: Sequence[Path], *, needed: bool) -> Finding:
    files = (folder / name for folder in folders for name in (RULES_FILE, SERVICE_RULES_FILE))
    there = next((file for file in files if file.is_file()), None)
    if there is None and not needed:
        return well("udev", f"the rules {RULES_FILE} are not there, which only scopes on USB need")
    if there is None:
        return note("udev", f"the rules {RULES_FILE} are not there, which permit the use of USB scopes", GET_PERMISSION)
    return well("udev", f"{there} permits the use of USB scopes")


def _hex(file: Path) -> int | None:
    try:
        return int(_text(file), 16)
    except ValueError:
        return None


def _text(file: Path) -> str:
    """Empty where it cannot be read: a device may be unplugged at any moment."""
    try:
        return file.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""
