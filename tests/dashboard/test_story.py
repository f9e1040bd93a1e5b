"""The story page and its figure, on an invented answer."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dash import no_update

from dashboard.figures.shares import shares_table
from dashboard.figures.story import lines_between, story_figure, utc_ms
from dashboard.pages import Ask
from dashboard.pages.story import NO_STORY, asked, tell, zoomed
from tests.dashboard.trees import attributes, classed, text_of

DATA = Path(__file__).parents[1] / "data"
AT_MS = 1_772_542_800_000


def read(name: str) -> dict[str, Any]:
    return json.loads((DATA / name).read_text(encoding="utf-8"))


def asks(story: Any) -> Ask:
    return Ask(now_ms=lambda: AT_MS, wall=lambda _: read("wall-24-pots.json"), health=lambda _: {}, story=story)


def named(figure: Any, name: str) -> Any:
    return next(trace for trace in figure.data if trace.name == name)


def test_no_line_of_the_figure_has_more_points_than_asked():
    answer = read("story-top-middle.json")
    hours = 200_000
    answer["air"] = {"time_ms": [AT_MS - 3_600_000 * n for n in range(hours, 0, -1)], "vpd_kpa": [1.0] * hours}
    figure = story_figure(answer, 2000)
    assert len(named(figure, "dry air").x) <= 2000


def test_zooming_in_brings_the_points_that_the_whole_span_left_out():
    answer = read("story-top-middle.json")
    since, until = answer["since_ms"] + 10 * 86_400_000, answer["since_ms"] + 24 * 86_400_000
    (air_x, air_y), _ = lines_between(answer, since, until, 400)
    assert 330 <= len(air_x) <= 400
    assert len(lines_between(answer, None, None, 400)[0][0]) <= 400
    assert np.isfinite(air_y).all()


def test_a_moved_axis_is_read_on_the_growers_clock():
    answer = read("story-top-middle.json")
    moved = {"xaxis4.range[0]": "2026-01-10 00:00:00.5", "xaxis4.range[1]": "2026-01-12"}
    patch = zoomed(asks(lambda *_: answer), "/story/top%20middle", moved)
    drawn = [step["params"]["value"] for step in patch.to_plotly_json()["operations"]]
    times = np.asarray(drawn[0], dtype="datetime64[m]")
    assert times.min() == np.datetime64("2026-01-10T01:00")
    assert times.max() == np.datetime64("2026-01-12T00:00")


def test_an_axis_that_did_not_move_changes_nothing():
    for moved in (None, {"autosize": True}, {"dragmode": "pan"}):
        assert zoomed(asks(lambda *_: {}), "/story/top%20middle", moved) is no_update


def test_the_missing_hour_of_spring_is_read_as_the_hour_after():
    assert utc_ms("2026-03-29 01:30", "Europe/Lisbon") == utc_ms("2026-03-29 02:00", "Europe/Lisbon")


def test_inches_and_fluid_ounces_reach_every_panel():
    metric = story_figure(read("story-top-middle.json"))
    answer = read("story-top-middle.json") | {"units": "us"}
    us = story_figure(answer)
    assert us.layout.yaxis.range[0] == pytest.approx(metric.layout.yaxis.range[0] / 25.4)
    assert named(us, "water use").y[0] == pytest.approx(named(metric, "water use").y[0] / 29.5735)
    titles = " ".join(str(note.text) for note in us.layout.annotations)
    assert "in below the surface" in titles
    assert " mm" not in titles


def test_the_surface_is_up_and_the_dry_line_hangs_below_it():
    figure = story_figure(read("story-top-middle.json"))
    deep, up = figure.layout.yaxis.range
    assert deep > 40 > 0 > up
    line = np.asarray(named(figure, "dry line").y, dtype=float)
    assert np.isfinite(line).all()
    assert (line > 0).all()


def test_a_look_that_found_no_end_reaches_to_the_bottom_of_the_panel():
    answer = read("story-top-middle.json")
    figure = story_figure(answer)
    noted = named(figure, "noted")
    assert answer["notes"][-1]["high_mm"] is None
    assert noted.y[-1] + noted.error_y.array[-1] == pytest.approx(figure.layout.yaxis.range[0])


def test_hours_without_a_level_break_the_line():
    level = np.asarray(named(story_figure(read("story-top-middle.json")), "level").y, dtype=float)
    assert np.isnan(level).any()


def test_changes_are_marked_and_refills_are_not_written_out():
    words = [note.text for note in story_figure(read("story-top-middle.json")).layout.annotations]
    assert any("half of the holes opened" in text for text in words)
    assert not any("filled to the mark" in text for text in words)


def test_times_stand_on_the_growers_clock():
    answer = read("story-top-middle.json")
    answer["time_zone"] = "Asia/Kathmandu"
    first = named(story_figure(answer), "water use").x[0]
    utc = np.datetime64(answer["use"]["time_ms"][0], "ms")
    assert first - utc == np.timedelta64(345, "m")


def test_a_pot_without_notes_level_or_model_still_has_a_figure():
    answer = read("story-top-middle.json")
    answer |= {
        "notes": [],
        "events": [],
        "level": {"time_ms": [], "level_mm": []},
        "dry": {"time_ms": [], "p10": [], "p50": [], "p90": []},
        "use": {"time_ms": [], "value": [], "low": [], "high": [], "expected": []},
    }
    assert len(story_figure(answer).data) > 0


def test_what_nothing_explains_is_the_last_row_and_never_left_out():
    table = shares_table(read("story-top-middle.json")["explain"])
    rows = table.children[1].children
    assert text_of(rows[0]).startswith("dry air")
    assert text_of(rows[-1]).startswith("not explained")
    assert "could be −2 to" in text_of(rows[3])


@pytest.mark.parametrize(
    ("mm", "low", "high", "says"),
    [
        (0.3, 0.1, 0.45, "less than 1"),
        (0.0, 0.0, 0.0, "0"),
        (2.1, 1.9, 2.3, "+2"),
        (0.3, 0.1, 1.2, "0, could be 0 to +1"),
        (-0.6, -1.8, 0.5, "\u22121, could be \u22122 to 0"),
    ],
)
def test_the_ends_of_a_share_are_told_only_where_they_differ(mm: float, low: float, high: float, says: str):
    share = {"factor": "low_reservoir", "mm": mm, "low_mm": low, "high_mm": high}
    table = shares_table({"shares": [share], "unexplained_mm": 0.0})
    assert text_of(table.children[1].children[0].children[2]) == says


def test_words_on_the_graph_bring_their_own_ground():
    """They stand on sand or on teal, as the dry line happens to run, and are dark in both themes."""
    told = story_figure(read("story-top-middle.json")).layout.annotations
    on_ground = [note for note in told if "new tips reach" in note.text or "half of the holes" in note.text]
    assert len(on_ground) == 2
    assert all(note.bgcolor and note.text.startswith(" ") for note in on_ground)  # the space: see story.css


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("/story", (None, 12)),
        ("/story/window%20left", ("window left", 12)),
        ("/story/a%2Fb/4", ("a/b", 4)),
        ("/story/x/52", ("x", 52)),
        ("/story/x/99999", ("x", 12)),
        ("/story/x/²", ("x", 12)),
    ],
)
def test_an_address_asks_for_a_pot_and_a_span(path, expected):
    assert asked(path) == expected


def test_the_span_reaches_the_question_in_milliseconds():
    seen: list[Any] = []

    def story(*args: Any) -> dict[str, Any]:
        seen.append(args)
        return read("story-top-middle.json")

    tell(asks(story), "/story/top%20middle/4")
    assert seen == [("top middle", AT_MS - 28 * 86_400_000, AT_MS, AT_MS)]


def test_an_unknown_pot_gets_the_answers_own_sentence():
    def story(*_args: Any) -> dict[str, Any]:
        raise ValueError("There is no pot called ghost.")

    page, facts = tell(asks(story), "/story/ghost")
    assert "There is no pot called ghost." in text_of(page)
    assert facts is None


def test_a_store_that_is_gone_gets_a_sentence(caplog):
    def story(*_args: Any) -> dict[str, Any]:
        raise OSError("the disk is gone")

    assert NO_STORY in text_of(tell(asks(story), "/story/top%20middle")[0])
    assert "the disk is gone" in caplog.text


def test_without_a_pot_every_pot_is_offered():
    page, _ = tell(asks(lambda *_: {}), "/story")
    words = text_of(page)
    assert "window left" in words
    assert "cold corner" in words


def test_a_home_without_pots_says_how_to_begin():
    empty = Ask(now_ms=lambda: AT_MS, wall=lambda _: {"shelves": [{"label": "sill", "pots": []}]}, health=lambda _: {})
    page, _ = tell(empty, "/story")
    assert "No pot is in the logbook yet." in text_of(page)
    assert "/start" in attributes(page, "href")


def test_a_pot_whose_plant_is_not_named_stands_by_its_shelf_alone():
    answer = read("story-top-middle.json") | {"plant": None}
    page, _ = tell(asks(lambda *_: answer), "/story/top%20middle")
    assert "None" not in text_of(page)
    assert answer["shelf"] in text_of(page)


def test_a_time_axis_without_a_value_is_one_of_dates_all_the_same():
    answer = read("story-top-middle.json")
    for name in ("dry", "air", "level", "use"):
        answer[name] = {key: [] for key in answer[name]}
    assert answer["events"]  # the changes are drawn at their moments
    axes = [axis for axis in story_figure(answer).to_dict()["layout"].items() if axis[0].startswith("xaxis")]
    assert {axis["type"] for _, axis in axes} == {"date"}


def test_the_words_of_a_change_of_today_stay_inside_the_figure():
    answer = read("story-top-middle.json")
    moments = (answer["since_ms"] + 1000, answer["until_ms"] - 1000)
    answer["events"] = [{"kind": "repot", "says": f"repotted {n}", "time_ms": at} for n, at in enumerate(moments)]
    anchors = {note.text: note.xanchor for note in story_figure(answer).layout.annotations}
    assert (anchors[" repotted 0 "], anchors[" repotted 1 "]) == ("left", "right")


def test_photos_stand_below_the_time_axis_with_their_days() -> None:
    name = "0" * 32 + ".jpg"
    photos = [{"time_ms": AT_MS, "name": name, "note_id": 1}]
    told, _ = tell(asks(lambda *_: {**read("story-top-middle.json"), "photos": photos}), "/story/top%20middle")
    links = [link for part in told if getattr(part, "className", "") == "story-photos" for link in part.children]
    assert [link.href for link in links] == [f"/photos/{name}"]
    assert links[0].children[0].src == f"/photos/{name}?small"
    assert "2026" in links[0].children[1].children


def test_what_led_up_to_each_look_is_folded_and_absent_where_nobody_looked():
    answer = read("story-top-middle.json")
    page = tell(asks(lambda *_: answer), "/story/top%20middle")[0]
    (fold,) = classed(page, "looks")
    assert text_of(fold).startswith("What led up to each look (2)")
    assert text_of(fold).index("12 Jan 2026") < text_of(fold).index("19 Dec 2025")
    assert not getattr(fold, "open", None)
    answer["looks"] = []
    assert classed(tell(asks(lambda *_: answer), "/story/top%20middle")[0], "looks") == []
