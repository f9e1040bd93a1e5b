"""The calendar tells amounts in the grower's units."""

from pathlib import Path

import vobject

from dashboard.answers import calendar
from dashboard.answers import round as rounds
from tests.dashboard.answers.looked_at_home import NOW_MS, build


def test_the_calendar_of_a_grower_with_us_units_tells_fluid_ounces(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text('[grower]\nunits = "us"\n', encoding="utf-8")
    home = build(tmp_path)
    feed = calendar.answer(home, NOW_MS).decode()
    home.close()
    assert feed.count(" fl oz") >= 2  # of the whole round, and of a pot
    assert " mL" not in feed
    assert " L\r" not in feed


def test_the_calendar_tells_the_same_amounts_as_the_round(tmp_path: Path):
    home = build(tmp_path)
    found = rounds.answer(home, NOW_MS)
    told = vobject.readOne(calendar.answer(home, NOW_MS).decode())
    home.close()
    first = found["visits"][0]
    event = next(
        one
        for one in told.vevent_list
        if one.dtstart.value.isoformat() == first["date"] and "Water" in one.summary.value
    )
    assert event.summary.value == f"Water {len(first['pots'])} pots, mix at most {first['litres_to_mix']:.1f} L"
    lines = event.description.value.splitlines()
    assert len(lines) == len(first["pots"])
    (eased,) = [line for line in lines if line.startswith("window fourth: ")]
    assert eased.startswith(f"window fourth: only to {found['eased']['window fourth']:.0f} mm, ")
    right = next(pot for pot in first["pots"] if pot["pot"] == "window right")
    least, most = (5 * round(right[key] / 5) for key in ("fill_ml", "fill_at_most_ml"))
    assert f"window right: to the mark, {least} to {most} mL" in lines
