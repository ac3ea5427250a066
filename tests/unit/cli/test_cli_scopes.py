"""`peakwhite scopes`: what is attached, and what stands in the way of using it."""

import errno
import gc
import json
import re
import subprocess
import sys

import pytest

from emulated_usb import Bus, Device, install
from peakwhite.daemon import cli
from peakwhite.drivers import discovery

NAME = "USB0::0x1AB1::0x04CE::{}::0::INSTR"


def scope(serial: str, address: int, denied: int | None = None) -> Device:
    answers = {b"*IDN?": f"MAKER,MODEL,{serial},1.0\n".encode(), b"*STB?": b"0\n"}
    return Device(lambda message: answers.get(message, b""), serial=serial, address=address, denied=denied)


@pytest.fixture(autouse=True)
def usb_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    for pattern in list(discovery.LISTINGS):
        if pattern != discovery.USB:
            monkeypatch.delitem(discovery.LISTINGS, pattern)


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert cli.run(["scopes", *arguments]) == 0
    gc.collect()  # pyvisa-py leaves handles of failed openings to the collector
    return capsys.readouterr().out


def test_each_scope_has_its_line_with_its_identity_or_with_what_is_wrong_and_what_to_do(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    devices = [scope("SN0001", 5), scope("SN0002", 6, errno.EACCES), scope("SN0003", 7, errno.EBUSY)]
    install(Bus(*devices), monkeypatch)
    lines = sorted(said(capsys).splitlines())
    assert len(lines) == 3
    assert lines[0].startswith(NAME.format("???"))
    assert "no permission" in lines[0]
    assert "peakwhite scopes --udev-rules | sudo tee /etc/udev/rules.d/60-peakwhite.rules" in lines[0]
    assert lines[1] == f"{NAME.format('SN0001')}  MAKER,MODEL,SN0001,1.0"
    assert lines[2] == f"{NAME.format('SN0003')}  another program uses it; end the other program"
    assert [device.handles for device in devices] == [0, 0, 0]


def test_without_libusb_it_says_what_to_install(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    install(None, monkeypatch)
    (found,) = json.loads(said(capsys, "--json"))
    assert found["resource"] == discovery.USB
    assert "libusb is not there" in found["problem"]
    assert "sudo apt install libusb-1.0-0" in found["problem"]


def test_nothing_on_usb_is_said_with_how_to_name_a_raw_socket(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    install(Bus(), monkeypatch)
    assert "--scope TCPIP0::ADDRESS::PORT::SOCKET" in said(capsys)


def test_a_scope_that_is_mute_is_listed_as_that(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    mute = scope("SN0001", 5)
    mute.silent = True
    install(Bus(mute), monkeypatch)
    assert "not opened within" in said(capsys)


def test_the_udev_rules_are_printed_as_they_go_into_their_folder() -> None:
    command = [sys.executable, "-m", "peakwhite.daemon", "scopes", "--udev-rules"]
    rules = subprocess.run(command, capture_output=True, check=True, encoding="utf-8", timeout=60).stdout
    lines = [line for line in rules.splitlines() if line and not line.startswith("#")]
    vendors = [line for line in lines if line.startswith("ATTR{idVendor}")]
    assert {re.findall(r'=="([0-9a-f]{4})"', line)[0] for line in vendors} >= {
        "0699",
        "1ab1",
        "f4ec",
        "2a8d",
        "0957",
        "0aad",
    }
    assert all(line.endswith('MODE="0660", GROUP="plugdev", TAG+="uaccess"') for line in vendors)
    assert lines[0] == 'ACTION=="remove", GOTO="peakwhite_end"'
    assert lines[-1] == 'LABEL="peakwhite_end"'
    assert 'SUBSYSTEM!="usb"' in rules, "of the bus, not of the kernel's own driver for such instruments"
