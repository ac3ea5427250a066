"""Seeded mutation of valid input, and the pure parsers that have to take it: a typed error or a value within the limit."""

import random
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

from fuzzed_wires import FedHislip, FedUsb, FedVxi11, hislip_corpus, take, usb_corpus, vxi11_corpus
from made_video import Made, capture_of, digitised, luma, rgb_sync, steps, white
from peakwhite.daemon.sources.csv_capture import read_csv
from peakwhite.daemon.sources.csv_header import plain_layout
from peakwhite.daemon.sources.csv_layouts import scope_layout
from peakwhite.drivers import (
    keysight_preamble,
    rigol_preamble,
    rohde_schwarz_header,
    siglent_descriptor,
    tektronix_preamble,
)
from peakwhite.drivers.blocks import block_header, block_payload
from peakwhite.drivers.errors import InstrumentError, PeakwhiteError, ReplyError, UnreadableInput
from peakwhite.drivers.quantities import quantity
from peakwhite.drivers.records import MOST_POINTS
from peakwhite.drivers.replies import fields_outside_quotes, named_fields, number, other_protocol, short, whole_number
from scope_csv import LAYOUTS, ONE_CHANNEL

WHERE = "fuzzed"
LIMIT_BYTES = 64
PIECES = (
    b"#", b"#9999999999", b"#0", b"#1", b"\n", b"\r\n", b"\n\n", b"\x00", b"\xff", b"-", b"+", b".", b"e", b"E99", b",",
    b";", b":", b'"', b" ", b"nan", b"inf", b"9.9E37", b"1e400", b"-1e-400", b"****", b"0x10", b"1_0", b"\xd9\xa3",
    b"1" * 40, b"CH1", b"Volt", b"second", b"TIME", b"=", b"(s)", b"\t", b"\x1c",
)  # fmt: skip


def mutated(corpus: Sequence[bytes], rng: random.Random) -> bytes:
    """One of the corpus with one to three bytes, spans or pieces changed, cut, doubled or joined to another."""
    data = bytearray(corpus[int(rng.random() * len(corpus))])
    for _ in range(1 + int(rng.random() ** 2 * 3)):
        at = int(rng.random() * (len(data) + 1))
        span = int(rng.random() ** 4 * 40) + 1
        match int(rng.random() * 6):
            case 0 if at < len(data):
                data[at] = int(rng.random() * 256)
            case 1:
                del data[at : at + span]
            case 2:
                data[at:at] = data[at : at + span]
            case 3:
                data[at:at] = PIECES[int(rng.random() * len(PIECES))]
            case 4:
                data[at : at + span] = PIECES[int(rng.random() * len(PIECES))]
            case _:
                other = corpus[int(rng.random() * len(corpus))]
                data[at:] = other[int(rng.random() * (len(other) + 1)) :]
    return bytes(data)


