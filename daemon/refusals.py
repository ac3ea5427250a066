"""What `serve` refuses to start with, and what as a service it only complains of."""

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from ..drivers.errors import PeakwhiteError, UnreadableInput, UsageError
from ..drivers.families import family_named
from ..drivers.links import parse_resource
from .access import reach
from .access.token_file import NAME as TOKENS_FILE
from .book.clock import clock_synced
from .book_in_use import book_place
from .config.complaints import Complaint
from .config.keys import KeyPath
from .config.model import HttpTable
from .config.settings import Check, Settings, default_path
from .last_good import LastGood
from .places import state_folder
from .service import SETTINGS, STATE, command_line, under
from .serving import listen


def check(settings: Settings, tokens_in: Path | None) -> Iterator[Complaint]:
    """What is wrong with settings besides. The folder is that of the access tokens, None where they are of no account."""
    tables = settings.tables
    book = tables.book.place if ("book", "place") in settings.options else None
    uses: dict[KeyPath, Callable[[], object]] = {
        ("scope", "family"): lambda: tables.scope.family and family_named(tables.scope.family),
        ("scope", "resource"): lambda: tables.scope.resource and parse_resource(tables.scope.resource),
        ("book", "place"): lambda: book_place(settings, book),
    }
    if tokens_in is not None:
        uses["http", "host"] = partial(refuse_open_door, tables.http, tokens_in)
    for path, use in uses.items():
        try:
            use()
        except (UsageError, UnreadableInput) as error:
            yield Complaint(path, f"cannot be: {error.what}, {error.do}")


def tokens_beside(config: Path | None) -> tuple[Path | None, str]:
    """The folder of the access tokens that go with that settings file: with the service's, here or in an image, the service's.

    None where this user may not look into it, and then also a clause that says so.
    """
    path, own = (config or default_path()).absolute(), default_path().absolute()
    is_services = path != own and path.parts[-3:] == SETTINGS.parts[-3:]
    folder = under(path.parents[2], STATE) if is_services else state_folder()
    try:
        (folder / TOKENS_FILE).open("rb").close()
    except FileNotFoundError:
        return folder, ""
    except OSError as error:
        why = (error.strerror or "no access").lower()
        return None, f"whether anybody has an access token could not be looked at: {folder}: {why}"
    return folder, ""


def check_with_port(settings: Settings, tokens_in: Path | None, held: int = 0) -> Iterator[Complaint]:
    """As `check`; raises PortTaken where that is in order and the port cannot be had, but for one that we hold already."""
    complaints, http = tuple(check(settings, tokens_in)), settings.tables.http
    if not complaints and http.port not in (0, held):
        listen(http.host, http.port).close()
    yield from complaints


def check_of(last_good: LastGood, held: int = 0) -> Check:
    """What that daemon refuses, which holds that port: a service comes up also where nobody has an access token."""
    return partial(check_with_port, tokens_in=None if last_good.is_of_service else state_folder(), held=held)


def refuse_open_door(http: HttpTable, folder: Path) -> None:
    """Raises UsageError where others could reach the daemon and nobody has an access token, UnreadableInput."""
    if (why := why_nobody_gets_in(http, folder)) is not None:
        raise why


def why_nobody_gets_in(http: HttpTable, folder: Path) -> PeakwhiteError | None:
    """Why none of those gets in by whom the daemon can be reached; None where somebody does, or it cannot be reached."""
    program = command_line("access", "new") if folder == STATE else "peakwhite access new"
    if folder not in (STATE, state_folder()):
        program = f"{program} --state {folder}"
    return reach.why_nobody_gets_in(
        folder,
        http.host,
        trusts_loopback=http.trust_loopback,
        has_other_addresses=bool(http.addresses),
        clock_is_set=clock_synced,
        do=f"make one: {program} --role operator --name NAME",
    )
