"""The control port's table of keys says what the code takes, and the fast clock can be moved on."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest

from peakwhite.simulated_scope import control
from peakwhite.simulated_scope.front_end import CHANNELS, FRONT_CHECKS, INPUT_CHECKS, Front, InputFault
from peakwhite.simulated_scope.settings import changed
from peakwhite.simulated_scope.stage import SIGNAL_CHECKS, Signal
from peakwhite.simulated_scope.systems import SYSTEMS
from peakwhite.simulated_scope.unit import FORMATS, ROLES, Unit
from peakwhite.simulated_scope.unit_settings import UNIT_CHECKS

TABLES = {"set": UNIT_CHECKS, "set.ROLE": SIGNAL_CHECKS, "front": FRONT_CHECKS, "front.CHn": INPUT_CHECKS}


def documented() -> dict[str, dict[str, str]]:
    """Per table of the docstring its keys and what it says of them."""
    assert control.__doc__ is not None
    tables: dict[str, dict[str, str]] = {}
    for block in control.__doc__.split("\n\n"):
        rows = [line.split(" | ", 1) for line in block.strip().splitlines() if " | " in line]
        if rows and rows[0][0] in TABLES:
            tables[rows[0][0]] = {row[0]: row[1] for row in rows[2:]} | {"": rows[0][1]}
    return tables


@pytest.mark.parametrize("table", sorted(TABLES))
def test_the_table_lists_the_keys_that_the_code_takes_in_their_order(table: str) -> None:
    assert [key for key in documented()[table] if key] == list(TABLES[table])


@pytest.mark.parametrize(
    ("settings", "checks"),
    [(Unit(), UNIT_CHECKS), (Signal(), SIGNAL_CHECKS), (Front(), FRONT_CHECKS), (InputFault(), INPUT_CHECKS)],
)
def test_every_key_is_a_setting_whose_usual_value_is_allowed(settings: Any, checks: Any) -> None:
    values = {key: getattr(settings, key) for key in checks}
    assert changed(settings, json.loads(json.dumps(values)), checks, "set") == settings
    others = set(vars(settings)) - set(checks)
    assert others <= {*ROLES, *(f"CH{channel}" for channel in CHANNELS)}


def test_the_table_names_every_system_format_and_role() -> None:
    tables = documented()
    assert re.split(", ", tables["set"]["system"]) == list(SYSTEMS)
    assert all(name in tables["set"]["format"] for name in FORMATS)
    assert all(name in tables["set.ROLE"][""] for name in ROLES)


# ---------------------------------------------------------------------- over the port


@pytest.fixture(scope="module")
def fast(start_scope: Callable[..., Any]) -> Any:
    return start_scope("--clock", "fast")


def test_a_warm_up_can_be_waited_for_by_advancing_the_fast_clock(fast: Any) -> None:
    assert fast.control({"set": {"green": {"warm_up": {"pct_per_min": 6, "time_constant_s": 60}}}}) == {"ok": True}
    before = fast.control({"get": "truth"})["truth"]["signals"]["green"]["peak_white_mv"]
    assert fast.control({"advance": 60}) == {"ok": True}
    after = fast.control({"get": "truth"})["truth"]["signals"]["green"]["peak_white_mv"]
    assert after / before == pytest.approx(1 + 0.06 * 0.63212, abs=1e-5)
    assert fast.control({"set": {"green": {"warm_up": None}}}) == {"ok": True}


@pytest.mark.parametrize("seconds", [-1, "1", None, True, 1e9])
def test_a_clock_is_only_moved_by_a_number_of_seconds(fast: Any, seconds: Any) -> None:
    assert "advance must be a number from 0" in fast.control({"advance": seconds})["error"]


def test_the_real_clock_cannot_be_moved(start_scope: Callable[..., Any]) -> None:
    assert "fast clock" in start_scope().control({"advance": 1})["error"]


def test_every_new_setting_survives_the_way_through_the_state(fast: Any) -> None:
    wanted = {
        "system": "525/60",
        "subcarrier_cycles": 227.333,
        "odd_line_us": -2.0,
        "vbi": "pulses",
        "format": "rgb-hv",
        "ladder": {"bits": 4, "wrong_bit": 3, "wrong_by_pct": -10.0},
        "sync_faults": {"dropped_per_s": 1.0, "doubled_per_s": 2.0, "glitches_per_s": 3.0, "seed": 4},
        "warm_up": {"pct_per_min": 1.0, "time_constant_s": 100.0},
        "hsync": {"polarity": "positive", "source_ohm": 50.0},
        "red": {
            "series_resistor": False,
            "drop_out": {"loses": "picture", "lines": 3, "every_s": 0.5, "seed": 1},
        },
    }
    front = {
        "noise_band_mhz": 5.0,
        "timebase_error_ppm": 20.0,
        "CH2": {"inl_lsb": 0.5, "inl_seed": 7, "compensation_pct": -4.0, "compensation_tau_us": 30.0},
    }
    assert fast.control({"set": wanted}) == {"ok": True}
    assert fast.control({"front": front}) == {"ok": True}
    state = fast.control({"get": "state"})["state"]
    assert state["unit"]["sync_faults"] == wanted["sync_faults"]
    assert state["front"]["CH2"].items() >= front["CH2"].items()  # type: ignore[attr-defined]
    assert fast.control({"set": state["unit"]}) == {"ok": True}
    assert fast.control({"front": state["front"]}) == {"ok": True}
    assert fast.control({"get": "state"})["state"] == state


def test_a_disturbed_signal_goes_over_scpi_as_any_other(fast: Any) -> None:
    fast.control(
        {"set": {"sync_faults": {"dropped_per_s": 500, "doubled_per_s": 500, "glitches_per_s": 500, "seed": 1}}}
    )
    client = fast.client()
    client.write("HEAD OFF;DAT:SOU CH1;:DAT:ENC RIB;:DAT:WID 1")
    assert len(client.block("CURV?")) == 2500
