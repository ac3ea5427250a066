"""What is sent once more where no answer came in time, and over which links it is not."""

import pytest

from peakwhite.drivers.errors import LinkTimeout
from peakwhite.drivers.identity import Identity
from peakwhite.drivers.rigol_1000z import Rigol1000Z
from peakwhite.drivers.tektronix_tds import TektronixTds
from peakwhite.drivers.waiting import Clock
from spoken import Spoken

USB = "USB0::0x1AB1::0x04CE::SN12345::INSTR"
PREAMBLE = {":WAV:PRE?": "0,2,100,1,1.0E-8,0,0,8.0E-3,0,127"}
PIECE = [":WAV:STAR 1", ":WAV:STOP 100", ":WAV:DATA?"]


def memory_of(link: Spoken) -> Rigol1000Z:
    """A driver that holds a record of 100 points."""
    driver = Rigol1000Z(link, Identity("RIGOL TECHNOLOGIES,DS1104Z,0,00.04.04"), Clock())
    driver._expect(100, 1e-8, 1.0)
    return driver


def test_a_piece_of_a_record_that_stalled_is_asked_for_once_more_over_a_cleared_link() -> None:
    link = Spoken(PREAMBLE, block=bytes(range(100)), stalls=1)
    record = memory_of(link).fetch(("CH1",))
    assert record.channels[0].codes.tolist() == list(range(100))
    assert (link.cleared, link.asked[-6:]) == (1, PIECE * 2)


def test_a_piece_that_stalls_twice_is_a_time_out() -> None:
    link = Spoken(PREAMBLE, stalls=2)
    with pytest.raises(LinkTimeout):
        memory_of(link).fetch(("CH1",))
    assert link.cleared == 1


def test_over_usb_a_piece_that_stalled_is_a_time_out_at_once() -> None:
    link = Spoken(PREAMBLE, block=bytes(100), stalls=1, resource=USB)
    with pytest.raises(LinkTimeout):
        memory_of(link).fetch(("CH1",))
    assert link.cleared == 0


class Distracted(Spoken):
    """A link to a scope that leaves the first question unanswered."""

    def query(self, command: str) -> str:
        if not self.cleared:
            self._answers.pop(command, None)
            try:
                return super().query(command)
            finally:
                self._answers[command] = "0"
        return super().query(command)


def test_the_first_question_after_a_burst_of_settings_is_sent_once_more() -> None:
    link = Distracted({})
    kept = ((":DAT:ENC", "RIB"), (":DAT:WID", "1"), (":HEAD", "1"))
    TektronixTds(link, Identity("TEKTRONIX,TDS 2024C,0,CF:91.1CT"), Clock()).restore_transfer(kept)
    assert (link.cleared, link.asked[-2:]) == (1, [":HEAD 1;*ESR?"] * 2)
