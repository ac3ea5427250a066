"""The settings file: what is read from it, and how everything wrong with it is told in one line."""

from pathlib import Path

import pytest

from peakwhite.daemon.config.settings import load_settings, parse_settings
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip
from peakwhite.drivers.capture import GainSpec
from peakwhite.drivers.errors import SettingsError, outcome_of

FILE = Path("bench.toml")

OWN_TARGET = """
[targets.arcade]
roles = ["red", "green", "blue"]
nominal_mv = 1000
over_above_mv = 1050
on_from_mv = 950
dim_from_mv = 800
"""


def refused(text: str) -> str:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, FILE)
    told = str(caught.value)
    assert "\n" not in told
    assert told.startswith("bench.toml: ")
    assert outcome_of(caught.value).exit_status == 2
    return told


def test_an_empty_file_means_the_defaults() -> None:
    setup = parse_settings("", FILE).setup()
    assert (setup.generation, setup.rate_hz) == (1, 20.0)
    assert setup.conditions.hookup == BENCH_DEFAULT
    assert setup.conditions.pattern_white_pct == 100.0


def test_every_table_reaches_the_setup() -> None:
    setup = parse_settings(
        OWN_TARGET
        + """
[live]
rate_hz = 5
[measure]
gain_spec = "1.5%fs"
pattern_white = "28/31"
[hookup.CH2]
role = "luma"
load_ohm = 74.9
[target_of]
red = "arcade"
""",
        FILE,
    ).setup()
    conditions = setup.conditions
    assert setup.rate_hz == 5.0
    assert conditions.gain_spec == GainSpec(1.5, "full-scale")
    assert conditions.pattern_white_pct == pytest.approx(90.3226, abs=1e-4)
    assert conditions.hookup.clips == (Clip("CH2", "luma", load_ohm=74.9),)
    assert conditions.targets["arcade"].edges_mv.over == 1050.0
    assert conditions.target_of("red", "525/60") == conditions.targets["arcade"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[live]\nrate = 5\n", "line 2: [live] rate is no key, the nearest is 'rate_hz'"),
        ("\n[lvie]\n", "line 2: [lvie] is no key, the nearest is 'live'"),
        ("[live]\nrate_hz = 101\n", "line 2: [live] rate_hz must be at most 100, not 101"),
        ("[http]\nport = '80'\n", "line 2: [http] port must be a whole number"),
        ("[hookup.CH1]\nrole = 'rde'\n", "line 2: [hookup.CH1] role cannot be 'rde', the nearest is 'red'"),
        ("[hookup.CH1]\nload = 'none'\n", "line 1: [hookup.CH1] role is missing"),
        ("[hookup.CH1]\nrole='red'\nlod='none'\n", "line 3: [hookup.CH1] lod is no key, the nearest is 'load'"),
        ("hookup.CH1.role='red'\nhookup.CH2.role='red'\n", "line 2: [hookup.CH2] role is 'red', as is that of CH1"),
        ("[hookup.'CH1;*RST']\nrole = 'red'\n", "line 2: [hookup.CH1;*RST] role is on a channel of no possible name"),
        ("[target_of]\nred = 'rgb-70'\n", "line 2: [target_of] red names the target 'rgb-70', which there is not"),
        ("[target_of]\nred = 'luma-625'\n", "line 2: [target_of] red names the target 'luma-625', which is for luma"),
        ("[measure]\ngain_spec = '3'\n", "line 2: [measure] gain_spec cannot be: '3' is no gain specification"),
        ("[measure]\npattern_white = 0.75\n", "line 2: [measure] pattern_white cannot be"),
        ("[measure]\npattern_white = '1/0'\n", "line 2: [measure] pattern_white cannot be"),
        ("[live]\nrate_hz = nan\n", "line 2: [live] rate_hz must be"),
        (OWN_TARGET.replace("950", "1060"), "line 6: [targets.arcade] on_from_mv must lie over dim_from_mv"),
        (OWN_TARGET.replace("= 1000", "= 1051"), "line 4: [targets.arcade] nominal_mv must lie on target"),
        (OWN_TARGET.replace("= 800", "= -1"), "line 7: [targets.arcade] dim_from_mv must be over 0, not -1"),
        (OWN_TARGET + "setup_mv = 900\n", "line 8: [targets.arcade] setup_mv must lie under dim_from_mv"),
        (OWN_TARGET.replace('["red", "green", "blue"]', "[]"), "line 3: [targets.arcade] roles must not be empty"),
        ("[live\n", "is no TOML: "),
    ],
)
def test_a_mistake_is_told_with_line_key_and_nearest_name(text: str, told: str) -> None:
    assert told in refused(text)


def test_all_mistakes_are_told_at_once_in_the_order_of_their_lines() -> None:
    told = refused("[live]\nrate_hz = 0\n[http]\nprot = 1\n[scope]\nfamily = 3\n")
    places = [told.index(f"line {number}: ") for number in (2, 4, 6)]
    assert places == sorted(places)
    assert told.count(" · ") == 2


def test_a_missing_file_that_was_named_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="there is no such file"):
        load_settings(tmp_path / "none.toml")


def test_a_missing_default_file_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert load_settings(None).path is None


def test_the_default_file_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    (tmp_path / "peakwhite").mkdir()
    (tmp_path / "peakwhite" / "peakwhite.toml").write_text("[http]\nport = 81\n")
    assert load_settings(None).tables.http.port == 81


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="cannot be read"):
        load_settings(tmp_path / "binary.toml")
