"""The USB link through pyvisa-py's real USBTMC session, on devices emulated below pyusb."""

import errno
import gc
import time
from collections.abc import Iterator

import pytest

from emulated_usb import Bus, Device, install
from peakwhite.drivers import visa_link
from peakwhite.drivers.errors import LinkLost, LinkTimeout, ReplyError
from peakwhite.drivers.links import identify, open_link
from peakwhite.drivers.usb_devices import usb_devices
from peakwhite.drivers.usbtmc import READ_BYTES

NAME = "USB0::0x1AB1::0x04CE::SN0001::0::INSTR"
IDENTITY = "MAKER,MODEL,SN0001,1.0"
LENGTHS = [0, 1, 2, 9, 52, 53, *range(480, 520), 4096, 20_457, 20_480, 65_536, 100_000, 300_000]


def payload(length: int) -> bytes:
    return (b"\n" * length) if length % 2 else bytes(range(251)) * (length // 251 + 1)


def scope_like(serial: str = "SN0001") -> Device:
    """A device that answers as an instrument does."""

    def answer(message: bytes) -> bytes:
        command, _, argument = message.partition(b" ")
        if command == b"BLOCK?":
            length = int(argument)
            return b"#9%09d" % length + payload(length)[:length] + b"\n"
        answers = {
            b"*IDN?": f"MAKER,MODEL,{serial},1.0\n",
            b"*STB?": "0\n",
            b"*OPC?": "1\n",
            b"LIAR?": "#6000100short\n",
        }
        return answers.get(command, "").encode()

    return Device(answer, serial=serial)


@pytest.fixture
def device() -> Device:
    return scope_like()


@pytest.fixture
def bus(device: Device, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bus]:
    bus = Bus(device)
    install(bus, monkeypatch)
    yield bus
    for each in bus.devices:
        assert each.handles == 0, "every handle was given back"


@pytest.fixture
def link(bus: Bus) -> Iterator[visa_link.VisaLink]:
    opened = open_link(NAME, timeout_s=1.0)
    assert isinstance(opened, visa_link.VisaLink)
    yield opened
    opened.close()


def whole_block(link: visa_link.VisaLink, length: int) -> bool:
    return bytes(link.query_block(f"BLOCK? {length}", length)) == payload(length)[:length]


@pytest.mark.parametrize("empty_packet", [True, False], ids=["with-empty-packet", "without"])
@pytest.mark.parametrize("packet_bytes", [64, 512])
def test_blocks_of_every_awkward_length_come_whole_and_leave_nothing_behind(
    device: Device, bus: Bus, packet_bytes: int, empty_packet: bool
) -> None:
    device.packet_bytes, device.empty_packet = packet_bytes, empty_packet
    opened = open_link(NAME, timeout_s=5.0)
    assert isinstance(opened, visa_link.VisaLink)
    for length in LENGTHS:
        assert whole_block(opened, length), length
        assert identify(opened) == IDENTITY
    opened.close()


@pytest.mark.parametrize("part_bytes", [52, 60, 500, 1012, 4096])
@pytest.mark.parametrize("empty_packet", [True, False], ids=["with-empty-packet", "without"])
def test_an_answer_in_parts_comes_whole_even_where_every_part_fills_its_packets(
    device: Device, link: visa_link.VisaLink, part_bytes: int, empty_packet: bool
) -> None:
    device.part_bytes, device.empty_packet = part_bytes, empty_packet
    assert whole_block(link, 10_000)
    assert identify(link) == IDENTITY


def test_a_block_goes_on_after_an_end_mark_that_came_too_early(device: Device, link: visa_link.VisaLink) -> None:
    device.ends_every_part, device.part_bytes = True, 1000
    for length in (985, 986, 5000, 10_000):
        assert whole_block(link, length)
    device.part_bytes = 5  # within the block's header
    assert whole_block(link, 20)
    device.part_bytes = 1 << 30
    assert identify(link) == IDENTITY


def test_alignment_bytes_after_a_payload_are_no_part_of_it(device: Device, link: visa_link.VisaLink) -> None:
    device.pads = True
    for length in range(480, 520):
        assert whole_block(link, length)


def test_a_message_that_would_fill_its_packets_is_sent_as_one_that_does_not(
    device: Device, link: visa_link.VisaLink
) -> None:
    for length in range(485, 505):  # the emulated device asserts that no transfer is of whole packets
        link.write(f"{'X' * length}")


def test_tags_go_round_without_zero(link: visa_link.VisaLink) -> None:
    for _ in range(300):  # the emulated device asserts on every tag
        assert link.query("*OPC?") == "1"


def test_a_transfer_with_the_tag_of_an_earlier_request_is_not_taken_for_the_answer(
    device: Device, link: visa_link.VisaLink
) -> None:
    for length in (5, 600, 5000):
        tag = (link._messages._tag + 200) % 255 + 1
        stale = (
            bytes([2, tag, ~tag & 0xFF, 0]) + length.to_bytes(4, "little") + b"\x01\0\0\0" + b"stale" * (length // 5)
        )
        device.wire.extend(stale[at : at + 512] for at in range(0, len(stale), 512))
        assert identify(link) == IDENTITY


def test_a_transfer_without_its_own_tag_and_nothing_after_it_is_a_time_out(
    device: Device, link: visa_link.VisaLink
) -> None:
    device.wrong_tag.append((link._messages._tag + 100) % 255 + 1)
    with pytest.raises(LinkTimeout):
        link.query("*OPC?")
    link.clear()
    assert identify(link) == IDENTITY


@pytest.mark.parametrize("kind", [0, 1, 127, 255])
def test_a_transfer_of_another_message_type_is_an_error_at_once(
    device: Device, link: visa_link.VisaLink, kind: int
) -> None:
    device.wrong_kind.append(kind)
    with pytest.raises(ReplyError, match="USBTMC header"):
        link.query("*OPC?")
    assert link.dirty


@pytest.mark.parametrize(
    "wire", [[b"\x02"], [b""] * 20, [bytes(512)] * 3, [b"\x02\x01\xfe\0\xff\xff\xff\x7f\x01\0\0\0"] * 9]
)
def test_garbage_on_the_wire_is_a_typed_error_and_ends(
    device: Device, link: visa_link.VisaLink, wire: list[bytes]
) -> None:
    device.wire.extend(wire)
    with pytest.raises((ReplyError, LinkTimeout)):
        link.query("*OPC?")


def test_a_transfer_that_ends_before_its_announced_size_is_an_error(device: Device, link: visa_link.VisaLink) -> None:
    original = device.send_part

    def cut(tag: int, limit: int) -> None:
        original(tag, limit)
        del device.wire[2]
        device.wire.append(b"")

    device.send_part = cut  # type: ignore[method-assign]
    with pytest.raises((ReplyError, LinkTimeout)):
        whole_block(link, 1400)


def test_a_block_that_ends_early_does_not_hang(link: visa_link.VisaLink) -> None:
    with pytest.raises((ReplyError, LinkTimeout)):
        link.query_block("LIAR?", 1000)


def test_a_block_over_the_limit_is_refused(link: visa_link.VisaLink) -> None:
    with pytest.raises(ReplyError, match="more than 1139 bytes"):
        link.query_block("BLOCK? 5000", 1000)


def test_a_silent_device_is_a_time_out_within_the_time_and_its_transfer_is_aborted(
    device: Device, link: visa_link.VisaLink
) -> None:
    with pytest.raises(LinkTimeout):
        link.query("NOTHING?")
    assert ("control", 3) in device.log
    assert ("control", 5) not in device.log, "INITIATE_CLEAR hangs some firmware"
    with pytest.raises(LinkLost, match="needs clearing"):
        link.query("*IDN?")
    link.clear()
    assert identify(link) == IDENTITY


def test_a_device_that_does_not_answer_the_abort_either_still_ends_the_call(
    device: Device, link: visa_link.VisaLink
) -> None:
    device.silent = True
    with pytest.raises(LinkTimeout):
        link.query("*IDN?")


@pytest.mark.parametrize("ignores_abort", [True, False])
def test_an_answer_that_comes_too_late_is_never_that_to_the_next_question(
    device: Device, link: visa_link.VisaLink, ignores_abort: bool
) -> None:
    device.ignores_abort = ignores_abort
    device.silent = True
    with pytest.raises(LinkTimeout):
        link.query("*OPC?")
    device.silent = False
    link.clear()
    assert identify(link) == IDENTITY
    assert link.query("*STB?") == "0"


def test_an_answer_left_by_a_program_that_was_killed_is_not_taken_for_one_to_us(device: Device, bus: Bus) -> None:
    device.pending.extend([b"3.1415\n", b"2.7182\n"])
    opened = open_link(NAME, timeout_s=1.0)
    assert identify(opened) == IDENTITY
    assert opened.query("*STB?") == "0"
    opened.close()


@pytest.mark.parametrize("status", ["0", "+0", "+16", "-0", "*STB 64"])
def test_a_scope_whose_status_is_any_whole_number_is_opened(device: Device, bus: Bus, status: str) -> None:
    answer = device.answer
    device.answer = lambda message: f"{status}\n".encode() if message == b"*STB?" else answer(message)
    opened = open_link(NAME, timeout_s=1.0)
    assert identify(opened) == IDENTITY
    opened.close()


def test_a_scope_that_does_not_say_its_status_is_refused_with_what_it_answers(
    device: Device, bus: Bus, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(visa_link, "OPEN_TIMEOUT_S", 0.5)
    answer = device.answer
    device.answer = lambda message: b"ready\n" if message == b"*STB?" else answer(message)
    with pytest.raises(ReplyError, match=r"answers \*IDN\? with 'MAKER,MODEL,.* and \*STB\? with 'ready'"):
        open_link(NAME)


def test_a_transfer_that_announces_much_takes_no_more_memory_than_comes(
    device: Device, link: visa_link.VisaLink
) -> None:
    tag = (link._messages._tag + 1) % 255 + 1  # that of the request for the answer, after the question's
    device.wire.append(bytes([2, tag, ~tag & 0xFF, 0]) + (400_000_000).to_bytes(4, "little") + b"\1\0\0\0#9")
    with pytest.raises(LinkTimeout):
        link.query_block("NOTHING?", 500_000_000)
    assert device.longest_read_bytes <= READ_BYTES


def test_a_stalled_endpoint_is_freed_and_the_link_comes_back(device: Device, link: visa_link.VisaLink) -> None:
    device.stall_next_read = True
    with pytest.raises(LinkLost, match="unplug"):
        link.query("*IDN?")
    assert ("clear halt", 0x82) in device.log
    link.clear()
    assert identify(link) == IDENTITY


def test_unplugged_in_the_middle_of_a_block_and_back_at_another_address(device: Device, bus: Bus) -> None:
    opened = open_link(NAME, timeout_s=1.0)
    device.leaves_after = 20
    with pytest.raises(LinkLost, match="not plugged in"):
        opened.query_block("BLOCK? 100000", 100_000)
    with pytest.raises(LinkLost, match="not plugged in"):
        opened.clear()
    assert opened.dirty
    device.plug_in(address=9)
    opened.clear()
    assert bytes(opened.query_block("BLOCK? 100000", 100_000)) == payload(100_000)[:100_000]
    opened.close()


def test_two_scopes_of_one_model_are_told_apart_by_their_serial_numbers(device: Device, bus: Bus) -> None:
    other = scope_like("SN0002")
    other.address = 6
    bus.devices.append(other)
    first, second = open_link(NAME), open_link(NAME.replace("SN0001", "SN0002"))
    assert (identify(first), identify(second)) == (IDENTITY, "MAKER,MODEL,SN0002,1.0")
    device.unplug()
    assert identify(second) == "MAKER,MODEL,SN0002,1.0"
    with pytest.raises(LinkLost):
        identify(first)
    first.close()
    second.close()


def test_a_closed_link_leaves_no_session_and_no_claim_and_gives_the_front_panel_back(
    device: Device, link: visa_link.VisaLink
) -> None:
    sessions = len(visa_link._sessions())
    link.close()
    link.close()
    assert len(visa_link._sessions()) == sessions - 1
    assert not device.claimed
    assert device.log[-2:] == [("control", 161), ("control", 160)]
    with pytest.raises(LinkLost):
        link.query("*IDN?")


def test_a_hundred_links_leave_nothing_open(bus: Bus, device: Device) -> None:
    sessions = len(visa_link._sessions()) if visa_link.resource_manager.cache_info().currsize else 1
    for turn in range(100):
        device.silent = turn % 10 == 9
        try:
            open_link(NAME, timeout_s=0.5).close()
        except LinkTimeout:
            assert device.silent
            device.pending.clear()
    assert len(visa_link._sessions()) == sessions


@pytest.mark.parametrize(
    ("denied", "said"),
    [(errno.EACCES, "no permission.*udev-rules"), (errno.EBUSY, "another program uses it; end the other program")],
)
def test_what_stands_in_the_way_is_said_with_what_to_do(device: Device, bus: Bus, denied: int, said: str) -> None:
    device.denied = denied
    with pytest.raises(LinkLost, match=said):
        open_link(NAME)
    gc.collect()  # pyvisa-py leaves the handle of a failed opening to the collector


def test_a_scope_that_is_not_plugged_in_is_said_to_be_so(bus: Bus) -> None:
    with pytest.raises(LinkLost, match="not plugged in"):
        open_link("USB0::0x1234::0x5678::NOTHERE::INSTR")


def test_without_libusb_it_is_said_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    install(None, monkeypatch)
    with pytest.raises(LinkLost, match="libusb-1.0-0"):
        open_link(NAME)


def test_the_list_names_every_device_and_what_is_wrong_with_it(device: Device, bus: Bus) -> None:
    other = scope_like("SN0002")
    other.denied = errno.EACCES
    bus.devices.append(other)
    first, second = usb_devices()
    assert (first.resource, first.problem) == (NAME, None)
    assert second.resource == NAME.replace("SN0001", "???")
    assert second.problem == "no permission to use it"
    assert second.do is not None and "udev-rules" in second.do


def test_a_call_ends_in_time_however_slowly_the_parts_drip(device: Device, link: visa_link.VisaLink) -> None:
    device.part_bytes = 1
    original = device.send_part

    def slowly(tag: int, limit: int) -> None:
        time.sleep(0.02)
        original(tag, limit)

    device.send_part = slowly  # type: ignore[method-assign]
    with pytest.raises(LinkTimeout):
        whole_block(link, 100_000)
