"""Causes against the simulator's own counterfactual, in worlds that were not looked at while the rules were made.

Asked: 95 % of the events named rightly, 5 % of false alarms. Reached over worlds 71 to 77: 94.8 % of 192 events, and 4
alarms among 73 quiet pots (5.5 %); between worlds of 48 pots the share of right ones wanders from 86 to 100 %. So the
figures asked for are just not reached; both forms hold floors below them, the short one lower, since one world has some
twenty events and ten quiet pots. What is missed is mostly a wick that fails by a little: its line sinks by less than
two looks can tell, and it is taken for lost roots or for nothing.
"""

import pytest

from tests.science import causes


def test_causes_are_named_and_quiet_pots_raise_no_alarm() -> None:
    """36 pots of one world: some twenty events and ten quiet pots, of which one may be taken for a change."""
    found = causes.figures(causes.judged(11, pots=36))
    assert found.events >= 15
    assert found.quiet >= 5
    assert found.right >= 0.8
    assert found.false_alarms <= 0.15


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_the_causes_figures_over_worlds_not_looked_at() -> None:
    found = causes.figures([pot for seed in causes.worlds_seen(7) for pot in causes.judged(seed)])
    assert found.events >= 150
    assert found.right >= 0.93
    assert found.false_alarms <= 0.07
