"""The change over to another scope: what it is put in force with, and how long it holds."""

import asyncio
import logging
from dataclasses import replace
from pathlib import Path

import pytest

from peakwhite.daemon.acquisition import Origin
from peakwhite.daemon.config import Setup, SetupInForce
from peakwhite.daemon.config.keys import KeyPath
from peakwhite.daemon.config.live_changes import SCOPE
from peakwhite.daemon.config.settings import Settings, load_settings
from peakwhite.daemon.live import ControlLease, Hub
from peakwhite.daemon.scope_in_use import ScopeInUse
from peakwhite.daemon.settings_in_force import SettingsInForce
from peakwhite.drivers.errors import MalformedResource

ONE, OTHER = "TCPIP0::192.0.2.7::5025::SOCKET", "USB0::0x1234::0x5678::S1::INSTR"
TEXT = f"# the bench\n[scope]\nresource = '{ONE}' # by the window\nfamily = 'siglent-1000xe'\nrestore = false\n"


class Rig:
    """A daemon's scope over a settings file; what acquisition would go over to is kept."""

    def __init__(self, file: Path, options: dict[KeyPath, str] | None = None) -> None:
        self.file = file
        self.options = options or {}
        self.went: list[Origin | None] = []
        self.setup = SetupInForce(Setup())
        self.hub = Hub(ControlLease(lambda: 0.0), lambda: self.setup.current.generation, lambda: 0.0)
        self.settings = SettingsInForce(
            self.load(), self.load, lambda _: (), put_in_force=self.put_in_force, tell=lambda _: None
        )
        self.scope = ScopeInUse(self.load().tables.scope)
        self.scope.join(self, self.settings, self.setup, self.hub)  # type: ignore[arg-type]

    def load(self, data: bytes | None = None) -> Settings:
        return replace(load_settings(self.file, data), options=self.options)

    def put_in_force(self, changed: frozenset[KeyPath], settings: Settings) -> None:
        assert changed <= SCOPE
        self.scope.change_to(settings.tables.scope.resource, settings.tables.scope.family)

    def change_to(self, origin: Origin | None) -> None:
        """As acquisition has it."""
        self.went.append(origin)

    def choose(self, resource: str) -> str | None:
        return asyncio.run(self.scope.choose(resource))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    file = tmp_path / "bench.toml"
    file.write_text(TEXT)
    return file


def wheres(rig: Rig) -> list[str | None]:
    return [None if origin is None else origin.where for origin in rig.went]


def test_a_choice_stands_in_the_file_with_comments_kept_and_no_family_forced_on_it(file: Path) -> None:
    rig = Rig(file)
    assert rig.choose(OTHER) is None
    assert wheres(rig) == [OTHER]
    text = file.read_text()
    assert text.startswith("# the bench\n[scope]\n") and "# by the window" in text and "family" not in text
    assert (load_settings(file).tables.scope.resource, load_settings(file).tables.scope.restore) == (OTHER, False)
    assert (rig.settings.waiting(), rig.scope.resource) == (frozenset(), OTHER)


def test_going_back_to_the_scope_of_the_settings_forces_its_family_again(file: Path) -> None:
    rig = Rig(file)
    rig.choose(OTHER)
    assert rig.choose(ONE) is None
    assert load_settings(file).tables.scope.family == "siglent-1000xe"
    assert (wheres(rig), rig.scope.named) == ([OTHER, ONE], (ONE, OTHER))


def test_what_was_learnt_of_levels_begins_anew_under_a_generation_of_its_own(file: Path) -> None:
    rig = Rig(file)
    rig.setup.swap(replace(rig.setup.current.conditions, hold_since=1))
    rig.choose(OTHER)
    setup = rig.setup.current
    assert (setup.generation, setup.conditions.hold_since) == (3, 3)


def test_the_scope_in_use_is_not_gone_over_to(file: Path) -> None:
    rig = Rig(file)
    assert rig.choose(ONE) is None
    assert (rig.went, rig.setup.current.generation) == ([], 1)


def test_an_option_goes_before_the_file_so_that_a_choice_is_not_written_but_holds(file: Path) -> None:
    rig = Rig(file, {("scope", "resource"): "--scope"})
    assert rig.choose(OTHER) == "--scope goes before the settings file"
    assert (wheres(rig), file.read_text()) == ([OTHER], TEXT)
    asyncio.run(rig.settings.reload())
    assert wheres(rig) == [OTHER], "reading the settings anew does not end it"


def test_a_variable_does_too(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PEAKWHITE_SCOPE_FAMILY", "siglent-1000xe")
    rig = Rig(file)
    assert rig.choose(OTHER) == "PEAKWHITE_SCOPE_FAMILY goes before the settings file"
    assert (wheres(rig), file.read_text()) == ([OTHER], TEXT)


def test_a_file_that_was_changed_otherwise_meanwhile_is_left_alone_and_the_choice_holds(file: Path) -> None:
    rig = Rig(file)
    file.write_text(f"{TEXT}# mine\n")
    why = rig.choose(OTHER)
    assert why is not None and "was changed otherwise" in why
    assert (wheres(rig), file.read_text()) == ([OTHER], f"{TEXT}# mine\n")


def test_another_resource_that_was_written_by_hand_is_gone_over_to_and_none_ends_it(
    file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    rig = Rig(file)
    with caplog.at_level(logging.WARNING):
        file.write_text(f"[scope]\nresource = '{OTHER}'\nrestore = false\n")
        asyncio.run(rig.settings.reload())
        file.write_text("[scope]\nrestore = false\n")
        asyncio.run(rig.settings.reload())
    assert wheres(rig) == [OTHER, None]
    assert [one.getMessage() for one in caplog.records] == [
        f"scope changed over: {OTHER} after {ONE}",
        f"scope changed over: none after {OTHER}",
    ]


def test_a_scope_that_cannot_be_reached_to_be_given_back_is_told_to_all_until_the_next(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = Rig(file)
    owed: list[str | None] = ["no connection", None]
    rig.choose(OTHER)
    origin = rig.went[0]
    assert origin is not None
    monkeypatch.setattr("peakwhite.daemon.sources.borrowed_scope.BorrowedScope.give_back", lambda *_: None)
    monkeypatch.setattr("peakwhite.daemon.sources.users_setup.UsersSetup.owed", property(lambda _: owed[0]))
    origin.at_end(0.0)
    (problem,) = rig.hub.all_problems
    assert (problem.text, problem.do) == (
        f"{OTHER}: its set-up could not be given back (no connection)",
        "set it by hand",
    )
    owed.pop(0)
    origin.at_end(0.0)
    assert rig.hub.all_problems == ()


def test_a_resource_that_is_none_is_refused(file: Path) -> None:
    file.write_text("[scope]\nresource = 'nonsense'\n")
    with pytest.raises(MalformedResource):
        ScopeInUse(load_settings(file).tables.scope)