def shrunk(data: bytes, fails: Callable[[bytes], bool]) -> bytes:
    """The shortest input found, by leaving spans out, that still fails."""
    span = max(len(data) // 2, 1)
    while span:
        at = 0
        while at < len(data):
            shorter = data[:at] + data[at + span :]
            if fails(shorter):
                data = shorter
            else:
                at += span
        span //= 2
    return data


def _blocks(data: bytes) -> None:
    header = block_header(data, limit_bytes=LIMIT_BYTES, where=WHERE)
    assert header is None or header.length is None or header.length <= LIMIT_BYTES
    payload = block_payload(bytearray(data), limit_bytes=LIMIT_BYTES, where=WHERE)
    assert payload.nbytes <= LIMIT_BYTES
    assert bytes(payload) in data


def _numbers(data: bytes) -> None:
    text = data.decode("latin-1")
    assert abs(number(text, of="X?", where=WHERE)) < 9.9e37
    assert whole_number(text, of="X?", where=WHERE) == number(text, of="X?", where=WHERE)


def _quantities(data: bytes) -> None:
    assert abs(quantity(data.decode("latin-1"), of="X?", where=WHERE)) < 9.9e46


def _fields(data: bytes) -> None:
    text = data.decode("latin-1")
    assert all(text.count(field) for field in fields_outside_quotes(text))
    assert len(named_fields(text)) <= text.count(";") + text.count('"') + 1
    assert len(short(text)) <= 60
    other_protocol(text)


def _index_preambles(data: bytes) -> None:
    read = rigol_preamble.read_preamble(data.decode("latin-1"), where=WHERE)
    assert read.volts_per_code != 0.0
    assert read.seconds_per_sample >= 0.0


def _named_preambles(data: bytes) -> None:
    read = tektronix_preamble.read_preamble(data.decode("latin-1"), where=WHERE)
    assert read.volts_per_code != 0.0
    assert read.seconds_per_sample > 0.0


def _voltage_preambles(data: bytes) -> None:
    read = keysight_preamble.read_preamble(data.decode("latin-1"), where=WHERE)
    assert read.volts_per_code != 0.0
    assert read.seconds_per_sample > 0.0
    assert read.points > 0
    assert read.bytes_per_code in (1, 2)


def _data_headers(data: bytes) -> None:
    assert 0 < rohde_schwarz_header.read_header(data.decode("latin-1"), where=WHERE) <= MOST_POINTS


def _binary_preambles(data: bytes) -> None:
    read = siglent_descriptor.read_preamble(data, where=WHERE)
    assert read.scale.volts_per_code != 0.0
    assert 0.0 < read.scale.seconds_per_sample < float("inf")
    assert 8 <= read.bits <= 16


def _hislip_messages(data: bytes) -> None:
    take(FedHislip(data), data)


def _vxi11_records(data: bytes) -> None:
    take(FedVxi11(data), data)


def _usb_transfers(data: bytes) -> None:
    take(FedUsb(data), data)


def _csv_layouts(data: bytes) -> None:
    lines = data.decode("latin-1").split("\n")
    path = Path(WHERE)
    layout = scope_layout(path, lines) or plain_layout(path, lines[0])
    assert 0 < len(layout.names) == len(layout.columns) <= 64
    assert max(layout.columns_read) < layout.cells


def _csv_files(data: bytes) -> None:
    capture = read_csv(Path(WHERE), BytesIO(data), ())
    assert capture.samples >= 2
    assert 1e-15 <= capture.seconds_per_sample <= 1e3


@dataclass(frozen=True)
class Parser:
    """What is fuzzed: valid inputs, the parse with what has to hold of its result, the errors it may raise, and its part
    of the mutations."""

    corpus: tuple[bytes, ...]
    parse: Callable[[bytes], None]
    errors: type[PeakwhiteError]
    part: float


BLOCKS = (
    b"#15hello\n", b"#210\x00\n\r##########\n\n", b"C1:WF ALL,#9000000012abcdefghijkl\n\n", b"#800000004\x01\x02\x03\x04\n",
    b"#0abcdef\n", b":CURVE #3004\x80\x7f\x00\n\n", b"#9000000064" + bytes(range(64)) + b"\n",
)  # fmt: skip
NUMBERS = (b"1.0E-6", b"+40.0E+00", b"12000", b"-.5", b"9.9E37", b"0", b"1.200E+4\r", b" 2500 ")
QUANTITIES = (b"5.00E-01V", b"2.00US", b"1.00GSa/s", b"14Mpts", b"70K", b"-3.50E-01", b"500MV", b"7.00E+04")
INDEX_PREAMBLES = (
    b"0,2,6000000,1,1.000000e-09,-3.000000e-03,0,4.132813e-01,0,122",
    b"0,2,600,2,0.000000,-0.000006,0,0.008000,50,127",
    b"0,1,1000,1,4.0E-7,-2.0E-4,0,1.6E-3,-87,128",
    b"1,2,10000,1,5.000000E-8,-2.500000E-4,0.000000E-12,2.666667E-5,-15000,32768",
)
NAMED_PREAMBLES = (
    b':WFMPRE:BYT_NR 1;NR_PT 2500;WFID "Ch1, DC; 2 V";PT_FMT Y;XINCR 1.0E-6;PT_OFF 0;XZERO -1E-3;YMULT 4E-3;YZERO 0;YOFF -50',
    b"BYT_NR 2;NR_PT 10;PT_FMT Y;XIN 1E-8;PT_OFF 0;XZE 0;YMU 3E-4;YZE 0;YOF 0",
    b':WFMOUTPRE:BYT_NR 2;WFID "Ch1, DC";NR_PT 10;PT_FMT Y;XINCR 8E-8;XZERO 0;PT_OFF 5;YMULT 3E-5;YOFF 32768;YZERO 0.35',
)


VOLTAGE_PREAMBLES = (
    b"4,0,62500,1,1.6E-08,-5.0E-04,0,7.851759E-04,0,32768",
    b"0,0,1000,1,+1.00000000E-008,-5.00000000E-006,0,+8.04020000E-003,+0.3,128",
    b"1,3,2000,8,1E-8,0,0,3E-5,-1,32768",
)
DATA_HEADERS = (b"-9.477E-008,9.477E-008,200000,1", b"-6.000E-04,5.999E-04,10000,2")


def binary_preamble(*, bits: int = 8, codes_per_div: float = 30.0, probe: float = 1.0) -> bytes:
    """A descriptor of 346 bytes, as the newer Siglent scopes send it."""
    fields = {0x9C: 0.2, 0xA0: 0.0, 0xA4: codes_per_div, 0xB0: 5e-8, 0x148: probe}
    made = bytearray(346)
    for at, value in fields.items():
        struct.pack_into("<f", made, at, value)
    struct.pack_into("<h", made, 0xAC, bits)
    return bytes(made)


def _csv_corpus(samples: int) -> tuple[bytes, ...]:
    made = Made(samples=samples, sample_ns=80.0)
    wired = rgb_sync(made, white(700.0), white(600.0), white(500.0))
    one = capture_of(made, digitised(made, "CH1", luma(made, steps([0.0, 700.0]))))
    plain = b"t,CH1\n0,0.1\n1e-6,0.2\n2e-6,0.3\n"
    return (plain, *(text(one if name in ONE_CHANNEL else wired).encode() for name, text in LAYOUTS.items()))


BINARY_PREAMBLES = (binary_preamble(), binary_preamble(bits=12, codes_per_div=480.0, probe=10.0))

PARSERS: dict[str, Parser] = {
    "blocks": Parser(BLOCKS, _blocks, ReplyError, 0.38),
    "numbers": Parser(NUMBERS, _numbers, ReplyError, 0.27),
    "fields": Parser(NAMED_PREAMBLES, _fields, ReplyError, 0.015),
    "quantities": Parser(QUANTITIES, _quantities, ReplyError, 0.06),
    "index preambles": Parser(INDEX_PREAMBLES, _index_preambles, ReplyError, 0.06),
    "voltage preambles": Parser(VOLTAGE_PREAMBLES, _voltage_preambles, ReplyError, 0.03),
    "data headers": Parser(DATA_HEADERS, _data_headers, ReplyError, 0.03),
    "named preambles": Parser(NAMED_PREAMBLES, _named_preambles, ReplyError, 0.08),
    "binary preambles": Parser(BINARY_PREAMBLES, _binary_preambles, ReplyError, 0.03),
    "HiSLIP messages": Parser(hislip_corpus(), _hislip_messages, InstrumentError, 0.007),
    "VXI-11 records": Parser(vxi11_corpus(), _vxi11_records, InstrumentError, 0.005),
    "USBTMC transfers": Parser(usb_corpus(), _usb_transfers, InstrumentError, 0.008),
    "CSV layouts": Parser(_csv_corpus(4), _csv_layouts, UnreadableInput, 0.02),
    "CSV files": Parser(_csv_corpus(24), _csv_files, UnreadableInput, 0.005),
}


@dataclass(frozen=True)
class Tally:
    """What became of the mutations."""

    accepted: int
    refused: int


class Defect(AssertionError):
    """A parser did something else than give a value within the limit or raise its error; the message has the input."""


def fuzz(name: str, seed: int, count: int) -> Tally:
    """Parse so many mutations. Raises Defect at the first that is a defect, by its shortest input."""
    parser = PARSERS[name]
    rng = random.Random(f"{seed} {name}")
    corpus, parse, error, accepted = parser.corpus, parser.parse, parser.errors, 0
    for _ in range(count):
        data = mutated(corpus, rng)
        try:
            parse(data)
            accepted += 1
        except error as refusal:
            if not _one_line(refusal):
                raise Defect(f"{name}: {shrunk(data, lambda one: _fault(parser, one) is not None)!r}") from refusal
        except Exception as other:
            kind = type(other)
            least = shrunk(data, lambda one: type(_fault(parser, one)) is kind)  # noqa: B023
            raise Defect(f"{name}: {kind.__name__} from {least!r}") from other
    return Tally(accepted, count - accepted)


def _one_line(error: PeakwhiteError) -> bool:
    return bool(error.what and error.do) and str(error).isprintable()


def _fault(parser: Parser, data: bytes) -> Exception | None:
    """What is wrong with how the parser takes that input, or None."""
    try:
        parser.parse(data)
    except parser.errors as refusal:
        return None if _one_line(refusal) else refusal
    except Exception as other:  # noqa: BLE001  whatever it is, it is what was looked for
        return other
    return None
