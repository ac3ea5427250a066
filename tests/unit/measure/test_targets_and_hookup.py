"""Targets, their defaults, and hookups that can be meant."""

import pytest

from peakwhite.daemon.measure.hookup import BENCH_DEFAULT, WHITE_ROLES, Clip, Hookup, Role
from peakwhite.daemon.measure.targets import SHIPPED, Conditions, default_target, target_named
from peakwhite.drivers.errors import UsageError


def test_every_shipped_target_has_its_edges_in_order_and_a_source() -> None:
    for target in SHIPPED.values():
        assert target.dim_from_mv < target.on_from_mv <= target.nominal_mv <= target.over_above_mv
        assert target.source
        assert target.roles


def test_detail_is_lost_above_714_mv_whatever_the_nominal_level() -> None:
    """Common practice, no source."""
    assert {target.over_above_mv for target in SHIPPED.values()} == {714.3}


@pytest.mark.parametrize(
    ("role", "system", "name"),
    [
        ("red", "525/60", "rgb-525"),
        ("green", "625/50", "rgb-700"),
        ("blue", None, "rgb-700"),
        ("luma", "525/60", "luma-525"),
        ("luma", "625/50", "luma-625"),
        ("composite", "525/60", "composite-525"),
        ("sync", "525/60", None),
        ("chroma", "625/50", None),
    ],
)
def test_a_role_takes_the_target_of_its_system(role: Role, system: str | None, name: str | None) -> None:
    assert default_target(role, system) == name


def test_every_role_with_a_white_has_a_default_target_in_every_system() -> None:
    for role in WHITE_ROLES:
        for system in ("525/60", "625/50", "unknown", None):
            assert default_target(role, system) in SHIPPED


def test_a_chosen_target_replaces_the_default() -> None:
    conditions = Conditions(BENCH_DEFAULT, chosen={"red": "rgb-700"})
    target = conditions.target_of("red", "525/60")
    assert target is not None
    assert target.name == "rgb-700"


def test_an_unknown_target_is_refused_with_the_nearest_name() -> None:
    with pytest.raises(UsageError, match="rgb-526") as caught:
        target_named("rgb-526", SHIPPED)
    assert "rgb-525" in caught.value.do


def test_one_channel_has_one_role() -> None:
    with pytest.raises(UsageError, match="CH1"):
        Hookup((Clip("CH1", "red"), Clip("CH1", "green")))


def test_one_role_is_on_one_channel() -> None:
    with pytest.raises(UsageError, match="red"):
        Hookup((Clip("CH1", "red"), Clip("CH2", "red")))
