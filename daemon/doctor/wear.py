"""What is written to the disk in a day, which is what wears an SD card: measured by a running daemon, or estimated by settings."""

from dataclasses import dataclass, replace
from http import HTTPStatus
from urllib.error import HTTPError

from ..access.sent_token import VARIABLE
from ..book.running_log import STRETCH_PERIODS
from ..config.settings import Settings
from ..measure.hookup import WHITE_ROLES
from .finding import Finding, note, well
from .port import text_from

DAY_S = 86_400.0
LONG_ENOUGH_S = 600.0
"""A shorter run has mostly written what every beginning writes."""
MUCH_BYTES = 2e9
"""A card of 32 GB that stands a thousand times its size lasts forty years with it; a worn or tiny one does not."""
PAGE_BYTES = 4096
COMMIT_PAGES, NEW_STRETCH_PAGES = 3.8, 4.2
"""Of a batch of the log, beside its rows: the page that they begin on, the one where SQLite's log ends, and what it shares
with readers; and, of a new stretch, those of indexes and numbers, and its taking into the file. As a daemon was seen to
write on ext4, and a writer alone with 1 to 8 channels and 1 to 60 s."""
ROW_BYTES, PERIOD_BYTES = 110, 12


@dataclass(frozen=True)
class Wear:
    """So much is written a day, and how that is known."""

    bytes_a_day: float
    how: str


def known(url: str | None, settings: Settings) -> Wear:
    """Measured where a daemon at that address can say it, else estimated; where it does not let us in, that is said."""
    try:
        return (measured(url) if url else None) or estimated(settings)
    except HTTPError as error:
        error.close()
        found = estimated(settings)
        why = f"the running daemon does not tell without an access token: give its code as {VARIABLE}"
        return replace(found, how=f"{found.how}; {why}")


def measured(url: str) -> Wear | None:
    """By a daemon that has run long enough and tells; None otherwise. Raises HTTPError where it lets nobody in like this."""
    from prometheus_client.parser import text_string_to_metric_families

    try:
        families = list(text_string_to_metric_families(text_from(f"{url}metrics")))
    except HTTPError as error:
        if error.code in (HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN):
            raise
        error.close()
        return None
    except (OSError, ValueError):
        return None
    told = {sample.name: sample.value for family in families for sample in family.samples if not sample.labels}
    written, uptime_s = (told.get(f"peakwhite_{name}", 0.0) for name in ("written_bytes_total", "uptime_seconds"))
    if written <= 0.0 or uptime_s < LONG_ENOUGH_S:
        return None
    return Wear(written / uptime_s * DAY_S, f"measured by the running daemon over {uptime_s / 3600:.1f} h")


def estimated(settings: Settings) -> Wear:
    """By what the settings have written of the running log, marks and events of the watch left out."""
    book = settings.tables.book
    how = "estimated by the settings: the running log alone"
    if not book.log:
        return Wear(0.0, "by the settings there is no running log")
    channels = sum(clip.role in WHITE_ROLES for clip in settings.setup().conditions.hookup.clips)
    periods = max(1, round(book.log_batch_s / book.log_period_s))
    batches = max(1, round(STRETCH_PERIODS / periods))
    rows = channels * (ROW_BYTES + PERIOD_BYTES * periods * batches)
    pages = COMMIT_PAGES + rows / PAGE_BYTES + NEW_STRETCH_PAGES / batches
    return Wear(DAY_S / book.log_batch_s * pages * PAGE_BYTES, how)


def wear(found: Wear) -> Finding:
    """What is written in a day, in words."""
    told = f"about {found.bytes_a_day / 1e6:.0f} MB a day go to the disk ({found.how})"
    if found.bytes_a_day > MUCH_BYTES:
        return note("written", told, "write the log more rarely ('log_batch_s' under [book]), or switch the watch off")
    return well("written", told)
