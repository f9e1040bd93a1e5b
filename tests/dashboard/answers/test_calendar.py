"""The calendar tells amounts in the grower's units."""

from pathlib import Path

from dashboard.answers import calendar
from tests.dashboard.answers.looked_at_home import NOW_MS, build


def test_the_calendar_of_a_grower_with_us_units_tells_fluid_ounces(tmp_path: Path):
    (tmp_path / "dryline.toml").write_text('[grower]\nunits = "us"\n', encoding="utf-8")
    home = build(tmp_path)
    feed = calendar.answer(home, NOW_MS).decode()
    home.close()
    assert feed.count(" fl oz") >= 2  # of the whole round, and of a pot
    assert " mL" not in feed
    assert " L\r" not in feed
