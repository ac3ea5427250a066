"""A million seeded mutations of blocks, replies, preambles, CSV files and what comes over links; more by `python -m tests.bench fuzz`."""

import pytest

from fuzzing import PARSERS, Defect, Parser, fuzz, shrunk
from peakwhite.drivers.errors import ReplyError

MUTATIONS = 1_000_000
SEED = 4


@pytest.mark.parametrize("name", PARSERS)
def test_mutated_input_is_a_value_within_the_limit_or_a_typed_error(name: str) -> None:
    tally = fuzz(name, SEED, round(MUTATIONS * PARSERS[name].part))
    assert tally.accepted > 0


def test_the_parts_of_the_parsers_make_a_whole() -> None:
    assert sum(parser.part for parser in PARSERS.values()) == pytest.approx(1.0)


def test_a_parser_with_a_defect_is_caught_by_its_shortest_input(monkeypatch: pytest.MonkeyPatch) -> None:
    def defective(data: bytes) -> None:
        if b"\xff" in data and len(data) > 1:
            raise IndexError

    monkeypatch.setitem(PARSERS, "defective", Parser((b"#15hello",), defective, ReplyError, 0.0))
    with pytest.raises(Defect, match=r"IndexError from b'(.\\xff|\\xff.|\\x..\\xff|\\xff\\x..)'$"):
        fuzz("defective", SEED, 10_000)


def test_a_shorter_input_that_fails_is_found() -> None:
    assert shrunk(b"aaaXbbbYccc", lambda data: b"X" in data and b"Y" in data) == b"XY"
