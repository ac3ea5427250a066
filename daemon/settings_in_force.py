"""The settings that the daemon runs by: read anew on a signal, changed through the page, never half in force.

A file that is wrong leaves what is in force as it is, and the status says so until a right one was read. Of a right one the
keys that can change while the daemon runs come into force at once; the others wait for a restart, and are said to.
"""

import asyncio
import logging
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from ..drivers.errors import PeakwhiteError, SettingsChanged, SettingsError, SettingsUnwritable, outcome_of
from .config.editing import with_changes
from .config.keys import KeyPath, changed_keys, dotted, is_live, values_of, with_keys
from .config.rows import MASK, Row, rows_of, without_password
from .config.settings import Check, Load, Settings, checked, default_path, digest_of
from .durable import write_durably
from .live import Problem

PART = "settings"
DO_RELOAD = "mend it and have it read anew: 'kill -HUP' with the daemon's process number, or Settings on the page"
DO_GONE = "put it back; an empty one gives every key its default"

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Reloaded:
    """What reading the settings anew brought: keys that are in force now, and all that wait for a restart."""

    in_force: tuple[KeyPath, ...]
    waiting: tuple[KeyPath, ...]


class SettingsInForce:
    """For the loop's thread; files are read and written off it.

    Args:
        settings: those that the daemon was started with.
        load: gives them anew.
        check: what else may be wrong with them.
        put_in_force: given the keys that changed, all of them live ones, and the settings that have them.
        tell: is given what is wrong with the file, or nothing.
        keep: is given settings that were read and are in order, on another thread.
        locked: why nothing may be written to the file, None where it may.
        wall_ns: nanoseconds since 1970 UTC.
    """

    def __init__(
        self,
        settings: Settings,
        load: Load,
        check: Check,
        *,
        put_in_force: Callable[[frozenset[KeyPath], Settings], None],
        tell: Callable[[tuple[Problem, ...]], None],
        keep: Callable[[Settings], None] = lambda _: None,
        locked: PeakwhiteError | None = None,
        wall_ns: Callable[[], int] = time.time_ns,
    ) -> None:
        self._running = settings.tables
        self._read = settings
        self._path = settings.path or default_path()
        self._load = load
        self._check = check
        self._put_in_force = put_in_force
        self._tell = tell
        self._keep = keep
        self._locked = locked
        self._wall_ns = wall_ns
        self._changing = asyncio.Lock()

    @property
    def path(self) -> Path:
        """The file, which need not be there."""
        return self._path

    @property
    def digest(self) -> str:
        """Tells what was last read of it from what may stand in it now; empty where there was none."""
        return self._read.digest

    def above_file(self, path: KeyPath) -> str | None:
        """The option or variable that gives this key and goes before the file; None where the file may say it."""
        return self._read.options.get(path) or self._read.variables.get(path)

    def rows(self) -> list[Row]:
        """Every key as it was last read."""
        return rows_of(self._read)

    def running(self, path: KeyPath) -> Any:
        """The value that this key has in the daemon that runs; another than the one that was read waits for a restart."""
        return without_password(values_of(self._running).get(path))

    def waiting(self) -> frozenset[KeyPath]:
        """The keys that wait for a restart."""
        return changed_keys(self._running, self._read.tables)

    async def reload(self) -> Reloaded:
        """Read the settings anew. Raises SettingsError where they are wrong; the old ones then stay in force."""
        async with self._changing:
            return await self._reload()

    async def on_signal(self) -> None:
        """The same, told to the log. Nobody waits for it: what goes wrong is told, whatever it is."""
        try:
            reloaded = await self.reload()
        except PeakwhiteError:
            return
        except Exception as error:
            log.exception("reading the settings anew failed")
            self.refused(PeakwhiteError(f"a defect: {error!r}", where=str(self._path), do=DO_RELOAD))
            return
        log.info("settings read anew: %s in force now", _listed(reloaded.in_force))

    def refused(self, error: PeakwhiteError) -> None:
        """Tell log and page what is wrong with the file."""
        log.error("settings stay as they were: %s", error)
        text = f"settings stay as they were: {error.where}: {error.what}"
        self._tell((Problem(outcome_of(error).problem_code, text, DO_RELOAD, self._wall_ns()),))

    async def change(self, digest: str, changes: Mapping[KeyPath, Any]) -> Reloaded:
        """Write these keys to the file, None for one that goes, and put in force what can be.

        Raises SettingsChanged where the file is another than the one of that digest, SettingsError where it would be
        wrong, SettingsUnwritable, and why it is locked; nothing is written then.
        """
        if self._locked is not None:
            raise self._locked
        async with self._changing:
            await asyncio.to_thread(self._write, digest, changes)
            return await self._reload()

    async def _reload(self) -> Reloaded:
        try:
            read = await asyncio.to_thread(checked, self._load, self._check)
            if read.path is None and self._read.path is not None:
                raise SettingsError("is gone", where=str(self._path), do=DO_GONE)
        except PeakwhiteError as error:
            self.refused(error)
            raise
        self._tell(())
        live = frozenset(filter(is_live, changed_keys(self._running, read.tables)))
        if live:
            self._put_in_force(live, read)
        self._running = with_keys(self._running, read.tables, live)
        self._read = read
        await asyncio.to_thread(self._keep, read)
        waiting = tuple(sorted(self.waiting()))
        if waiting:
            log.warning("settings: %s as changed need a restart", _listed(waiting))
        return Reloaded(tuple(sorted(live)), waiting)

    def _write(self, digest: str, changes: Mapping[KeyPath, Any]) -> None:
        for path, value in changes.items():
            if isinstance(value, str) and MASK in value:
                what = f"{dotted(path)} holds {MASK}, which stands for a password that is not shown"
                raise SettingsError(what, where=str(self._path), do="write the password, or leave the key as it is")
        before = self._content(digest)
        try:
            text = before.decode()
        except UnicodeDecodeError as error:
            raise SettingsError(
                f"cannot be read: {error}", where=str(self._path), do="give a UTF-8 text file"
            ) from error
        content = with_changes(text, changes, str(self._path)).encode()
        checked(partial(self._load, content), self._check)
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._content(digest)  # changed while it was checked?
            write_durably(self._path, content)
        except OSError as error:
            what = f"cannot be written: {(error.strerror or 'it failed').lower()}"
            do = "give the daemon's user the right to write there, and room; or change the file by hand"
            raise SettingsUnwritable(what, where=str(self._path), do=do) from error

    def _content(self, digest: str) -> bytes:
        """What stands in the file. Raises SettingsChanged where that is not what `digest` was made of."""
        try:
            content, now = (found := self._path.read_bytes()), digest_of(found)
        except FileNotFoundError:
            if self._read.path is not None:
                raise SettingsChanged("is gone, nothing was written", where=str(self._path), do=DO_GONE) from None
            content, now = b"", ""
        except OSError as error:
            what = f"cannot be read: {(error.strerror or 'it failed').lower()}"
            raise SettingsUnwritable(what, where=str(self._path), do="give the daemon's user the right to") from error
        if now != digest:
            what = "was changed otherwise since these settings were read, so that nothing was written"
            raise SettingsChanged(what, where=str(self._path), do="have it read anew, and look at your change again")
        return content


def _listed(paths: tuple[KeyPath, ...]) -> str:
    return ", ".join(map(dotted, paths)) or "nothing else"
