"""Quantities inside sentences: marked where the sentence is made, in the reader's units where it is shown."""

from hypothesis import given
from hypothesis import strategies as st

from analysis.quantities import JOINT, in_units, marked, quantity, span

SAYS = (
    f"Dry to about {quantity(25.4, 'mm')}, could be {span(-12.7, 50.8, 'mm', '+.1f')}; {quantity(300, 'mL')} a day, "
    f"mix {quantity(4.3, 'L', '.1f')}, {quantity(-5, '°C')} and {quantity(2, 'degrees')} warmer."
)


def test_a_sentence_is_told_in_either_units() -> None:
    # 25 mm / 25.4, 300 and 4300 mL / 29.5735, -5 x 1.8 + 32, 2 x 1.8
    assert in_units(SAYS, "us") == (
        "Dry to about 1.0 in, could be \u22120.50 to +2.00 in; 10 fl oz a day, mix 145 fl oz, 23 °F "
        "and 4 degrees warmer."
    )
    assert in_units(SAYS, "metric") == (
        "Dry to about 25 mm, could be \u221212.7 to +50.8 mm; 300 mL a day, mix 4.3 L, \u22125 °C and 2 degrees warmer."
    )


def test_little_water_is_told_to_a_tenth_and_a_span_of_one_number_is_one_number() -> None:
    assert in_units(quantity(23, "mL"), "us") == "0.8 fl oz"
    assert in_units(span(19, 20, "mm"), "us") == "0.7 to 0.8 in"
    assert in_units(span(20, 21, "mm"), "us") == "0.8 in"
    assert in_units(span(-0.4, 0.2, "mm", "+.0f"), "us") == "+0.0 in"


def test_the_words_of_an_option_are_marked_and_nothing_else_is() -> None:
    assert in_units(marked("Pebbles 20 mm in place of medium: 3 pots."), "us") == (
        "Pebbles 0.8 in in place of medium: 3 pots."
    )
    assert marked("close 2 mmHg") == "close 2 mmHg"


def test_what_a_person_typed_stays_as_it_is() -> None:
    assert in_units({"text": "moss of 5 mm, 20 °C", "mm": 5}, "us") == {"text": "moss of 5 mm, 20 °C", "mm": 5}


def test_every_sentence_of_an_answer_is_reached() -> None:
    answer = {"pots": [{"says": quantity(20, "mm")}], "evidence": (quantity(20, "mm"), None), "level_mm": 20.0}
    told = {"pots": [{"says": "0.8 in"}], "evidence": ["0.8 in", None], "level_mm": 20.0}
    assert in_units(answer, "us") == told


@given(
    st.floats(-1e4, 1e4), st.sampled_from(["mm", "cm", "mL", "L", "°C", "degrees"]), st.sampled_from([".0f", "+.1f"])
)
def test_no_quantity_keeps_its_mark_or_its_unit(value: float, unit: str, form: str) -> None:
    said = in_units(quantity(value, unit, form), "us")
    assert JOINT not in said
    assert not said.endswith((" mm", " cm", " mL", " L", "°C"))
    assert JOINT not in in_units(quantity(value, unit, form), "metric")
