"""One look at everything, in the order in which one would mend it."""

from collections.abc import Iterator
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from ...drivers.errors import PeakwhiteError
from .. import refusals
from ..book import BookPlace
from ..book_in_use import book_place
from ..calibrations import default_folder, load_calibrations
from ..config.settings import Settings, checked, default_path, load_settings
from .finding import Finding, in_the_way, note, well
from .machine import clock, disk, folders
from .port import port, running_at, url_of
from .the_service import passed_by
from .usb import instruments
from .versions import PACKAGE, python_and_packages
from .wear import known, wear


def look(config: Path | None) -> Iterator[Finding]:
    """Everything that there is to see, with the settings of that file, or of the user's own."""
    yield from python_and_packages()
    yield from passed_by()
    settings, found = _settings(config)
    yield found
    tables = settings.tables
    yield _scope(tables.scope.resource)
    yield from instruments(wanted=(tables.scope.resource or "").upper().startswith("USB"))
    host, number = tables.http.host, tables.http.port
    yield port(host, number, _own_version())
    place = _place(settings)
    yield from folders(_written_to(place))
    yield _settings_folder((config or default_path()).parent)
    yield _calibrations()
    running = running_at(url_of(host, number))
    written = known(None if running is None else running.url, settings)
    yield wear(written)
    if place.path is not None:
        yield disk(place.path.parent, written.bytes_a_day)
    yield clock()


def _settings(config: Path | None) -> tuple[Settings, Finding]:
    """The settings, the defaults where they cannot be used."""
    path = config or default_path()
    tokens_in, unseen = refusals.tokens_beside(config)
    try:
        settings = checked(lambda: load_settings(config), partial(refusals.check, tokens_in=tokens_in))
    except PeakwhiteError as error:
        return Settings(), in_the_way("settings", f"{error.where}: {error.what}", error.do)
    there = "in order" if settings.path else "not there, every key has its default"
    return settings, well("settings", "; ".join(filter(None, (f"{path}: {there}", unseen))))


def _scope(resource: str | None) -> Finding:
    if resource is None:
        do = "put resource under [scope] in the settings file, or give --scope; 'peakwhite scopes' lists what is attached"
        return note("scope", "the settings name none", do)
    return well("scope", f"the settings name {resource}; it is not asked anything here")


def _place(settings: Settings) -> BookPlace:
    try:
        return book_place(settings, None)
    except PeakwhiteError:  # told by the settings
        return book_place(Settings(), None)


def _written_to(place: BookPlace) -> dict[str, Path]:
    return ({} if place.path is None else {"the book": place.path.parent}) | {"calibrations": default_folder()}


def _settings_folder(folder: Path) -> Finding:
    """Only the page writes there: where it may not, settings are changed by hand."""
    (found,) = folders({"settings changed by the page": folder})
    return note(found.what, found.text, found.do) if found.state == "in-the-way" else found


def _calibrations() -> Finding:
    try:
        found = load_calibrations()
    except PeakwhiteError as error:
        return in_the_way("calibrated", f"{error.where}: {error.what}", error.do)
    number = {0: "there is no calibration yet", 1: "1 calibration can be read"}
    return well("calibrated", number.get(len(found), f"{len(found)} calibrations can be read"))


def _own_version() -> str:
    try:
        return version(PACKAGE)
    except PackageNotFoundError:
        return "not installed"
