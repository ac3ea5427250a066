"""USBTMC devices in memory, below pyusb: what its backends speak, packet by packet, and what real scopes get wrong there.

Install before anything opens USB: `install(Bus())`. Needs no libusb.
"""

import array
import errno
import importlib
import struct
import sys
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest
import usb.backend
import usb.backend.libusb0
import usb.backend.libusb1
import usb.backend.openusb
import usb.core

BULK_OUT, BULK_IN = 0x01, 0x82
OUT_MESSAGE, IN_REQUEST = 1, 2

Answer = Callable[[bytes], bytes]


def timed_out() -> usb.core.USBTimeoutError:
    return usb.core.USBTimeoutError("Operation timed out", -7, errno.ETIMEDOUT)


def stalled() -> usb.core.USBError:
    return usb.core.USBError("Pipe error", -9, errno.EPIPE)


@dataclass(eq=False)
class Device:
    """One scope: answers messages by `answer`, and misbehaves by what is set.

    Attributes:
        part_bytes: the longest payload that it puts into one transfer.
        ends_every_part: marks the end of the message in every transfer.
        empty_packet: whether a transfer of whole packets is followed by an empty one, as it should.
        pads: fills the last word of a transfer up.
        silent: answers nothing any more.
        ignores_abort: keeps its answer when the host aborts the transfer.
        stall_next_read: halts the IN endpoint once.
        wrong_tag, wrong_kind: what the next transfers bear instead of tag and message type.
        leaves_after: unplugged once so many more packets were read.
        denied: what opening it raises: EACCES, EBUSY.
        longest_read_bytes: how much room one read had at most.
    """

    answer: Answer
    serial: str = "SN0001"
    vendor: int = 0x1AB1
    product: int = 0x04CE
    address: int = 5
    packet_bytes: int = 512
    part_bytes: int = 1 << 30
    ends_every_part: bool = False
    empty_packet: bool = True
    pads: bool = False
    silent: bool = False
    ignores_abort: bool = False
    stall_next_read: bool = False
    wrong_tag: deque[int] = field(default_factory=deque)
    wrong_kind: deque[int] = field(default_factory=deque)
    leaves_after: int | None = None
    denied: int | None = None
    present: bool = True
    longest_read_bytes: int = 0
    handles: int = 0
    claimed: bool = False
    log: list[tuple[str, int]] = field(default_factory=list)
    pending: deque[bytes] = field(default_factory=deque)
    wire: deque[bytes] = field(default_factory=deque)

    def unplug(self) -> None:
        self.present = False
        self.claimed = False

    def plug_in(self, address: int) -> None:
        """At another address, as buses give it; what was under way is gone."""
        self.address = address
        self.present, self.leaves_after = True, None
        self.pending.clear()
        self.wire.clear()

    def alive(self) -> None:
        if not self.present:
            raise usb.core.USBError("No such device (it may have been disconnected)", -4, errno.ENODEV)

    def take(self, transfer: bytes) -> None:
        """A transfer on the OUT endpoint."""
        kind, tag, inverse, size, attributes = struct.unpack_from("<BBBxLB", transfer)
        assert tag != 0 and tag ^ inverse == 0xFF
        if kind == OUT_MESSAGE:
            assert len(transfer) == 12 + size + -size % 4, "padded to whole words"
            assert len(transfer) % self.packet_bytes, "the transfer would need an empty packet at its end"
            assert attributes == 1
            reply = self.answer(transfer[12 : 12 + size].strip())
            if reply:
                self.pending.append(reply)
        else:
            assert kind == IN_REQUEST
            self.log.append(("request", size))
            if not self.silent and self.pending:
                self.send_part(tag, size)

    def send_part(self, tag: int, limit: int) -> None:
        reply = self.pending.popleft()
        part, rest = reply[: min(limit, self.part_bytes)], reply[min(limit, self.part_bytes) :]
        if rest:
            self.pending.appendleft(rest)
        sent_tag = self.wrong_tag.popleft() if self.wrong_tag else tag
        kind = self.wrong_kind.popleft() if self.wrong_kind else IN_REQUEST
        transfer = (
            struct.pack("<BBBxLBxxx", kind, sent_tag, ~sent_tag & 0xFF, len(part), self.ends_every_part or not rest)
            + part
        )
        transfer += bytes(-len(transfer) % 4 if self.pads else 0)
        packets = [transfer[at : at + self.packet_bytes] for at in range(0, len(transfer), self.packet_bytes)]
        if len(transfer) % self.packet_bytes == 0 and self.empty_packet:
            packets.append(b"")
        self.wire.extend(packets)

    def read(self, count: int) -> bytes:
        """Up to `count` bytes: ends with a packet that is not full."""
        assert count % self.packet_bytes == 0, "other sizes overflow"
        self.longest_read_bytes = max(self.longest_read_bytes, count)
        if self.stall_next_read:
            raise stalled()
        got = bytearray()
        while self.wire and len(got) < count:
            if self.leaves_after is not None:
                self.leaves_after -= 1
                if self.leaves_after < 0:
                    self.unplug()
                    self.alive()
            packet = self.wire.popleft()
            got += packet
            if len(packet) < self.packet_bytes:
                return bytes(got)
        if not got:
            raise timed_out()
        return bytes(got)  # what libusb hands over too, after the time-out, if nothing more came


