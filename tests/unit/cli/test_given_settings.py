"""What `serve` and `demo` take from the command line goes before the settings."""

from collections.abc import Callable
from pathlib import Path

import pytest

from peakwhite.daemon import cli, compose
from peakwhite.daemon.cli.given_settings import with_measure
from peakwhite.daemon.cli.hookups import roles_given
from peakwhite.daemon.config.settings import Settings, parse_settings
from peakwhite.drivers.capture import GainSpec
from peakwhite.drivers.errors import UsageError


@pytest.fixture
def bench(tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("config") / "bench.toml"
    path.write_text("[measure]\ngain_spec = '2%'\npattern_white = 75\n[hookup.CH2]\nrole = 'luma'\n")
    return str(path)


@pytest.mark.parametrize("channel", ["EXT", "ext", "Ext"])
def test_ext_is_ext_in_any_case(channel: str) -> None:
    assert roles_given([f"{channel}=sync", "CH1=red"]) == {"EXT": "sync", "CH1": "red"}


@pytest.mark.parametrize("command", ["serve", "demo"])
def test_pattern_white_and_gain_spec_go_before_the_settings(
    command: str, bench: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    started: list[Settings] = []

    def start(given: Settings | Callable[[], Settings], **_: object) -> int:
        started.append(given() if callable(given) else given)
        return 0

    monkeypatch.setattr(compose, command, start)
    assert cli.run([command, "--config", bench, "--pattern-white", "28/31", "--gain-spec", "1%fs"]) == 0
    assert cli.run([command, "--config", bench]) == 0
    given, left = (settings.setup().conditions for settings in started)
    assert given.pattern_white_pct == pytest.approx(90.3226, abs=1e-4)
    assert given.gain_spec == GainSpec(1.0, "full-scale")
    assert (left.pattern_white_pct, left.gain_spec) == (75.0, GainSpec(2.0, "reading"))
    assert given.hookup == left.hookup


def test_what_cannot_be_meant_is_refused_with_the_name_of_the_option() -> None:
    settings = parse_settings("", Path("bench.toml"))
    with pytest.raises(UsageError, match="--pattern-white"):
        with_measure(settings, pattern_white="0", gain_spec=None)
    with pytest.raises(UsageError, match="--gain-spec"):
        with_measure(settings, pattern_white=None, gain_spec="101%")
