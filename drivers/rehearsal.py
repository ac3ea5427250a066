"""One short capture through everything that a driver does, for a transcript: the same steps when recorded and replayed."""

from .errors import InstrumentError
from .family import ChannelPlan, Driver, Plan
from .kept import Kept
from .links import Link
from .present_setup import ScopeSetup
from .records import Record

PLAN = Plan(
    channels=(ChannelPlan("CH1", 0.2, 0.3),),
    trigger_channel="CH1",
    trigger_level_v=0.1,
    span_s=100e-6,
    points=1000,
)
"""As short a record of channel 1 as the instrument has."""
WAIT_S = 0.5


def rehearse(driver: Driver, link: Link) -> Record:
    """Read the set-up, capture once, triggered or forced, fetch, and give the set-up back, whatever went wrong.

    `link` is the driver's. What a signal handler raises may be raised in the middle of an exchange: the link is cleared
    before the set-up goes back. Raises LinkError, ReplyError, InstrumentRejected; InstrumentError where no capture could be
    made. If the set-up could not be given back, the error says so too.
    """
    transfer, users = driver.read_transfer(), driver.read_setup()
    try:
        record = _captured(driver)
        driver.restore(users)
        driver.restore_transfer(transfer)
    except InstrumentError as error:
        if not _given_back(driver, link, users, transfer, clear=link.dirty):
            error.do += "; its set-up could not be given back, so set it by hand"
        raise
    except BaseException:
        _given_back(driver, link, users, transfer, clear=True)
        raise
    return record


def _captured(driver: Driver) -> Record:
    driver.configure(PLAN)
    if not driver.acquire(WAIT_S) and not driver.force(WAIT_S):
        raise InstrumentError(
            "it neither triggers nor can be made to", where="channel 1", do="put a signal on channel 1"
        )
    return driver.fetch(("CH1",))


def _given_back(driver: Driver, link: Link, users: ScopeSetup, transfer: Kept, *, clear: bool) -> bool:
    """Whether the instrument took its user's set-up back; what went wrong before is what is told."""
    try:
        if clear:
            link.clear()
        driver.restore(users)
        driver.restore_transfer(transfer)
    except InstrumentError:
        return False
    return True
