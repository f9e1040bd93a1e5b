"""Answers as plain text: what is told of a figure."""

import pytest

from dashboard.tables import number


@pytest.mark.parametrize(
    ("value", "digits", "words"),
    [(None, 0, "-"), (-0.3, 0, "0"), (-0.6, 0, "-1"), (0.04, 1, "0.0"), (-0.04, 1, "0.0"), (12.36, 1, "12.4")],
)
def test_a_number_that_rounds_to_nought_has_no_sign(value: float | None, digits: int, words: str) -> None:
    assert number(value, digits) == words
