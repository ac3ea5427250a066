"""The settings file: what is read from it, and how everything wrong with it is told in one line."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.config.settings import load_settings, parse_settings
from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, Clip
from peakwhite.daemon.measure.reading import EdgesMv
from peakwhite.daemon.measure.targets import SHIPPED
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
        ("[hookup.EXT]\nrole = 'luma'\n", "line 2: [hookup.EXT] role cannot be 'luma': EXT is not recorded"),
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


def test_mistakes_of_form_and_contradictions_are_told_at_once() -> None:
    told = refused(
        "[live]\nrate_hz = 0\n[hookup.CH1]\nrole = 'red'\nlod = 'none'\n[hookup.CH2]\nrole = 'red'\n"
        "[measure]\ngain_spec = '3'\n[target_of]\nred = 'rgb-70'\n"
    )
    for line, words in ((2, "[live] rate_hz"), (5, "[hookup.CH1] lod"), (7, "[hookup.CH2] role"),
                        (9, "[measure] gain_spec"), (11, "[target_of] red")):  # fmt: skip
        assert f"line {line}: {words}" in told
    assert told.count(" · ") == 4


def test_a_target_that_is_wrong_is_not_also_told_to_be_missing_where_it_is_named() -> None:
    told = refused("[targets.tm2]\nroles = ['red']\nnominal_mv = 'high'\n[target_of]\nred = 'tm2'\n")
    assert "line 3: [targets.tm2] nominal_mv must be a number; " in told
    assert "·" not in told


def test_edges_that_are_left_out_follow_from_the_nominal_level_as_those_of_shipped_targets() -> None:
    text = "[targets.own]\nroles = ['luma']\nnominal_mv = 700\n"
    own = parse_settings(text, FILE).setup().conditions.targets["own"]
    assert own.edges_mv == SHIPPED["luma-625"].edges_mv
    some_given = parse_settings(text + "on_from_mv = 680\n", FILE).setup().conditions.targets["own"]
    assert some_given.edges_mv == EdgesMv(over=714.3, on_target=680.0, dim=600.0)


@pytest.mark.parametrize(
    ("levels", "told"),
    [
        ("nominal_mv = 1000", "nominal_mv asks for edges of its own: dim_from_mv (600 where none is given), on_from_mv (950"),
        ("nominal_mv = 620", "nominal_mv asks for edges of its own: dim_from_mv (600 where none is given), on_from_mv (589"),
        ("nominal_mv = 730", "nominal_mv must lie on target: from on_from_mv (693.5 where none is given) to over_above_mv"),
        ("nominal_mv = 700\nover_above_mv = 660", "line 3: [targets.own] nominal_mv asks for edges of its own"),
        ("nominal_mv = 700\non_from_mv = 720", "on_from_mv must lie over dim_from_mv (600 where none is given) and under"),
    ],
)  # fmt: skip
def test_edges_that_are_left_out_are_checked_like_those_that_are_given(levels: str, told: str) -> None:
    assert told in refused(f"[targets.own]\nroles = ['luma']\n{levels}\n")


@given(nominal_mv=st.floats(640.0, 714.3))
def test_every_target_at_a_usual_level_needs_a_nominal_level_only(nominal_mv: float) -> None:
    own = parse_settings(f"[targets.own]\nroles = ['red']\nnominal_mv = {nominal_mv!r}\n", FILE)
    edges = own.setup().conditions.targets["own"].edges_mv
    assert edges.dim < edges.on_target <= nominal_mv <= edges.over


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
