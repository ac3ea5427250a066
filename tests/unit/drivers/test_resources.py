"""Resource strings: what is spoken, what is not, and what the user is told."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.drivers.errors import MalformedResource
from peakwhite.drivers.links import Address, open_link, parse_resource


@pytest.mark.parametrize(
    ("resource", "address"),
    [
        ("TCPIP0::192.0.2.10::5555::SOCKET", Address("socket", "192.0.2.10", 5555)),
        ("tcpip::scope.example::5025::SOCKET", Address("socket", "scope.example", 5025)),
        ("TCPIP0::[2001:db8::10]::5025::SOCKET", Address("socket", "2001:db8::10", 5025)),
        ("TCPIP0::192.0.2.10::inst0::INSTR", Address("vxi-11", "192.0.2.10", 0, "inst0")),
        ("TCPIP0::192.0.2.10,1024::inst1::INSTR", Address("vxi-11", "192.0.2.10", 1024, "inst1")),
        ("TCPIP::192.0.2.10", Address("vxi-11", "192.0.2.10", 0, "inst0")),
        ("TCPIP0::[::1]::INSTR", Address("vxi-11", "::1", 0, "inst0")),
        ("TCPIP0::192.0.2.10::hislip0::INSTR", Address("hislip", "192.0.2.10", 4880, "hislip0")),
        ("TCPIP0::[2001:db8::10]::hislip1,99::INSTR", Address("hislip", "2001:db8::10", 99, "hislip1")),
        ("TCPIP0::[fe80::1%eth0]::5025::SOCKET", Address("socket", "fe80::1%eth0", 5025)),
        ("TCPIP0::[::1],1024::inst0::INSTR", Address("vxi-11", "::1", 1024, "inst0")),
        *(
            (f"USB0::{ids}::SERIAL::INSTR", Address("usb", device=f"USB0::{ids}::SERIAL::INSTR"))
            for ids in ("0x1AB1::0x04CE", "6833::1230")
        ),
        ("USB::0x1AB1::0x04CE::SERIAL::0::INSTR", Address("usb", device="USB::0x1AB1::0x04CE::SERIAL::0::INSTR")),
    ],
)
def test_a_resource_names_its_kind_of_link(resource: str, address: Address) -> None:
    assert parse_resource(resource) == address


@pytest.mark.parametrize(
    "resource",
    ["", "nonsense", "192.0.2.10", "TCPIP0::::1::SOCKET", "TCPIP0::h::abc::SOCKET", "TCPIP0::h::0::SOCKET", "TCPIP0::h::65536::SOCKET",
     "TCPIP0::h::٣::SOCKET", "ASRL1::INSTR", "GPIB0::1::INSTR", "VICP::h::INSTR", "USB0::1::2::3::RAW", "TCPIP0::h,x::inst0::INSTR", "TCPIP0::h::hislip0,0::INSTR",
     "TCPIP0::h::ïnst0::INSTR", "TCPIP0::x[::1]::5025::SOCKET", "TCPIP0::[::1]x::5025::SOCKET", "TCPIP0::[abc]::5025::SOCKET",
     "TCPIP0::h::[::1]::INSTR", "TCPIP0::h\n::5025::SOCKET", "TCPIP0::h ::5025::SOCKET", "TCPIP0::h::inst\0::INSTR",
     "TCPIP0::h,1::5025::SOCKET", "TCPIP0::h,4880::hislip0::INSTR", "USB0::zzz::yyy::SN::INSTR", "USB0::0x1AB1::1_0::SN::INSTR",
     "USB0::0x1AB1::70000::SN::INSTR", "USB0::0x1AB1::0x04CE::SN::x::INSTR", "USB0::010::1::SN::INSTR"],
)  # fmt: skip
def test_what_is_not_spoken_is_malformed_and_an_example_is_given(resource: str) -> None:
    with pytest.raises(MalformedResource, match="TCPIP0::192.0.2.10::5555::SOCKET"):
        open_link(resource)


@pytest.mark.parametrize(
    "resource",
    [
        "TCPIP0::h::5025::SOCKET",
        "TCPIP0::h::hislip0::INSTR",
        "TCPIP0::h::inst0::INSTR",
        "USB0::0x1AB1::0x04CE::SN::INSTR",
    ],
)
def test_upper_and_lower_case_are_the_same_in_its_first_and_last_word(resource: str) -> None:
    first, *middle, last = resource.split("::")
    assert parse_resource("::".join((first.lower(), *middle, last.lower()))) == parse_resource(resource)


@given(resource=st.text(max_size=60))
def test_any_text_is_an_address_or_malformed(resource: str) -> None:
    try:
        parse_resource(resource)
    except MalformedResource as error:
        assert "\n" not in str(error)
