"""Hundreds of conversations that no honest client has with the live socket of a whole demo, and a good viewer beside them."""

import os
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, seed, settings

from live_fuzz import TEXT, BesideAViewer, beside_a_viewer, conversations, frame

EXAMPLES = int(os.environ.get("PEAKWHITE_EXAMPLES", "300"))


@pytest.fixture(scope="module")
def beside(lasting_demo: Any) -> Iterator[BesideAViewer]:
    schema = lasting_demo.json("GET", "api/v1/schema/live.json")
    with beside_a_viewer(lasting_demo.live_url, schema) as one:
        yield one
        one.viewer_goes_on()
    assert "Traceback" not in lasting_demo.child.stderr


@pytest.mark.timeout(600)
@seed(7)
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@example(said=frame(TEXT, b'{"type":"lines","width":800,"from_us":0,"to_us":5e-324}'))
@example(said=frame(TEXT, b'{"type":"lines","width":800,"from_us":-1e-320,"to_us":0.0}'))
@given(said=conversations)
def test_whatever_is_said_is_answered_or_closed_by_the_book_and_nobody_else_hears_of_it(
    beside: BesideAViewer, said: bytes
) -> None:
    beside.hold(said)
