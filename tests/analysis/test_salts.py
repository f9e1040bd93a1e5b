"""Salt since the flush as a range, when to flush, and the rota."""

import numpy as np
import pytest

from analysis.salts import burnt_tips_say, mean_strength_g_per_l, rota, salt_state, strength_g_per_l


def test_water_gone_times_strength_is_the_salt_left() -> None:
    """2 L gone at exactly 0.5 g/L leave 1 g, of which the plant may have taken half."""
    state = salt_state((2000, 2000), (0.5, 0.5), 500, 30)
    assert state.grams == pytest.approx((0.5, 1.0))
    assert state.grams_per_litre == pytest.approx((1.5, 2.5))
    assert state.due == "now"


def test_a_range_that_straddles_the_limit_is_due_soon_and_says_when() -> None:
    state = salt_state((800, 1000), (0.3, 0.9), 600, 25)
    assert state.due == "soon"
    assert state.due_in_days[0] == 0
    assert state.due_in_days[1] > 0


def test_days_until_due_bring_the_strong_end_to_the_limit() -> None:
    state = salt_state((200, 200), (0.4, 0.6), 500, 30)
    assert state.due == "not_yet"
    later = salt_state(
        (200 + 30 * state.due_in_days[0], 200 + 30 * state.due_in_days[0]), (0.4, 0.6), 500, 30
    ).grams_per_litre
    assert later[1] == pytest.approx(1.5)


def test_plain_water_leaves_nothing_and_says_so() -> None:
    state = salt_state((3000, 4000), (0.0, 0.0), 500, 30)
    assert state.due == "not_yet"
    assert "plain water" in state.says
    assert np.isinf(state.due_in_days[0])


@pytest.mark.parametrize(
    ("known", "says"),
    [
        (((np.nan, np.nan), (0.5, 0.5), 500, np.nan), "the air of its shelf is not known"),
        (((np.nan, np.nan), (np.nan, np.nan), 500, np.nan), "note what is fed, and when it is flushed"),
        (((900, 1000), (0.5, 0.5), np.nan, 30), "how much its reservoir holds"),
        (((900, 1000), (0.5, 0.5), 0, 30), "how much its reservoir holds"),
    ],
)
def test_what_is_not_known_gives_a_sentence_that_names_it_and_not_a_number(known: tuple, says: str) -> None:
    state = salt_state(*known)
    assert state.due == "unknown"
    assert state.says.startswith("Salt cannot be judged: ")
    assert says in state.says


def test_the_sentence_says_since_when_salt_has_gathered() -> None:
    assert "since the repot: flush" in salt_state((2000, 2000), (0.5, 0.5), 500, 30, since="the repot").says
    assert "since the flush" in salt_state((2000, 2000), (0.5, 0.5), 500, 30).says


@pytest.mark.parametrize(
    ("noted", "strength"),
    [
        ({"grams_per_litre": 0.7}, (0.7, 0.7)),
        ({"ec_ms_per_cm": 1.0}, (0.55, 0.75)),
        ({"label_share": 0.25}, (0.25, 0.5)),
        ({}, (0.1, 1.5)),
    ],
)
def test_a_strength_is_as_wide_as_what_was_noted(noted: dict[str, float], strength: tuple[float, float]) -> None:
    assert strength_g_per_l(**noted) == pytest.approx(strength)


def test_a_negative_strength_is_refused() -> None:
    with pytest.raises(ValueError, match="weaker than plain water"):
        strength_g_per_l(ec_ms_per_cm=-1)


def test_plain_refills_thin_the_mean_strength_and_unknown_amounts_count_as_equal() -> None:
    assert mean_strength_g_per_l([300, 100], [0.5, 0], [0.5, 0]) == pytest.approx((0.375, 0.375))
    assert mean_strength_g_per_l([np.nan, 100], [0.4, 0], [0.6, 0]) == pytest.approx((0.2, 0.3))
    assert mean_strength_g_per_l([], [], []) == (0.0, 0.0)


def test_the_rota_mixes_plain_water_in_until_a_month_stays_below_the_limit() -> None:
    strong = rota(8, 40, (0.5, 0.8), 500)
    weak = rota(8, 10, (0.1, 0.2), 500)
    assert strong.count("feed") < weak.count("feed") == 8
    share = strong.count("feed") / 8
    assert share * 0.8 * (1 + 0.04 * 30 / 0.5) <= 1.5
    assert rota(4, 20, (1.0, 2.0), 500) == ["plain"] * 4


def test_salt_is_suspected_beside_drought_when_tips_burn() -> None:
    salty, clean = salt_state((2000, 2000), (0.5, 0.5), 500, 30), salt_state((100, 100), (0.2, 0.2), 500, 30)
    assert burnt_tips_say(0, 0.9, salty) == ""
    assert "both suspected" in burnt_tips_say(2, 0.8, salty)
    assert "salt is suspected beside it" in burnt_tips_say(2, 0.2, salty)
    assert "lesser suspect" in burnt_tips_say(2, 0.8, clean)
    assert "neither" in burnt_tips_say(2, 0.2, clean)
