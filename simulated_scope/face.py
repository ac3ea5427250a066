"""What the SCPI faces of all dialects share: carrying out a message, common commands, status."""

from abc import ABC, abstractmethod
from collections.abc import Awaitable

from .faults import RANGE_STEP, STRANGER_EVERY, Fault, Faults
from .instrument import Instrument
from .scpi import QUEUE_LENGTH, Answer, Block, Command, CommandTable, ScpiError, Status, elements, number

POWER_ON = 128
"""Bit 7 of the event status."""


class Face(ABC):
    """One dialect in front of one instrument; all clients share it, as they would the instrument."""

    default_identity: str
    divisions: int
    """Of the screen, horizontally."""
    bits: int = 8
    """Of the converter, where nobody chooses."""
    codes_per_div: float = 25
    """Of an 8-bit code."""
    replies_are_interrupted = False
    """A message that came before the answer went out drops it, also where the transport knows no such rule."""
    options: str | None = None
    """What `*OPT?` answers, where the dialect has it."""

    def __init__(self, instrument: Instrument, faults: Faults, identity: str) -> None:
        self.instrument = instrument
        self.faults = faults
        self.identity = identity
        self.status = Status()
        self.table = CommandTable(instrument.channel_count)
        self.remote = False
        """Whether the front panel is locked: transports that know a remote state lock it with every message."""
        self._messages = 0
        self._add_common()
        self.add_commands()

    @abstractmethod
    def add_commands(self) -> None:
        """Enters the dialect's own commands into the table."""

    @abstractmethod
    def operation_complete(self) -> Answer | Awaitable[Answer]:
        """The answer to `*OPC?`."""

    @abstractmethod
    def note_operation_complete(self) -> None:
        """`*OPC`: sets bit 0 of the event status when operations are complete."""

    def headed(self, command: Command, index: int, answer: str | Block) -> str | Block:
        """An answer as this dialect sends it."""
        return answer

    async def respond(self, message: str) -> tuple[bytes, bool] | None:
        """Carries out a message: the answer with its line feed, and whether it holds a block; None where there is none."""
        self._disturb()
        if Fault.ERROR_QUEUE_OVERFLOW in self.faults:
            for _ in range(QUEUE_LENGTH + 1):
                self.status.report(-310, "System error")
        answers: list[str | Block] = []
        for element in elements(message):
            try:
                command, index = self.table.find(element)
                if element.query and command.query is not None:
                    answer = command.query(index, element.arguments)
                    if isinstance(answer, Awaitable):
                        answer = await answer
                    if answer is not None:
                        answers.append(self.headed(command, index, answer))
                elif command.write is not None:
                    command.write(index, element.arguments)
            except ScpiError as error:
                self.status.report(error.code, error.text)
        if not answers:
            return None
        has_block = any(isinstance(answer, Block) for answer in answers)
        if has_block and self.faults.take(Fault.RANGE_TURNED_ONCE):
            self.instrument.turn_ranges(RANGE_STEP)
        parts = [answer if isinstance(answer, Block) else answer.encode() for answer in answers]
        return b";".join(parts) + b"\n", has_block

    def lock_panel(self) -> None:
        """The front panel is locked until somebody gives it back."""
        self.remote = True

    def go_to_local(self) -> None:
        """The front panel works again."""
        self.remote = False

    def switch_on(self) -> None:
        """As the instrument is after it was off: factory settings, an empty memory, PON in the event status (488.2 11.5.1.2.1)."""
        self.instrument.forget()
        self.reset()
        self.status.clear()
        self.status.event_status |= POWER_ON
        self.remote = False

    def _disturb(self) -> None:
        """What another client does between two messages."""
        if Fault.ANOTHER_CLIENT in self.faults:
            self._messages += 1
            if self._messages % STRANGER_EVERY == 0:
                self.instrument.meddle(self._messages // STRANGER_EVERY)

    def reset(self) -> None:
        """`*RST`."""
        self.instrument.reset()

    def _identity(self) -> str:
        return "PEAKWHITE,ANOTHER,SIM000002,1.0" if Fault.IDENTITY_CHANGES in self.faults else self.identity

    def _add_common(self) -> None:
        status = self.status

        def set_event_mask(index: int, arguments: tuple[str, ...]) -> None:
            status.event_mask = int(number(arguments, 0, 255))

        def set_service_mask(index: int, arguments: tuple[str, ...]) -> None:
            status.service_mask = int(number(arguments, 0, 255))

        self.table.add("*IDN", query=lambda index, arguments: self._identity())
        if self.options is not None:
            self.table.add("*OPT", query=lambda index, arguments: self.options)
        self.table.add(
            "*OPC",
            query=lambda index, arguments: self.operation_complete(),
            write=lambda index, arguments: self.note_operation_complete(),
        )
        self.table.add("*CLS", write=lambda index, arguments: status.clear())
        self.table.add("*ESR", query=lambda index, arguments: str(status.read_events()))
        self.table.add("*ESE", query=lambda index, arguments: str(status.event_mask), write=set_event_mask)
        self.table.add("*SRE", query=lambda index, arguments: str(status.service_mask), write=set_service_mask)
        self.table.add("*STB", query=lambda index, arguments: str(status.byte()))
        self.table.add("*RST", write=lambda index, arguments: self.reset())
        self.table.add("*TST", query=lambda index, arguments: "0")
