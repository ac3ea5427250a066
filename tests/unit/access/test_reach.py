"""The addresses that others are told."""

import pytest

from peakwhite.daemon.access import reach

NAMED = ["http://bench.local:8714"]


def test_others_are_told_the_named_addresses_and_that_of_the_network_once_it_is_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(reach, "_own_address", lambda: "192.0.2.7")
    assert reach.urls_for_others("0.0.0.0", 8714, NAMED) == ("http://bench.local:8714/", "http://192.0.2.7:8714/")
    assert reach.urls_for_others("127.0.0.1", 8714, NAMED) == ("http://bench.local:8714/",)
    assert reach.urls_for_others("127.0.0.1", 8714, []) == ()
    monkeypatch.setattr(reach, "_own_address", lambda: None)
    assert reach.urls_for_others("0.0.0.0", 8714, []) == ()
