"""Changing keys in the text of a settings file: comments and all else stay as they were written."""

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.config.editing import with_changes
from peakwhite.daemon.config.keys import KeyPath
from peakwhite.drivers.errors import SettingsError

TEXT = """# The Quayside bench.
[live]
rate_hz = 20 # the board is slow

# who is where
[hookup.CH1]  # the short cable
role = "red"
[book]
watch = true
[hookup.CH2]
role = "green"
link = "coax"   # not a probe
"""


def changed(text: str, *changes: tuple[str, Any]) -> str:
    return with_changes(text, {tuple(path.split(".")): value for path, value in changes}, "bench.toml")


def test_a_key_that_changes_keeps_the_comment_beside_it_and_every_other_line() -> None:
    assert changed(TEXT, ("live.rate_hz", 40)) == TEXT.replace("rate_hz = 20", "rate_hz = 40")


def test_a_key_that_goes_leaves_the_comment_beside_it() -> None:
    assert changed(TEXT, ("live.rate_hz", None)) == TEXT.replace("rate_hz = 20 # the", "# the")


def test_a_key_that_is_new_comes_into_its_table_or_into_one_at_the_end() -> None:
    text = changed(TEXT, ("book.log", False), ("measure.gain_spec", "2%"), ("hookup.CH3.role", "blue"))
    assert tomllib.loads(text)["hookup"]["CH3"] == {"role": "blue"}
    assert text.endswith('[measure]\ngain_spec = "2%"\n')
    assert "[book]\nwatch = true\nlog = false\n" in text
    assert text.count("#") == TEXT.count("#")


def test_a_clip_that_loses_its_last_key_is_gone() -> None:
    text = changed(TEXT, ("hookup.CH2.role", None), ("hookup.CH2.link", None))
    assert tomllib.loads(text)["hookup"] == {"CH1": {"role": "red"}}


def test_removing_what_is_not_there_changes_nothing() -> None:
    assert changed(TEXT, ("measure.hold", None), ("hookup.CH4.role", None)) == TEXT


def test_what_is_no_toml_is_refused() -> None:
    with pytest.raises(SettingsError, match="is no TOML"):
        changed("[live\n", ("live.rate_hz", 4))


def test_a_way_of_writing_that_the_library_would_spoil_is_refused_and_not_spoilt() -> None:
    with pytest.raises(SettingsError, match="change it by hand"):
        changed("hookup.CH1.role = 'red'\nlive = {rate_hz = 3}\n", ("hookup.CH2.role", "green"))


NAMES = st.sampled_from([("live", "rate_hz"), ("book", "watch"), ("book", "log"), ("hookup", "CH1", "role"),
                         ("hookup", "CH2", "link"), ("hookup", "CH9", "role"), ("target_of", "red")])  # fmt: skip
VALUES = st.one_of(st.none(), st.booleans(), st.integers(-9, 9), st.text(st.characters(exclude_categories=["Cs"])))


@given(st.dictionaries(NAMES, VALUES))
def test_whatever_changes_the_text_then_says_just_that_and_no_comment_on_its_own_line_is_lost(
    changes: dict[KeyPath, Any],
) -> None:
    text = with_changes(TEXT, changes, "bench.toml")
    found = tomllib.loads(text)
    for path, value in changes.items():
        inner: Any = found
        for part in path:
            inner = inner.get(part) if isinstance(inner, dict) else None
        assert inner == value
    assert [line for line in TEXT.splitlines() if line.startswith("#")] == [
        line for line in text.splitlines() if line.startswith(("# The", "# who"))
    ]