class Bus(usb.backend.IBackend):  # type: ignore[misc]
    """The devices that are plugged in, as a backend of pyusb."""

    def __init__(self, *devices: Device) -> None:
        self.devices = list(devices)

    def enumerate_devices(self) -> list[Device]:
        return [device for device in self.devices if device.present]

    def get_parent(self, device: Device) -> None:
        return None

    def get_device_descriptor(self, device: Device) -> Any:
        return SimpleNamespace(
            bLength=18, bDescriptorType=1, bcdUSB=0x0200, bDeviceClass=0, bDeviceSubClass=0, bDeviceProtocol=0,
            bMaxPacketSize0=64, idVendor=device.vendor, idProduct=device.product, bcdDevice=0x0100, iManufacturer=1,
            iProduct=2, iSerialNumber=3, bNumConfigurations=1, address=device.address, bus=1, port_number=1,
            port_numbers=(1,), speed=3,
        )  # fmt: skip

    def get_configuration_descriptor(self, device: Device, configuration: int) -> Any:
        if configuration:
            raise IndexError
        return SimpleNamespace(
            bLength=9, bDescriptorType=2, wTotalLength=32, bNumInterfaces=1, bConfigurationValue=1, iConfiguration=0,
            bmAttributes=0xC0, bMaxPower=1, extra_descriptors=[],
        )  # fmt: skip

    def get_interface_descriptor(self, device: Device, interface: int, alternate: int, configuration: int) -> Any:
        if interface or alternate or configuration:
            raise IndexError
        return SimpleNamespace(
            bLength=9, bDescriptorType=4, bInterfaceNumber=0, bAlternateSetting=0, bNumEndpoints=2,
            bInterfaceClass=0xFE, bInterfaceSubClass=3, bInterfaceProtocol=1, iInterface=0, extra_descriptors=[],
        )  # fmt: skip

    def get_endpoint_descriptor(
        self, device: Device, endpoint: int, interface: int, alternate: int, configuration: int
    ) -> Any:
        return SimpleNamespace(
            bLength=7, bDescriptorType=5, bEndpointAddress=(BULK_OUT, BULK_IN)[endpoint], bmAttributes=2,
            wMaxPacketSize=device.packet_bytes, bInterval=1, bRefresh=0, bSynchAddress=0, extra_descriptors=[],
        )  # fmt: skip

    def open_device(self, device: Device) -> Device:
        device.alive()
        if device.denied == errno.EACCES:
            raise usb.core.USBError("Access denied (insufficient permissions)", -3, errno.EACCES)
        device.handles += 1
        return device

    def close_device(self, device: Device) -> None:
        device.handles -= 1

    def set_configuration(self, device: Device, value: int) -> None:
        device.alive()

    def get_configuration(self, device: Device) -> int:
        device.alive()
        return 1

    def claim_interface(self, device: Device, interface: int) -> None:
        device.alive()
        if device.denied == errno.EBUSY:
            raise usb.core.USBError("Resource busy", -6, errno.EBUSY)
        device.claimed = True

    def release_interface(self, device: Device, interface: int) -> None:
        device.claimed = False

    def clear_halt(self, device: Device, endpoint: int) -> None:
        device.alive()
        device.log.append(("clear halt", endpoint))
        device.stall_next_read = False

    def is_kernel_driver_active(self, device: Device, interface: int) -> bool:
        return False

    def ctrl_transfer(
        self, device: Device, kind: int, request: int, value: int, index: int, data: Any, timeout: int
    ) -> int:
        device.alive()
        if (kind, request) == (0x80, 6):  # GET_DESCRIPTOR of a string
            text = ("\u0409", "MAKER", "MODEL", device.serial)[value & 0xFF].encode("utf-16-le")
            return filled(data, (bytes([len(text) + 2, 3]) + text)[: len(data)])
        device.log.append(("control", request))
        if request == 7:  # GET_CAPABILITIES: USB488 with remote control
            return filled(data, bytes([1, 0, 0, 1]) + bytes(10) + b"\x06" + bytes(9))
        if request in (160, 161):  # REN_CONTROL, GO_TO_LOCAL
            return filled(data, b"\x01")
        if request == 3:  # INITIATE_ABORT_BULK_IN
            if device.silent:
                raise timed_out()
            if not device.ignores_abort:
                device.pending.clear()
            device.wire.clear()
            device.wire.append(b"")
            return filled(data, bytes([1, value]))
        if request == 4:  # CHECK_ABORT_BULK_IN_STATUS
            return filled(data, b"\x01" + bytes(7))
        raise stalled()

    def bulk_write(self, device: Device, endpoint: int, interface: int, data: Any, timeout: int) -> int:
        device.alive()
        device.take(bytes(data))
        return len(data)

    def bulk_read(self, device: Device, endpoint: int, interface: int, buffer: Any, timeout: int) -> int:
        device.alive()
        return filled(buffer, device.read(len(buffer)))


def filled(buffer: "array.array[int]", data: bytes) -> int:
    assert len(data) <= len(buffer)
    memoryview(buffer)[: len(data)] = data
    return len(data)


def install(bus: Bus | None, monkeypatch: pytest.MonkeyPatch) -> None:
    """Makes `bus` what pyusb finds for the length of a test; None: a machine without libusb.

    pyvisa-py decides when it is imported whether there is USB: where it found none before, it is asked again.
    """
    monkeypatch.setattr(usb.backend.libusb1, "get_backend", lambda find_library=None: bus)
    for other in (usb.backend.libusb0, usb.backend.openusb):
        monkeypatch.setattr(other, "get_backend", lambda find_library=None: None)
    if bus is not None and "pyvisa_py.usb" not in sys.modules:
        importlib.import_module("pyvisa_py.usb")
