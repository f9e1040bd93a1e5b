"""The sentence of an explanation names the cause in the way in which it worked."""

from dataclasses import replace

import pytest

from analysis.causes import Explanation, Share
from dashboard.answers.explain_words import says

NAN = float("nan")


def found(
    direction: str, verdict: str, mm: float | None, use: float = NAN, expected: float = NAN, change: float = 0.0
) -> Explanation:
    shares = () if mm is None else (Share(verdict, mm, mm - 2, mm + 2),)
    return Explanation(direction, verdict, shares, 0.0, change, use, expected, ())


@pytest.mark.parametrize(
    ("told", "ends"),
    [
        pytest.param(
            found("same", "wick", 5.0, 1.05, 1.1),
            "but what was measured looks like a wick that carries less.",
            id="the share says drier though use rose a little",
        ),
        pytest.param(
            found("same", "wick", None, 0.5, 1.0),
            "but its water use has changed: a wick that carries less.",
            id="less use than expected",
        ),
        pytest.param(
            found("same", "wick", 0.2, 0.9, 0.6),
            "but its water use has changed: a wick that carries more.",
            id="less use than before and more than expected",
        ),
        pytest.param(
            found("same", "plant", None, 1.6, 1.0),
            "but its water use has changed: a plant that drinks more.",
            id="more use than expected",
        ),
        pytest.param(
            found("same", "dry_air", 0.1, 1.4, 1.4), "but its water use has changed: drier air.", id="as the air asks"
        ),
        pytest.param(
            found("drier", "none", None, 1.0, 1.0, 12.0),
            "12\u00a0mm deeper since 26 November, as the season's air and the usual refills make one expect.",
            id="the season alone",
        ),
        pytest.param(
            found("same", "none", None, 1.0, 1.0),
            "and use is what air and set-up make one expect.",
            id="nothing at all",
        ),
        pytest.param(
            found("same", "none", None),
            "hardly moved since 26 November, as air and set-up make one expect.",
            id="nothing, and use is not known",
        ),
        pytest.param(
            found("drier", "low_reservoir", 9.0, change=10.0),
            "a lower reservoir (+9\u00a0mm of it, could be +7\u00a0to\u00a0+11\u00a0mm).",
            id="a line that moved",
        ),
    ],
)
def test_a_cause_is_named_in_the_way_in_which_it_worked(told: Explanation, ends: str) -> None:
    assert says(told, "26 November").endswith(ends)


@pytest.mark.parametrize(
    ("direction", "mm", "ends"),
    [
        pytest.param(
            "same",
            1.0,
            "; the reservoir was empty for 14 hours, which moved the line by too little to matter.",
            id="hardly",
        ),
        pytest.param(
            "drier",
            0.0,
            "as the season's air makes one expect; the reservoir was empty for 14 hours, which moved the line by too "
            "little to matter.",
            id="the air moved it",
        ),
        pytest.param(
            "drier",
            12.0,
            ": the reservoir sank between refills as it usually does, and was empty for 14 hours (+12\u00a0mm of it).",
            id="as in every round",
        ),
        pytest.param(
            "same",
            5.0,
            "; the reservoir was empty for 14 hours (+5\u00a0mm), and the rest made up for it.",
            id="made up",
        ),
        pytest.param(
            "wetter",
            -4.0,
            ", although the reservoir was empty for 14 hours: it stood higher than before on the whole.",
            id="fuller all the same",
        ),
    ],
)
def test_a_reservoir_that_was_empty_is_never_left_out_where_there_is_no_event(
    direction: str, mm: float, ends: str
) -> None:
    told = replace(
        found(direction, "none", None, change=12.0), shares=(Share("low_reservoir", mm, mm, mm),), empty_hours=14.0
    )
    assert says(told, "26 November").endswith(ends)
    assert "usual refills" not in says(told, "26 November")
