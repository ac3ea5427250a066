"""One short capture through everything that a driver does, for a transcript: the same steps when recorded and replayed."""

from .errors import InstrumentError
from .family import ChannelPlan, Driver, Plan
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


def rehearse(driver: Driver) -> Record:
    """Read the set-up, capture once, triggered or forced, fetch, and give the set-up back, whatever went wrong.

    Raises LinkError, ReplyError, InstrumentRejected; InstrumentError where no capture could be made.
    """
    users = driver.read_setup()
    try:
        driver.configure(PLAN)
        if not driver.acquire(WAIT_S) and not driver.force(WAIT_S):
            raise InstrumentError(
                "it neither triggers nor can be made to", where="channel 1", do="put a signal on channel 1"
            )
        record = driver.fetch(("CH1",))
    except InstrumentError:
        _try_to_restore(driver, users)
        raise
    driver.restore(users)
    return record


def _try_to_restore(driver: Driver, users: ScopeSetup) -> None:
    try:
        driver.restore(users)
    except InstrumentError:
        pass  # what went wrong first is what is told
