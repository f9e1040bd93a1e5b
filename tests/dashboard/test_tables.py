"""Answers as plain text: what is told of a figure."""

import json
from pathlib import Path
from typing import Any

import pytest

from dashboard.tables import SHOWN_PAIRS, number, round_list, trials_list

DATA = Path(__file__).parents[1] / "data"


def read(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((DATA / name).read_text(encoding="utf-8"))
    return found


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [(None, 0, "-"), (-0.3, 0, "0"), (-0.6, 0, "-1"), (0.04, 1, "0.0"), (-0.04, 1, "0.0"), (12.36, 1, "12.4")],
)
def test_a_number_that_rounds_to_nought_has_no_sign(value: float | None, digits: int, words: str) -> None:
    assert number(value, digits) == words


def test_pots_that_cannot_be_planned_for_one_reason_share_its_sentence() -> None:
    why = "The air on sill is not known."
    other = {"pot": "c", "says": "The air on rail is not known."}
    answer = read("round.json")["round"] | {"unplanned": [{"pot": "a", "says": why}, other, {"pot": "b", "says": why}]}
    text = round_list(answer)
    assert "\n\na, b: The air on sill is not known." in text
    assert text.count(why) == text.count(other["says"]) == 1


def test_of_many_pairs_as_many_are_listed_as_fit_and_the_rest_counted() -> None:
    answer = read("trials.json") | {"questions": []}
    answer |= {"trials": [answer["trials"][0] | {"pot": f"pot {n}"} for n in range(SHOWN_PAIRS + 2)]}
    text = trials_list(answer)
    assert text.count(" beside ") == SHOWN_PAIRS
    assert "And 2 more pairs: `dryline trials --json` tells all." in text
    assert "more pair" not in trials_list(answer | {"trials": answer["trials"][:SHOWN_PAIRS]})
