"""Settings from the environment: one rule for every key, before the file, wrong ones told like those of a file."""

from pathlib import Path
from typing import Annotated, Literal

import pytest

from peakwhite.daemon.config.environment import environment_settings, variable_of
from peakwhite.daemon.config.keys import values_of
from peakwhite.daemon.config.model import SettingsTables
from peakwhite.daemon.config.rows import kind_of, rows_of
from peakwhite.daemon.config.settings import Settings, SettingsMistakes, default_path, load_settings, parse_settings

FILE = Path("bench.toml")
OWN = "[targets.'TM-2 board']\nroles = ['luma']\nnominal_mv = 700\n"


def read(text: str = "", **environ: str) -> Settings:
    return parse_settings(text, FILE, environ)


def refused(text: str = "", **environ: str) -> list[str]:
    with pytest.raises(SettingsMistakes) as caught:
        read(text, **environ)
    assert str(caught.value).startswith("bench.toml: ") and "\n" not in str(caught.value)
    return [str(mistake) for mistake in caught.value.mistakes]


@pytest.mark.parametrize("row", rows_of(Settings()), ids=lambda row: row.variable)
def test_every_key_has_a_variable_by_the_one_rule_and_is_found_by_it(row: object) -> None:
    path = row.path  # type: ignore[attr-defined]
    variable = variable_of(path)
    assert variable == "PEAKWHITE_" + "_".join(path).upper()
    found, wrong = environment_settings({variable: "x"}, {"targets": {"NAME": {}}, "hookup": {"CHn": {}}})
    assert (set(found), wrong) == ({path}, [])


def test_the_environment_goes_before_the_file() -> None:
    settings = read(
        "[live]\nrate_hz = 5\n[book]\nwatch = true\n", PEAKWHITE_LIVE_RATE_HZ="40.5", PEAKWHITE_HTTP_PORT="0"
    )
    assert (settings.tables.live.rate_hz, settings.tables.http.port, settings.tables.book.watch) == (40.5, 0, True)
    origins = [settings.origin_of(path) for path in (("live", "rate_hz"), ("book", "watch"), ("http", "host"))]
    assert origins == ["PEAKWHITE_LIVE_RATE_HZ", "line 4", "default"]


@pytest.mark.parametrize(
    ("variable", "text", "path", "value"),
    [
        ("PEAKWHITE_BOOK_WATCH", "true", ("book", "watch"), True),
        ("PEAKWHITE_BOOK_BENCH", "12", ("book", "bench"), "12"),
        ("PEAKWHITE_SCOPE_RESOURCE", "TCPIP0::192.0.2.7::5025::SOCKET", ("scope", "resource"), "TCPIP0::192.0.2.7::5025::SOCKET"),
        ("PEAKWHITE_MEASURE_PATTERN_WHITE", "75", ("measure", "pattern_white"), 75),
        ("PEAKWHITE_MEASURE_PATTERN_WHITE", "28/31", ("measure", "pattern_white"), "28/31"),
        ("PEAKWHITE_HOOKUP_CH1_ROLE", "luma", ("hookup", "CH1", "role"), "luma"),
        ("PEAKWHITE_TARGET_OF_RED", "rgb-700", ("target_of", "red"), "rgb-700"),
        ("PEAKWHITE_TARGETS_TM_2_BOARD_NOMINAL_MV", "690", ("targets", "TM-2 board", "nominal_mv"), 690),
        ("PEAKWHITE_TARGETS_TM_2_BOARD_ROLES", "luma, red", ("targets", "TM-2 board", "roles"), ["luma", "red"]),
        ("PEAKWHITE_TARGETS_TM_2_BOARD_ROLES", '["red"]', ("targets", "TM-2 board", "roles"), ["red"]),
    ],
)  # fmt: skip
def test_a_value_is_taken_as_its_key_takes_it(variable: str, text: str, path: tuple[str, ...], value: object) -> None:
    assert values_of(read(OWN, **{variable: text}).tables)[path] == value


def test_a_target_that_the_file_does_not_have_gets_a_name_in_small_letters() -> None:
    settings = read(PEAKWHITE_TARGETS_MY_LUMA_ROLES="luma", PEAKWHITE_TARGETS_MY_LUMA_NOMINAL_MV="700",
                    PEAKWHITE_TARGET_OF_LUMA="my-luma")  # fmt: skip
    assert settings.setup().conditions.chosen == {"luma": "my-luma"}
    assert settings.setup().conditions.targets["my-luma"].nominal_mv == 700.0


def test_mistakes_of_file_and_environment_are_told_at_once_each_with_its_place() -> None:
    told = refused(
        "[live]\nrate = 5\n", PEAKWHITE_HTTP_PORT="high", PEAKWHITE_LIVE_RATE_HS="5", PEAKWHITE_LVIE_RATE_HZ="5"
    )
    assert sorted(told) == [
        "PEAKWHITE_HTTP_PORT: [http] port must be a whole number",
        "PEAKWHITE_LIVE_RATE_HS: names no key, the nearest is 'PEAKWHITE_LIVE_RATE_HZ'",
        "PEAKWHITE_LVIE_RATE_HZ: names no key, the nearest is 'PEAKWHITE_LIVE_RATE_HZ'",
        "line 2: [live] rate is no key, the nearest is 'rate_hz'",
    ]


def test_a_variable_over_a_table_that_the_file_has_as_something_else_leaves_the_file_to_be_mended() -> None:
    assert "must be a table" in refused("live = 3\n", PEAKWHITE_LIVE_RATE_HZ="5")[0]


@pytest.mark.parametrize(
    "name", ["REQUIRE_BROWSER", "REQUIRE_POSTGRES", "TEST_POSTGRES_URL", "ARTEFACTS", "PAGE", "TOKEN"]
)
def test_variables_that_are_no_settings_are_left_alone(name: str) -> None:
    assert read(**{f"PEAKWHITE_{name}": "1", "PEAKWHITE": "1", "LIVE_RATE_HZ": "2"}).tables == SettingsTables()


def test_the_folder_that_systemd_names_goes_before_the_users_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("CONFIGURATION_DIRECTORY", f"{tmp_path}:/nonexistent")
    (tmp_path / "peakwhite.toml").write_text("[live]\nrate_hz = 7\n")
    assert default_path() == tmp_path / "peakwhite.toml"
    assert load_settings(None).tables.live.rate_hz == 7.0
    monkeypatch.delenv("CONFIGURATION_DIRECTORY")
    assert default_path() == tmp_path / "home" / "peakwhite" / "peakwhite.toml"


@pytest.mark.parametrize(
    ("annotation", "kind"),
    [
        (bool, ("flag", ())),
        (int, ("whole", ())),
        (float | None, ("number", ())),
        (float | str, ("number or text", ())),
        (str | None, ("text", ())),
        (Literal["text", "json"], ("text", ("text", "json"))),
        (list[Literal["red", "blue"]], ("names", ("red", "blue"))),
        (list[Annotated[str, "an address"]], ("names", ())),
        (Annotated[float, "positive"], ("number", ())),
    ],
)
def test_every_type_that_a_key_may_have_is_known(annotation: object, kind: tuple[str, tuple[str, ...]]) -> None:
    assert kind_of(annotation) == kind
