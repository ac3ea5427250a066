"""The figures that the engine holds itself to, on CI-size ensembles of `python -m tests.bench truth`.

Root mean squares, biases and false locks have to meet their goal as it stands. A share is a count, and a small ensemble
may miss it by bad luck: it may fall as far short as an engine that just meets the goal does in one ensemble of fifty.
Seeds are fixed, so a row that passes goes on passing until the engine changes. The full ensembles run by command.
"""

import re
import sys
from pathlib import Path

import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.truth import ENSEMBLES
from tests.bench.truth_rows import Row, bias_row, rms_row, share_row
from tests.bench.truth_sync import is_taken_for_video

BAD_LUCK = 0.02


def is_held(row: Row) -> bool:
    """Whether a row meets its goal; a share, as nearly as luck explains."""
    bounds = [float(figure) / 100.0 for figure in re.findall(r"[\d.]+(?=.*%)", row.goal)]
    if not bounds:
        return row.met
    hits = round(row.figure / 100.0 * row.ensemble)
    if stats.binom.cdf(hits, row.ensemble, bounds[0]) < BAD_LUCK:
        return False
    return len(bounds) == 1 or bool(stats.binom.sf(hits - 1, row.ensemble, bounds[1]) >= BAD_LUCK)


@pytest.mark.parametrize("name", ENSEMBLES)
def test_every_figure_is_held(name: str) -> None:
    ensemble = ENSEMBLES[name]
    for row in ensemble.rows(ensemble.small):
        assert not row.refuted, f"{row.row}: {row.figure:.4g}, goal {row.goal}, missed by seeds {row.misses}"
        assert is_held(row), f"{row.row}: {row.figure:.4g}, goal {row.goal}, missed by seeds {row.misses}"


@pytest.mark.parametrize(
    ("hits", "least", "most", "held"),
    [
        (25, 0.9973, 1.0, True),
        (24, 0.9973, 1.0, True),
        (23, 0.9973, 1.0, False),
        (140, 0.94, 0.97, True),
        (133, 0.94, 0.97, False),
        (150, 0.94, 0.97, False),
    ],
)
def test_a_share_is_held_as_nearly_as_luck_explains(hits: int, least: float, most: float, held: bool) -> None:
    size = 25 if hits <= 25 else 150
    row = share_row("made up", [True] * hits + [False] * (size - hits), range(size), least, most)
    assert is_held(row) is held


def test_an_error_or_a_bias_beyond_its_goal_is_not_held() -> None:
    assert is_held(rms_row("made up", [0.9, -0.9], [1.0, 1.0], [1, 2]))
    assert not is_held(rms_row("made up", [1.1, -1.1], [1.0, 1.0], [1, 2]))
    assert not is_held(rms_row("made up", [0.9, float("nan")], [1.0, 1.0], [1, 2]))
    assert not is_held(bias_row("made up", [0.06, 0.07, 0.05], 0.05))


@pytest.mark.parametrize(
    ("kind", "seed"),
    [("noise", 2333), ("noise", 2760), ("square", 3187), ("square", 6304), ("square", 7823), ("switching supply", 206)],
)
def test_what_a_full_run_once_took_for_video_stays_none(kind: str, seed: int) -> None:
    assert not is_taken_for_video(kind, seed)
