"""Causes against the simulator's own counterfactual, in worlds that were not looked at while the rules were made.

Asked: 95 % of the events named rightly, 5 % of false alarms. Reached over worlds 81 to 90: 95.9 % of 291 events, and 4
alarms among 107 quiet pots (3.7 %); over worlds 91 to 100, looked at once, 95.0 % of 281 events and 4 alarms among 99
quiet pots (4.0 %). Between worlds of 48 pots the share of right ones wanders from 86 to 100 %, so the long form allows
one in a hundred more, and the short one, with some twenty events and ten quiet pots of one world, two or three.

By the letter (every pot that its event moved by less than 1.5 mm, `causes.py`) a cause was named in 17 of 144 pots
(11.8 %; 13 of 141 in worlds 91 to 100); in 14 of them (8 of 13) it was what had truly happened, mostly a change that
took 10 to 15 % of use, so that 2.1 % (3.5 %) of the pots were told what was not so. Both cannot be had:
use tells a change to some 5 %, so that whoever never names one of 13 % misses those of 16 %. With the least that a
recorded change must have done raised from 10 to 14 % of use, 8.3 % were named by the letter, and 92.4 % of the events.
What is missed is a wick that fails by a little (its line sinks by less than two looks can tell, and it is taken for
lost roots or for nothing), air that turned moister so slowly that it passes for a season, and air nearly as wet as can
be, where a humidity sensor tells little.
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
    found = causes.figures([pot for seed in causes.worlds_seen(10) for pot in causes.judged(seed)])
    assert found.events >= 250
    assert found.right >= 0.94
    assert found.false_alarms <= 0.06
    assert found.accused_below - found.rightly_below / found.below <= 0.05
