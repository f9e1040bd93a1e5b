"""Issue "where the dry line stands": its figures against the simulator's independent truth, held over unseen worlds.

Thresholds are those asked for, and the long form holds them over twenty worlds. The short form pools 48 pots, of which
single changes touch as few as eight: there the pooled figures are held as asked, shares of pots inside their bands with
two standard errors of slack, and medians of a single change with half as much again.
"""

import numpy as np
import pytest

from tests.science import dry_line
from tests.science.scores import Score
from tests.science.worlds import case

SHORT_WORLDS = (1, 2)
LONG_WORLDS = range(1, 21)


def held(scores: dict[str, Score], slack: float) -> None:
    """Every figure of the issue; slack, a share of pots, is for what few pots leave to chance."""
    few = 1.0 + 6.0 * slack
    before = scores["before"]
    assert abs(before.bias_mm) < 2.0 + 20.0 * slack  # between worlds of 24 pots the mean itself wanders by 1 mm
    assert 0.85 - slack <= before.coverage <= 0.97 + slack

    six = scores["six notes"]
    assert six.median_mm <= 1.5
    assert six.p90_mm <= 3.0
    assert 0.85 - slack <= six.coverage <= 0.97 + slack
    assert six.width_mm <= 7.0
    for baseline in ("mean of the notes", "last note", "always 20 mm"):
        assert scores[f"six notes: {baseline}"].median_mm > six.median_mm

    # under a third of the error of "the mean of the notes" is asked where the change did something
    matters = scores["unseen change that matters"]
    assert matters.median_mm <= 2.5
    assert matters.median_mm < scores["unseen change that matters: mean of the notes"].median_mm / 3.0
    assert matters.coverage >= 0.80
    whole = scores["unseen change"]
    assert whole.median_mm <= 2.5
    assert whole.coverage >= 0.80
    for baseline in ("mean of the notes", "last note", "always 20 mm"):
        assert scores[f"unseen change: {baseline}"].median_mm > whole.median_mm
    for change in dry_line.CHANGES:
        assert scores[change].median_mm <= 2.5 * few, change

    empty = scores["reservoir empty"]
    assert empty.median_mm <= 6.0 * few
    assert empty.coverage >= 0.80 - slack
    assert scores["reservoir empty: mean of the notes"].median_mm > 3.0 * empty.median_mm


def test_the_dry_line_is_told_as_well_as_asked() -> None:
    """Two worlds of 24 pots: two standard errors of a coverage of 90 % over 48 pots are 0.085."""
    held(dry_line.summary(dry_line.predictions(case(seed)) for seed in SHORT_WORLDS), slack=0.085)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_the_dry_line_is_told_as_well_as_asked_over_twenty_worlds() -> None:
    held(dry_line.summary(dry_line.predictions(case(seed)) for seed in LONG_WORLDS), slack=0.0)


def test_a_score_counts_what_lies_inside_and_not_the_baselines_without_a_band() -> None:
    """The scoring itself, by hand: four cases, one outside its band."""
    from tests.science.scores import Predicted, plain, score

    truth = np.array([0.0, 10.0, 20.0, 30.0])
    middle = np.array([0.0, 12.0, 19.0, 40.0])
    one = Predicted(truth, middle, middle + 1.0, middle - 4.0, middle + 4.0, np.zeros(4))
    found = score(one)
    assert (found.count, found.median_mm, found.coverage, found.width_mm) == (4, 1.5, 0.75, 8.0)
    assert found.bias_mm == pytest.approx(3.75)
    assert np.isnan(score(plain(truth, one)).coverage)
