"""SCPI as IEEE 488.2 has it: messages, headers, a command table, status and error queue."""

import itertools
import math
import re
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field

QUEUE_LENGTH = 20
"""Errors that the queue holds; one more turns the last into -350."""


class ScpiError(Exception):
    """An error that goes into the queue."""

    def __init__(self, code: int, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text


class Block(bytes):
    """An arbitrary block, header and all."""


Answer = str | Block | None
"""A query's answer; None where the instrument stays silent."""


@dataclass(frozen=True)
class Element:
    """One program message unit: header in capitals without `?`, from the root, and as it was written."""

    header: str
    query: bool
    arguments: tuple[str, ...]
    written: str


@dataclass(frozen=True)
class Command:
    """What a header does. `index` is the number in a node such as CH<n>, 0 where there is none.

    Attributes:
        long, short: the header as an answer would bear it, `{n}` for the number.
        query: gives the answer.
        write: takes the arguments.
    """

    long: str
    short: str
    query: Callable[[int, tuple[str, ...]], Answer | Awaitable[Answer]] | None = None
    write: Callable[[int, tuple[str, ...]], None] | None = None


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Splits at the separator where it is not within quotes."""
    if "'" not in text and '"' not in text:
        return text.split(separator)
    parts, quote, start = [], "", 0
    for position, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == separator:
            parts.append(text[start:position])
            start = position + 1
    return [*parts, text[start:]]


def elements(message: str) -> Iterator[Element]:
    """The units of a message. A header without a leading colon goes on from the path of the one before (488.2 A.1)."""
    path = ""
    for part in split_outside_quotes(message, ";"):
        words = part.strip().split(None, 1)
        if not words:
            continue
        header, rest = words[0].upper(), words[1] if len(words) > 1 else ""
        if header.startswith("*"):
            full = header
        else:
            full = header[1:] if header.startswith(":") else path + header
            path = full[: full.rfind(":") + 1]
        arguments = tuple(word.strip() for word in split_outside_quotes(rest, ",")) if rest.strip() else ()
        yield Element(full.removesuffix("?"), full.endswith("?"), arguments, header.lstrip(":").removesuffix("?"))


class CommandTable:
    """Headers in all their spellings."""

    from_root_too = False
    """A header that is none where the path leads is looked for from the root as well."""

    def __init__(self, channels: int = 4) -> None:
        self._channels = channels
        self._commands: dict[str, tuple[Command, int]] = {}

    def add(
        self,
        pattern: str,
        query: Callable[[int, tuple[str, ...]], Answer | Awaitable[Answer]] | None = None,
        write: Callable[[int, tuple[str, ...]], None] | None = None,
    ) -> None:
        """Enters a header such as `CH<n>:SCAle` or `TIMebase[:MAIN]:SCALe`.

        Capitals are the short form, without underscores that stand by small letters; a node in brackets may be left out,
        `<n>` is the number of a channel.
        """
        nodes = [(node, bool(bracket)) for bracket, node in re.findall(r"(\[?):?([^:\[\]]+)\]?", pattern)]
        required = [node for node, optional in nodes if not optional]
        command = Command(":".join(map(_long, required)), ":".join(map(_short, required)), query, write)
        spellings = [{_long(node), _short(node)} | ({""} if optional else set()) for node, optional in nodes]
        for chosen in itertools.product(*spellings):
            header = ":".join(filter(None, chosen))
            for index in range(1, self._channels + 1) if "{n}" in header else (0,):
                self._commands[header.format(n=index)] = (command, index)

    def find(self, element: Element) -> tuple[Command, int]:
        """The command and its number.

        Raises:
            ScpiError: -113, no such header.
        """
        found = self._commands.get(element.header)
        if found is None and self.from_root_too:
            found = self._commands.get(element.written)
        if found is None or (found[0].query if element.query else found[0].write) is None:
            raise ScpiError(-113, f"Undefined header; {element.header}{'?' if element.query else ''}")
        return found


def _long(node: str) -> str:
    return node.upper().replace("<N>", "{n}")


def _short(node: str) -> str:
    return re.sub(r"_?[a-z]+_?", "", node.replace("<n>", "<N>")).replace("<N>", "{n}")


@dataclass
class Status:
    """Event status register, its mask, the service mask and the error queue."""

    event_status: int = 128  # power on
    event_mask: int = 0
    service_mask: int = 0
    errors: list[tuple[int, str]] = field(default_factory=list)

    def report(self, code: int, text: str) -> None:
        """Enters an error and sets its bit: command, execution, device dependent or query error."""
        bits = {1: 32, 2: 16, 3: 8, 4: 4}
        self.event_status |= bits.get(abs(code) // 100, 8 if abs(code) < 2000 else 16)
        if len(self.errors) < QUEUE_LENGTH:
            self.errors.append((code, text))
        else:
            self.errors[-1] = (-350, "Queue overflow")

    def clear(self) -> None:
        """`*CLS`."""
        self.event_status = 0
        self.errors.clear()

    def read_events(self) -> int:
        """`*ESR?`: the register, which it clears."""
        events, self.event_status = self.event_status, 0
        return events

    def byte(self) -> int:
        """`*STB?`: bit 2 errors wait, bit 5 event summary, bit 6 service request."""
        bits = (4 if self.errors else 0) | (32 if self.event_status & self.event_mask else 0)
        return bits | (64 if bits & self.service_mask else 0)


def only(arguments: tuple[str, ...]) -> str:
    """The one argument of a command.

    Raises:
        ScpiError: -109 none, -108 more than one.
    """
    if not arguments:
        raise ScpiError(-109, "Missing parameter")
    if len(arguments) > 1:
        raise ScpiError(-108, "Parameter not allowed")
    return arguments[0]


def number(arguments: tuple[str, ...], low: float, high: float) -> float:
    """The one argument as a number within limits.

    Raises:
        ScpiError: -104 not a number, -222 out of range.
    """
    text = only(arguments)
    try:
        value = float(text)
    except ValueError:
        raise ScpiError(-104, f"Data type error; {text}") from None
    if not (math.isfinite(value) and low <= value <= high):
        raise ScpiError(-222, f"Data out of range; {text}")
    return value


def choice(arguments: tuple[str, ...], *names: str) -> str:
    """The one argument as one of the names (capitals are the short form); returns the name as spelt here.

    Raises:
        ScpiError: -224.
    """
    text = only(arguments).upper()
    for name in names:
        if text in (name.upper(), re.sub(r"[a-z]", "", name)):
            return name
    raise ScpiError(-224, f"Illegal parameter value; {text}")


def flag(arguments: tuple[str, ...]) -> bool:
    """The one argument as ON, OFF, or a number that is zero or not."""
    text = only(arguments).upper()
    if text in ("ON", "OFF"):
        return text == "ON"
    return number(arguments, -1e9, 1e9) != 0


def nr3(value: float) -> str:
    """A number as instruments print it: 2.5E-5."""
    if not math.isfinite(value):
        return "NAN"
    mantissa, exponent = f"{value:.9E}".split("E")
    mantissa = mantissa.rstrip("0")
    return f"{mantissa}{'0' if mantissa.endswith('.') else ''}E{int(exponent)}"
