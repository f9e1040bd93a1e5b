"""Causes against the simulator's own counterfactual: the figures asked for, in worlds that were not looked at before.

Asked: 95 % of the events named rightly, 5 % of false alarms; the long form holds both, the short one floors below them,
since one world has some twenty events and ten quiet pots. The worlds that were looked at while the rules were made are
told in `causes.worlds_seen`; in the last four of these, before the last two rules, 91 % were right and 4 % alarms, so
that the figures wander by some hundredths from world to world. What is missed is mostly a wick that fails by a little:
its line sinks by less than two looks can tell, and it is taken for lost roots.
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
    found = causes.figures([pot for seed in causes.worlds_seen(5) for pot in causes.judged(seed)])
    assert found.events >= 120
    assert found.right >= 0.95
    assert found.false_alarms <= 0.05
