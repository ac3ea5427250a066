"""The figures that the engine holds itself to, on CI-size ensembles of `python -m tests.bench truth`.

A row fails only where its ensemble shows what an engine that just meets the goal would show less often than once in ten
thousand (and where there is what must not be). Seeds are fixed. The full ensembles run by command.
"""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.truth import ENSEMBLES


@pytest.mark.parametrize("name", ENSEMBLES)
def test_no_figure_is_refuted(name: str) -> None:
    ensemble = ENSEMBLES[name]
    for row in ensemble.rows(ensemble.small):
        assert not row.refuted, f"{row.row}: {row.figure:.4g}, goal {row.goal}, missed by seeds {row.misses}"
