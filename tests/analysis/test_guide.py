"""The guide's advice on invented pots: the smallest step that is enough, in the climates that call for it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analysis.calibration import Draws, calibrate
from analysis.claims import ENOUGH
from analysis.guide import Advice, Home, Outlook, advise, in_driest_month, in_words, step_of
from analysis.options import Option
from analysis.setups import column_parameters

SETUP = {
    "shelf": "east-window",
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 95, "height_mm": 110},
    "reservoir": {"area_mm2": 9000, "height_mm": 60, "fill_mark_mm": 50},
    "surface_height_mm": 135,
    "layers": [{"thickness_mm": 95, "grain": "medium", "mix": {"expanded_clay": 0.6, "lava_rock": 0.4}}],
    "top_layer": {"kind": "none", "thickness_mm": 0, "replaces_medium": False},
    "headroom_mm": 35,
    "vents": {"count": 12, "diameter_mm": 8, "wall_mm": 1.5, "height_mm": 110},
    "wick": {"strands": 1, "material": "microfibre"},
    "gap": "narrow",
}
SHELF = {"air": "gentle", "heat": "none"}
DAYS = 28


def _home(vpd: list[float], *, setups: list[dict[str, object]] | None = None, likes: str = "even") -> Home:
    pots = len(vpd)
    rng = np.random.default_rng(0)
    air = np.array(vpd)[None, :] * np.exp(0.08 * rng.standard_normal((DAYS, pots)))
    level = np.repeat((42 - 8 * (np.arange(DAYS) % 4) / 3)[:, None], pots, 1)
    return Home(
        labels=tuple(f"pot {i}" for i in range(pots)),
        setups=setups or [SETUP] * pots,
        shelves=[SHELF] * pots,
        pots=[{"likes": likes, "roots": "thick"}] * pots,
        vpd_kpa=air,
        temperature_c=np.full((DAYS, pots), 21.0),
        level_mm=level,
        rooting_mm=np.full((_COUNT, pots), 20.0),
        round_days=np.arange(DAYS) % 4 == 0,
        moister=[None] * pots,
        moister_vpd_kpa=np.full((DAYS, pots), np.nan),
    )


_COUNT = 60


def _draws(home: Home, *, spread: float = 1.0) -> Draws:
    """Draws of the prior; `spread` below 1 stands for what many notes would have taught."""
    columns = column_parameters(list(home.setups), list(home.shelves), list(home.pots))
    draws = calibrate(columns).draws(np.random.default_rng(1), _COUNT)
    return replace(draws, shared=spread * draws.shared, own=spread * draws.own, stray=spread * draws.stray)


def _advice(home: Home, spread: float = 0.1) -> list[Advice]:
    return advise(home, _draws(home, spread=spread))


def test_dry_air_calls_for_more_than_moist_air_and_the_chances_say_why() -> None:
    moist, moderate, dry = _advice(_home([0.25, 0.9, 2.2]))
    assert moist.change == "leave"
    assert moist.sure
    chances = [one.options[0].chance_too_dry for one in (moist, moderate, dry)]
    assert chances == sorted(chances)
    assert dry.change != "leave"
    assert dry.options[0].critical_vpd_kpa < 2.2


def test_the_advice_is_the_first_step_in_the_order_that_is_enough() -> None:
    (dry,) = _advice(_home([1.3]))
    chosen = next(i for i, outlook in enumerate(dry.options) if outlook.option.change == dry.change)
    assert dry.options[chosen].suffices > 0.5
    for smaller in dry.options[:chosen]:
        assert smaller.option.against != "dry" or smaller.suffices < 0.5 or not smaller.option.lasting


def test_pebbles_help_more_the_thicker_they_are_and_holes_are_a_small_lever() -> None:
    (dry,) = _advice(_home([1.1]))
    chance = {outlook.option.change: outlook.chance_too_dry for outlook in dry.options}
    critical = {outlook.option.change: outlook.critical_vpd_kpa for outlook in dry.options}
    assert critical["leave"] < critical["pebbles 10 mm"] < critical["pebbles 20 mm"] < critical["pebbles 30 mm"]
    assert critical["leave"] < critical["close all holes"] < critical["pebbles 20 mm"]
    assert chance["leave"] >= chance["pebbles 10 mm"] >= chance["pebbles 30 mm"]


def test_what_is_not_known_makes_the_advice_unsure_and_the_interval_wide() -> None:
    home = _home([0.8])
    (vague,) = advise(home, _draws(home, spread=1.0))
    (known,) = advise(home, _draws(home, spread=0.05))
    assert vague.chance_right < known.chance_right
    assert not vague.sure
    wide, narrow = vague.options[0], known.options[0]
    assert wide.high - wide.low > narrow.high - narrow.low


def test_a_surface_that_never_dries_over_little_medium_is_the_other_risk() -> None:
    low = {**SETUP, "surface_height_mm": 95, "layers": [{"thickness_mm": 60, "mix": {"porous_ceramic": 1.0}}]}
    (wet,) = _advice(_home([0.15], setups=[low], likes="airy"))
    assert wet.options[0].chance_too_wet > 0.5
    assert wet.change in ("keep it lower", "open holes", "taller column at the next repot", "leave")
    assert not any(outlook.option.change == wet.change and outlook.option.against == "dry" for outlook in wet.options)


def test_a_shelf_without_air_gets_a_sentence_and_leaves_the_others_alone() -> None:
    home = _home([float("nan"), 0.25])
    blind, seen = _advice(home)
    assert blind.options == ()
    assert "has no air" in blind.says
    assert seen.change == "leave"


def test_three_kinds_of_evidence_stand_side_by_side() -> None:
    home = _home([1.3])
    alone = pd.DataFrame(
        {"change": ["pebbles 20 mm"], "what": ["noted_depth_mm"], "pots": [3], "before": [24.0], "after": [15.0],
         "difference": [-9.0], "low": [-14.0], "high": [-4.0]}
    )  # fmt: skip
    (dry,) = advise(home, _draws(home, spread=0.1), physics=_draws(home), notes_alone=alone)
    pebbles = next(outlook for outlook in dry.options if outlook.option.change == "pebbles 20 mm")
    assert np.isfinite(pebbles.physics)
    assert pebbles.physics != pebbles.chance_too_dry
    could = "could be \u221214\u00a0to\u00a0\u22124\u00a0mm"
    assert pebbles.seen == f"Notes alone: 9\u00a0mm shallower in 3 pots ({could})."


def test_what_no_note_has_seen_is_called_extrapolated() -> None:
    home = _home([1.3, 1.3])
    first, second = advise(
        home, _draws(home), noted_vpd_kpa=[(0.3, 0.5), None], covers_noted=["pebbles", "sphagnum_moss"]
    )
    assert any("notes were made at 0.3 to 0.5 kPa" in warning for warning in first.warnings)
    assert any("No note of this pot" in warning for warning in second.warnings)
    assert not any(outlook.extrapolated for outlook in first.options)
    (unseen,) = advise(_home([1.3]), _draws(_home([1.3])))
    said = {outlook.option.change: outlook.extrapolated for outlook in unseen.options}
    assert said["pebbles 20 mm"] == "Extrapolated: no note has seen a cover of pebbles here."
    assert said["close all holes"] == ""


def test_the_driest_month_can_only_call_for_more() -> None:
    home = _home([0.6])
    (now,) = _advice(home)
    (season,) = _advice(in_driest_month(home, np.array([1.4])))
    assert season.options[0].chance_too_dry >= now.options[0].chance_too_dry
    assert float(np.nanmean(in_driest_month(home, np.array([1.4])).vpd_kpa)) == pytest.approx(1.4)


def test_moving_to_a_moister_shelf_is_judged_by_that_shelfs_air() -> None:
    home = replace(_home([1.8]), moister=["glass-cabinet"], moister_vpd_kpa=np.full((DAYS, 1), 0.2))
    (dry,) = _advice(home)
    move = next(outlook for outlook in dry.options if outlook.option.move_to == "glass-cabinet")
    assert move.chance_too_dry < dry.options[0].chance_too_dry - 0.5


def test_a_flush_is_no_lasting_step_but_comes_first_where_the_wick_has_stalled() -> None:
    home = _home([1.3])
    (normal,) = advise(home, _draws(home, spread=0.1))
    flush = [outlook.option.change for outlook in normal.options].index("flush from the top")
    assert flush not in normal.claims.smallest
    (stalled,) = advise(home, _draws(home, spread=0.1), stalled=[True])
    assert stalled.change == "flush from the top"
    assert "restart the wick" in stalled.says
    assert (stalled.sure, stalled.no_better) == (False, True)


def _outlook(change: str, against: str, dry: list[float]) -> Outlook:
    shares = np.array(dry)
    option = Option(change, against, SETUP, SHELF)
    none = np.zeros(len(dry))
    return Outlook(option, float(shares.mean()), 0.0, 1.0, 0.0, 1.0, 0.5, 0.5, "", shares, none)


def test_a_doubtful_change_waits_for_a_look_where_little_is_lost_and_not_where_much_is() -> None:
    """Six draws in ten call for fewer holes, four for more than that."""
    then = [0.0] * 6 + [0.3] * 4
    mild = [_outlook("leave", "", [0.3] * 10), _outlook("close all holes", "dry", then),
            _outlook("pebbles 20 mm", "dry", [0.0] * 10)]  # fmt: skip
    step = step_of(mild)
    assert (step.likeliest, step.chance, step.change) == ("close all holes", 0.6, "leave")
    assert step.waits
    bad = step_of([_outlook("leave", "", [0.9] * 10), *mild[1:]])
    assert (bad.likeliest, bad.change, bad.no_better, bad.waits) == ("close all holes", "pebbles 20 mm", True, False)
    doubtful = step_of([_outlook("leave", "", [0.9] * 10), mild[1]])
    assert (doubtful.change, doubtful.sure, doubtful.no_better, doubtful.waits) == (
        "close all holes",
        False,
        True,
        False,
    )
    agreed = step_of([mild[0], _outlook("close all holes", "dry", [0.0] * 9 + [0.3]), mild[2]])
    assert agreed.sure
    assert agreed.change == "close all holes"


def test_what_is_sure_to_be_enough_is_advised_though_a_smaller_step_may_do() -> None:
    options = [_outlook("leave", "", [0.9] * 10), _outlook("keep it fuller", "dry", [0.0] * 6 + [0.3] * 4),
               _outlook("pebbles 20 mm", "dry", [0.0] * 9 + [0.2]),
               _outlook("second wick", "dry", [0.0] * 10)]  # fmt: skip
    step = step_of(options)
    assert (step.likeliest, step.change, step.sure, step.no_better, step.waits) == (
        "keep it fuller", "pebbles 20 mm", False, True, False,
    )  # fmt: skip
    perhaps_well = step_of([_outlook("leave", "", [0.9] * 8 + [0.0] * 2), *options[1:]])
    assert not perhaps_well.no_better


def test_where_a_step_may_not_be_enough_it_is_advised_if_nothing_at_once_does_better() -> None:
    """Four draws in ten find no step at once enough; a repot is no step at once, and none may bring wetness."""
    leave, repot = (
        _outlook("leave", "", [0.9] * 10),
        _outlook("more retentive mix at the next repot", "dry", [0.0] * 10),
    )
    pebbles = _outlook("pebbles 20 mm", "dry", [0.0] * 6 + [0.3] * 4)
    options = [leave, _outlook("keep it fuller", "dry", [0.5] * 10), pebbles, repot]
    step = step_of(options)
    assert (step.change, step.sure, step.no_better) == ("pebbles 20 mm", False, True)
    moss = _outlook("damp moss collar", "dry", [0.0] * 10)
    soaks = replace(moss, wet_draws=np.full(10, 0.9), chance_too_wet=0.9)
    assert step_of([*options[:3], soaks, repot]) == step
    helps_more = step_of([*options[:3], _outlook("damp moss collar", "dry", [0.0] * 6 + [0.2] * 4), repot])
    assert helps_more.change == "damp moss collar"
    unlike = step_of([leave, _outlook("keep it fuller", "dry", [0.3] * 5 + [0.5] * 5),
                      _outlook("pebbles 20 mm", "dry", [0.5] * 5 + [0.3] * 5), repot])  # fmt: skip
    assert not unlike.no_better
    hardly = step_of([leave, _outlook("keep it fuller", "dry", [0.85] * 10), repot])
    assert (hardly.change, hardly.no_better) == ("more retentive mix at the next repot", False)


def test_where_nothing_suffices_only_a_step_that_helps_is_named() -> None:
    hardly = step_of([_outlook("leave", "", [0.8] * 10), _outlook("pebbles 10 mm", "dry", [0.75] * 5 + [0.05] * 5)])
    assert hardly.change == "pebbles 10 mm"
    no_help = step_of(
        [_outlook("leave", "", [0.4] * 10), _outlook("pebbles 10 mm", "dry", [0.38] * 6 + [0.05] * 2 + [0.39] * 2)]
    )
    assert no_help.none_suffices
    assert no_help.change == "leave"
    known = step_of([_outlook("leave", "", [0.4] * 10), _outlook("close all holes", "dry", [0.38] * 10)])
    assert (known.sure, known.none_suffices, known.change) == (True, True, "leave")


def test_where_the_draws_are_at_odds_nothing_is_called_probable() -> None:
    home = _home([0.6, 1.0])
    likely, at_odds = advise(home, _draws(home, spread=1.0))
    assert likely.chance_right > 0.5 > at_odds.chance_right
    assert likely.change == at_odds.change == "leave"
    assert likely.says.startswith("Probably leave it")
    assert at_odds.says.startswith("Not known yet")


def test_each_draws_own_answer_is_handed_on_for_the_worth_of_looks() -> None:
    (vague,) = advise(_home([0.8]), _draws(_home([0.8])))
    assert vague.claims.smallest.shape == (_COUNT,)
    assert 0 < vague.chance_right <= 1
    assert ENOUGH == 0.1


def test_chances_are_said_in_plain_words() -> None:
    assert in_words(0.4, 0.12, 0.71) == "about 4 in 10, could be 1 to 7"
    assert in_words(0.01, 0.0, 0.04) == "hardly ever"
    assert in_words(1.0, 0.97, 1.0) == "nearly always"
    assert in_words(0.03, 0.0, 0.12) == "hardly ever, at most 1 in 10"
    assert in_words(0.97, 0.7, 1.0) == "nearly always, at least 7 in 10"
