"""USBTMC instruments that are plugged in, by pyusb: what they are called, and what stands in the way of using them."""

import errno
import sys
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from typing import Any

import usb.core
import usb.util

from .udev import RULES_FILE
from .wire import reason

USBTMC_CLASS, USBTMC_SUBCLASS = 0xFE, 3
UNREADABLE = "???"
"""Stands for a serial number that cannot be read."""
NO_LIBUSB = "libusb is not there, without which nothing on USB can be seen"
GET_LIBUSB = "install it ('sudo apt install libusb-1.0-0', or 'pip install libusb-package'), then start Peakwhite again"
NO_PERMISSION = "no permission to use it"
GET_PERMISSION = (
    f"run 'peakwhite scopes --udev-rules | sudo tee /etc/udev/rules.d/{RULES_FILE}' and 'sudo udevadm control --reload', "
    "then unplug the scope and plug it in again"
)
TROUBLE = {
    errno.EACCES: (NO_PERMISSION, GET_PERMISSION if sys.platform == "linux" else "give it the WinUSB driver"),
    errno.EBUSY: ("another program uses it", "end the other program"),
    errno.ENODEV: ("it is not plugged in", "plug it in, or look for it with 'peakwhite scopes'"),
    errno.EPIPE: ("it refuses", "unplug the scope and plug it in again"),
}
REPLUG = "unplug the scope and plug it in again"


@dataclass(frozen=True)
class UsbDevice:
    """An instrument; `problem` and what to `do` about it where it cannot even be asked for its serial number."""

    vendor: int
    product: int
    serial: str
    interface: int
    problem: str | None = None
    do: str | None = None

    @property
    def resource(self) -> str:
        return f"USB0::0x{self.vendor:04X}::0x{self.product:04X}::{self.serial}::{self.interface}::INSTR"


class NoLibusb(OSError):
    """Nothing on USB can be seen for want of libusb."""


def usb_devices() -> list[UsbDevice]:
    """What is plugged in, nothing of it claimed. Raises NoLibusb, OSError."""
    return [_looked_at(device) for device in _plugged_in()]


def trouble_of(error: Exception) -> tuple[str, str]:
    """What an error of libusb's means, and what to do about it."""
    if isinstance(error, NoLibusb):
        return NO_LIBUSB, GET_LIBUSB
    number = error.errno if isinstance(error, OSError) else None
    return TROUBLE.get(number or 0, (f"the link broke ({reason(error)})", REPLUG))


def hidden_trouble(vendor: int, product: int) -> OSError:
    """Why an instrument that should be there cannot be found: what stands in the way of one of that model, if anything."""
    try:
        problems = [device.problem for device in usb_devices() if (device.vendor, device.product) == (vendor, product)]
    except OSError as error:
        return error
    return OSError(next((number for number, (what, _) in TROUBLE.items() if what in problems), errno.ENODEV), "")


def _plugged_in() -> list[Any]:
    try:
        return list(usb.core.find(find_all=True, custom_match=_speaks_usbtmc))
    except usb.core.NoBackendError as error:
        backend = _packaged_backend()
        if backend is None:
            raise NoLibusb(errno.ENOENT, NO_LIBUSB) from error
        return list(usb.core.find(find_all=True, custom_match=_speaks_usbtmc, backend=backend))


@cache
def _packaged_backend() -> Any:
    """The libusb that a Python package brings, as pyvisa-py takes it where the system has none; None without."""
    try:
        return import_module("libusb_package").get_libusb1_backend()
    except ImportError:
        return None


def _speaks_usbtmc(device: Any) -> bool:
    return _interface_of(device) is not None


def _interface_of(device: Any) -> int | None:
    try:
        interfaces = [interface for configuration in device for interface in configuration]
    except (usb.core.USBError, NotImplementedError):  # one that is just being unplugged
        return None
    matching = (each for each in interfaces if each.bInterfaceClass == USBTMC_CLASS)
    found = next((each for each in matching if each.bInterfaceSubClass == USBTMC_SUBCLASS), None)
    return None if found is None else int(found.bInterfaceNumber)


def _looked_at(device: Any) -> UsbDevice:
    vendor, product, interface = device.idVendor, device.idProduct, _interface_of(device) or 0
    try:
        usb.util.get_langids(device)
        serial = device.serial_number or ""
    except NotImplementedError:  # Windows, without a driver that libusb can use
        return UsbDevice(vendor, product, UNREADABLE, interface, *TROUBLE[errno.EACCES])
    except (usb.core.USBError, ValueError) as error:
        return UsbDevice(vendor, product, UNREADABLE, interface, *trouble_of(error))
    finally:
        usb.util.dispose_resources(device)
    return UsbDevice(vendor, product, serial, interface)
