"""Ways in which the instrument can misbehave, switched on by name."""

import random
from enum import StrEnum
from typing import Self

from .scpi import Block

LATE_S = 2.5
STALL_S = 5.0
TWICE_S = 0.02
ABSURD_VOLTS = 1e6
RANGE_STEP = 2.0
"""By so much a knob that is turned multiplies volts per division."""
STRANGER_EVERY = 17


class Fault(StrEnum):
    """Every fault stays on until it is cleared, but those that end in `-once`, which clear themselves.

    `does` says in a sentence what each does; `--help` prints it.
    """

    does: str

    def __new__(cls, name: str, does: str = "") -> Self:
        fault = str.__new__(cls, name)
        fault._value_ = name
        fault.does = does
        return fault

    REFUSE_CONNECTIONS = "refuse-connections", "No SCPI port listens; connections that stand are kept."
    SWITCHED_OFF = (
        "switched-off",
        "No SCPI port listens and every connection ends; once cleared, all settings are those of the factory.",
    )
    DROP_MID_BLOCK = "drop-mid-block", "The connection ends in the middle of a block."
    STALL_ONCE = "stall-once", f"The next answer stops half-way; its rest comes after {STALL_S:g} s."
    SILENT = "silent", "Commands are carried out, queries stay unanswered."
    ANSWER_LATE = "answer-late", f"Every answer comes after {LATE_S:g} s."
    ANSWER_TWICE = "answer-twice", f"Every answer comes again after {TWICE_S * 1e3:g} ms."
    TRUNCATE_BLOCK = "truncate-block", "Half the bytes that a block's header announces, then the line feed."
    HEADER_TOO_LONG = "header-too-long", "A block's header announces a thousand bytes more than follow."
    HEADER_TOO_SHORT = "header-too-short", "A block's header announces half the bytes that follow."
    GARBAGE = "garbage", "Every answer is random bytes."
    PREAMBLE_FIELD_MISSING = "preamble-field-missing", "The last three fields of a waveform's preamble are not there."
    SCALE_ZERO = "scale-zero", "Volts per code are 0."
    SCALE_NAN = "scale-nan", "Volts per code are NAN."
    SCALE_ABSURD = "scale-absurd", f"Volts per code are {ABSURD_VOLTS:,.0f}."
    EMPTY_RECORD = "empty-record", "A block of no bytes."
    POINTS_DISAGREE = "points-disagree", "The preamble states a hundred points more than the block holds."
    TIME_STEP_ZERO = "time-step-zero", "The preamble prints the sample interval as 0.000000."
    TEXT_BEFORE_BLOCK = "text-before-block", "Some text comes before a block's header."
    EXTRA_LINE_FEED = "extra-line-feed", "Two line feeds after a block instead of one."
    IDENTITY_CHANGES = "identity-changes", "`*IDN?` names another instrument."
    ERROR_QUEUE_OVERFLOW = "error-queue-overflow", "Every message leaves more errors than the queue holds."
    ANOTHER_CLIENT = (
        "another-client",
        (
            f"Every {STRANGER_EVERY} messages another client does something, in turn: run, change ranges, arm, move the "
            "trigger level, change ranges back, switch CH1 off, stop."
        ),
    )
    RANGE_TURNED_ONCE = (
        "range-turned-once",
        (
            "After the next block somebody doubles V/div of every channel; preambles of the record that is held then state "
            "the new range, as those of some models do."
        ),
    )


class Faults:
    """The faults that are on."""

    def __init__(self) -> None:
        self._active: set[Fault] = set()
        self._random = random.Random(7)

    def __contains__(self, fault: Fault) -> bool:
        return fault in self._active

    def names(self) -> list[str]:
        """The names of those that are on."""
        return sorted(self._active)

    def add(self, fault: Fault) -> None:
        """Switches one on."""
        self._active.add(fault)

    def clear(self) -> None:
        """Switches all off."""
        self._active.clear()

    def take(self, fault: Fault) -> bool:
        """Whether a fault is on; it is off afterwards."""
        on = fault in self._active
        self._active.discard(fault)
        return on

    def block(self, data: bytes, digits: int | None = None) -> Block:
        """A definite-length block (488.2 8.7.9) of the data; `digits` fixes the number of length digits."""
        if Fault.EMPTY_RECORD in self._active:
            data = b""
        announced = len(data)
        if Fault.TRUNCATE_BLOCK in self._active:
            data = data[: len(data) // 2]
        if Fault.HEADER_TOO_LONG in self._active:
            announced += 1000
        if Fault.HEADER_TOO_SHORT in self._active:
            announced //= 2
        length = str(announced) if digits is None else f"{announced:0{digits}d}"
        before = b"DAT2," if Fault.TEXT_BEFORE_BLOCK in self._active else b""
        after = b"\n" if Fault.EXTRA_LINE_FEED in self._active else b""
        return Block(b"%s#%d%s%s%s" % (before, len(length), length.encode(), data, after))

    def time_step(self, printed: str) -> str:
        """The sample interval that a preamble prints."""
        return "0.000000" if Fault.TIME_STEP_ZERO in self._active else printed

    def volts_per_code(self, volts: float) -> float:
        """The scale that a preamble states."""
        if Fault.SCALE_NAN in self._active:
            return float("nan")
        if Fault.SCALE_ABSURD in self._active:
            return ABSURD_VOLTS
        return 0.0 if Fault.SCALE_ZERO in self._active else volts

    def points(self, points: int) -> int:
        """The number of points that a preamble states."""
        return points + 100 if Fault.POINTS_DISAGREE in self._active else points

    def preamble(self, fields: list[str]) -> list[str]:
        """The fields of a preamble."""
        return fields[:-3] if Fault.PREAMBLE_FIELD_MISSING in self._active else fields

    def garbled(self, answer: bytes) -> bytes:
        """An answer as it goes out."""
        if Fault.GARBAGE not in self._active:
            return answer
        return self._random.randbytes(max(len(answer), 16)).replace(b"\n", b"\r") + b"\n"
