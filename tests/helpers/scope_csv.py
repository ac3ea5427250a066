"""Captures written as the CSV files of the instrument families, in the layouts that `csv_layouts` documents.

The layouts are facts of public samples (sources there); names of models and serial numbers are made up.
"""

import math
from collections.abc import Callable, Sequence

import numpy as np

from peakwhite.drivers.capture import Capture

Rows = Sequence[Sequence[float]]


def columns(capture: Capture) -> list[list[float]]:
    """Time in seconds, then the volts of every channel."""
    time_s = capture.first_sample_s + capture.seconds_per_sample * np.arange(capture.samples)
    volts = [one.codes * one.volts_per_code + one.volts_at_code_zero for one in capture.channels]
    return [time_s.tolist(), *(one.tolist() for one in volts)]


def engineering(value: float) -> str:
    """`-402.010E-06`: the exponent a multiple of three."""
    exponent = 3 * math.floor(math.log10(abs(value)) / 3) if value else 0
    return f"{value / 10.0**exponent:+.6f}E{exponent:+03d}"


def table(capture: Capture, time: str = "{:.8e}", volts: str = "{:.5e}", end: str = "") -> str:
    """Rows of time and volts."""
    rows = zip(*columns(capture), strict=True)
    return "".join(
        ",".join([time.format(row[0]), *(volts.format(one) for one in row[1:])]) + f"{end}\n" for row in rows
    )


def names(capture: Capture, form: str = "CH{}") -> str:
    return ",".join(form.format(number) for number in range(1, len(capture.channels) + 1))


def index_start_increment(capture: Capture) -> str:
    _, *volts = columns(capture)
    start, step = capture.first_sample_s, capture.seconds_per_sample
    head = f"X,{names(capture)},Start,Increment,\nSequence,{names(capture, 'Volt')},{start:.6e},{step:.6e}\n"
    rows = enumerate(zip(*volts, strict=True))
    return head + "".join(f"{index},{','.join(f'{one:.2e}' for one in row)},\n" for index, row in rows)


def with_digital_columns(capture: Capture) -> str:
    """As `index_start_increment`, with the digital inputs between channels and start."""
    lines = index_start_increment(capture).splitlines()
    units = f"{names(capture, 'Volt')},"
    head = lines[0].replace(",Start", ",D7-D0,D15-D8,Start"), lines[1].replace(units, f"{units},,")
    return "\n".join([*head, *(f"{line}0x0F,0x00," for line in lines[2:])]) + "\n"


def memory(capture: Capture) -> str:
    _, *volts = columns(capture)
    head = f"{names(capture, 'CH{}(V)')},t0 = {capture.first_sample_s:g}s, tInc = {capture.seconds_per_sample:g}s,\n"
    return head + "".join(",".join(f"{one:+.6e}" for one in row) + ",,\n" for row in zip(*volts, strict=True))


def screen(capture: Capture) -> str:
    return f"Time(s),{names(capture, 'CH{}V')}\n" + table(capture)


def old_preamble(capture: Capture) -> str:
    scales = " ".join(f"CH{number}: 0.20" for number in range(1, len(capture.channels) + 1))
    head = f"Record Length,Analog:{capture.samples}\nSample Rate,{1 / capture.seconds_per_sample:.1f}\n"
    head += f"Vertical Scale,{scales}\nHorizontal Scale, 0.000050000\nSecond,{names(capture, 'Volt')}\n"
    return head + table(capture, "{:.11f}", "{:.5f}")


def preamble_with_source(capture: Capture) -> str:
    units = " ".join(f"CH{number}:V" for number in range(1, len(capture.channels) + 1))
    head = f"Record Length,{capture.samples}\nVertical Units,{units},,\nHorizontal Units,s,,\nModel Number,X,,\n\n"
    return head + f"Source,{names(capture)}\nSecond,{names(capture, 'Volt')}\n" + table(capture, "{:14.11f}", "{:.5f}")


def new_preamble(capture: Capture) -> str:
    units = ", ".join(f"CH{number}:V" for number in range(1, len(capture.channels) + 1))
    head = f"Record Length,Analog:{capture.samples},\nSample Interval,Analog:{capture.seconds_per_sample:E},\n"
    head += f"Vertical Units,{units},,\nHorizontal Units,s,\nModel Number,X,\nSerial Number,X0001,\n"
    head += f"Source,{names(capture)}\nSecond,{names(capture, 'Value')}\n"
    return head + table(capture, "{:+.8E}", "{:+.6E}")


def numbered(capture: Capture) -> str:
    head = f"x-axis,{names(capture, '{}')}\nsecond,{names(capture, 'Volt')}\n"
    return head + "".join(",".join(map(engineering, row)) + "\n" for row in zip(*columns(capture), strict=True))


def beside(capture: Capture) -> str:
    time_s, volts = columns(capture)[:2]
    step = capture.seconds_per_sample
    said = [f"Record Length,{capture.samples:.6e}", f"Sample Interval,{step:.6e}", "Trigger Point,0.000000000000e+00"]
    said += [","] * 3 + [
        "Source,CH1",
        "Vertical Units,V",
        "Vertical Scale,2.000000e-01",
        "Vertical Offset,0.000000e+00",
    ]
    said += ["Horizontal Units,s", "Horizontal Scale,5.000000e-05", "Pt Fmt,Y", "Yzero,0.000000e+00"]
    said += ["Probe Atten,1.000000e+00", "Firmware Version,X"]
    said += [","] * (capture.samples - len(said))
    rows = zip(said[: capture.samples], time_s, volts, strict=True)
    return "".join(f"{one},,{at: .12f},{level:10.5f},\n" for one, at, level in rows)


def below_preamble(capture: Capture) -> str:
    groups = len(capture.channels)
    said = {"Waveform Type": "ANALOG", "Point Format": "Y", "Horizontal Units": "s", "Vertical Units": "V", "Label": ""}
    head = "Model,X\nFirmware Version,1.0\n\n"
    head += "".join(f"{name},{','.join([value] * groups)}\n" for name, value in said.items())
    return head + f",\nTIME,{names(capture)}\n" + table(capture, "{:.7e}", "{:g}")


def with_digital_group(capture: Capture) -> str:
    """As `below_preamble`, with a digital group after an empty column."""
    head, _, rows = below_preamble(capture).partition(f"TIME,{names(capture)}\n")
    digital = "".join(f"{row},,{row.partition(',')[0]},0,1\n" for row in rows.splitlines())
    return f"{head}TIME,{names(capture)},,TIME,D1,D0\n{digital}"


def in_brackets(capture: Capture) -> str:
    return f"[s],{names(capture, 'CH{}[V]')}\n" + table(capture, "{:.8E}", "{:.3E}").replace("\n", "\r\n")


def in_words(capture: Capture) -> str:
    return f"in s,{names(capture, 'C{} in V')}\n" + table(capture, "{:.7E}", "{:.7E}").replace("\n", "\r\n")


LAYOUTS: dict[str, Callable[[Capture], str]] = {
    "A1 index, start and increment": index_start_increment,
    "A1 with digital columns": with_digital_columns,
    "A2 memory": memory,
    "A2 screen": screen,
    "A3 preamble": old_preamble,
    "A3 preamble with source": preamble_with_source,
    "A4 preamble": new_preamble,
    "A5 numbered channels": numbered,
    "A6 preamble beside the samples": beside,
    "A6 preamble above": below_preamble,
    "A6 preamble above with a digital group": with_digital_group,
    "A7 units in brackets": in_brackets,
    "A7 units in words": in_words,
}
ONE_CHANNEL = ("A6 preamble beside the samples",)
