"""The cut section: what is drawn stands where the numbers say, and dry and moist are told apart without colour."""

from typing import Any

import pytest

PIXEL = 0.11  # coordinates are written to a tenth of a unit

BUILD: dict[str, Any] = {
    "pot": {"top_diameter_mm": 120, "bottom_diameter_mm": 96, "height_mm": 110},
    "surface_height_mm": 125,
    "headroom_mm": 15,
    "reservoir": {"height_mm": 60, "fill_mark_mm": 50, "area_mm2": None},
    "layers": [{"thickness_mm": 95, "grain": "medium", "mix": {"expanded_clay": 0.6, "lava_rock": 0.4}}],
    "cover": {"kind": "none", "thickness_mm": 0, "replaces_medium": False},
    "vents": {"count": 12, "diameter_mm": 8, "height_mm": 80},
    "wick": {"strands": 1},
    "gap": "narrow",
}


def facts(build: dict[str, Any] | None = None, **other: Any) -> dict[str, Any]:
    plain = {
        "level_mm": 30,
        "dry_layer_mm": {"p10": 12, "p50": 20, "p90": 30},
        "rooting_depth_mm": 20,
        "tips": None,
        "rests_on": "measured",
    }
    return {"build": BUILD | (build or {})} | plain | other


@pytest.fixture
def page(open_page):
    return open_page("/near")


@pytest.fixture
def drawn(page):
    """Draw facts into a sheet of the page; gives the sheet's handle."""

    def draw(what: dict[str, Any], **options: Any) -> Any:
        page.evaluate(
            """([facts, options]) => {
                let sheet = document.getElementById("sheet");
                if (!sheet) { sheet = document.createElement("div"); sheet.id = "sheet"; document.body.append(sheet); }
                sheet.innerHTML = dryline.section.draw(facts, options);
            }""",
            [what, {"form": "large", "width": 470, "height": None, "id": "sheet-cut"} | options],
        )
        return page.locator("#sheet")

    return draw


def start(sheet: Any, part: str) -> tuple[float, float]:
    """The first point of a part's path."""
    x, y = sheet.locator(part).first.get_attribute("d").removeprefix("M").split("L")[0].split(" ")[:2]
    return float(x), float(y)


def line_y(drawn: Any, depth_mm: float, **options: Any) -> float:
    band = {"p10": depth_mm, "p50": depth_mm, "p90": depth_mm}
    return start(drawn(facts(dry_layer_mm=band), **options), ".cut-line")[1]


def test_the_dry_line_stands_to_scale_with_the_pot_and_the_water(drawn):
    y = {depth: line_y(drawn, depth) for depth in (0, 10, 40, 80)}
    scale = (y[80] - y[0]) / 80
    assert y[10] - y[0] == pytest.approx(10 * scale, abs=2 * PIXEL)
    assert y[40] - y[0] == pytest.approx(40 * scale, abs=2 * PIXEL)
    sheet = drawn(facts(level_mm=30))
    water_y = start(sheet, ".cut-water-line")[1]
    assert water_y - y[0] == pytest.approx((125 - 30) * scale, abs=2 * PIXEL)
    left, right = (
        float(number)
        for number in sheet.locator(".cut-water-line").evaluate(
            "line => [line.getBBox().x, line.getBBox().x + line.getBBox().width]"
        )
    )
    assert right - left == pytest.approx(2 * scale * (96 / 2 + 3 + 4 + (30 / 133) * (120 / 2 - 96 / 2)), rel=0.05)


def test_exaggerated_nothing_changes_sides(drawn):
    shallow, deep = line_y(drawn, 39, exaggerate=True), line_y(drawn, 51, exaggerate=True)
    hole = (
        drawn(facts(), exaggerate=True)
        .locator(".cut-hole")
        .evaluate("hole => hole.getBBox().y + hole.getBBox().height / 2")
    )
    assert shallow < hole < deep  # the holes stand 45 mm below the surface


def test_exaggerated_the_upper_40_mm_are_stretched_by_the_factor_that_the_wall_states(drawn, page):
    y = [line_y(drawn, depth, exaggerate=True) for depth in (10, 30, 50, 70)]
    assert (y[1] - y[0]) / (y[3] - y[2]) == pytest.approx(2.7, abs=0.05)
    assert "2.7 times" in page.locator(".stage-note").inner_text()


def test_the_same_facts_are_drawn_the_same_and_a_stone_keeps_its_place_when_the_line_moves(drawn):
    first = drawn(facts()).inner_html()
    assert drawn(facts()).inner_html() == first
    below = drawn(facts()).locator(".cut-moist").first.get_attribute("d")
    deeper = drawn(facts(dry_layer_mm={"p10": 21, "p50": 22, "p90": 23})).locator(".cut-moist").first.get_attribute("d")
    assert set(deeper.split("M")) <= set(below.split("M"))


def test_a_guess_is_a_band_without_a_line(drawn):
    sheet = drawn(facts(rests_on="guessed"))
    assert sheet.locator(".cut-line").count() == 0
    assert sheet.locator(".cut-band-guessed").count() == 1
    assert "guessed from how it is built" in sheet.locator("svg").get_attribute("aria-label")


def test_what_is_not_known_is_left_open(drawn):
    sheet = drawn(facts(dry_layer_mm=None, level_mm=None))
    assert sheet.locator(".cut-line, .cut-band, .cut-dry, .cut-moist, .cut-water").count() == 0
    assert sheet.locator(".cut-open").count() > 0
    assert sheet.locator(".cut-water-unknown").count() == 1
    assert sheet.locator("svg").get_attribute("aria-label") == "dry line not known; water level not known"


def test_moist_at_the_surface_leaves_no_dry_grain(drawn):
    sheet = drawn(facts(dry_layer_mm={"p10": 0, "p50": 0, "p90": 2}))
    clip = sheet.locator("clipPath[id$='-d'] rect").evaluate("rect => rect.getBBox().height")
    top = min(start(sheet, ".cut-line")[1], 1e6)
    assert clip == pytest.approx(top, abs=PIXEL)
    assert "moist at the surface" in sheet.locator("svg").get_attribute("aria-label")


def test_parts_that_a_pot_lacks_are_not_drawn(drawn):
    sheet = drawn(facts({"vents": None, "wick": None}))
    assert sheet.locator(".cut-hole, .cut-wick, .cut-cover").count() == 0
    pebbles = drawn(facts({"cover": {"kind": "pebbles", "thickness_mm": 20, "replaces_medium": False}}))
    assert pebbles.locator(".cut-cover").count() == 1


def test_under_a_porous_cover_depth_is_counted_from_the_top_of_the_cover(drawn):
    moss = {"cover": {"kind": "sphagnum_moss", "thickness_mm": 20, "replaces_medium": False}}
    bare, covered = drawn(facts()), None
    bare_line, bare_water = start(bare, ".cut-line")[1], start(bare, ".cut-water-line")[1]
    covered = drawn(facts(moss))
    raised = (start(covered, ".cut-water-line")[1] - start(covered, ".cut-line")[1]) - (bare_water - bare_line)
    scale = (line_y(drawn, 80) - line_y(drawn, 0)) / 80
    assert raised == pytest.approx(20 * scale, rel=0.1)


@pytest.mark.parametrize(
    ("state", "part"),
    [
        ("growing", ".cut-tip-growing"),
        ("stalled", ".cut-tip-stalled"),
        ("dried", ".cut-tip-dried"),
        ("rotted", ".cut-tip-rotted"),
    ],
)
def test_each_state_of_a_root_tip_has_a_shape_of_its_own(drawn, state, part):
    tips = dict.fromkeys(("growing", "stalled", "dried", "rotted", "new"), 0) | {state: 1}
    sheet = drawn(facts(tips=tips))
    shapes = [".cut-tip-growing", ".cut-tip-stalled", ".cut-tip-dried", ".cut-tip-rotted"]
    assert [shape for shape in shapes if sheet.locator(shape).count()] == [part]
    assert f"1 {state}" in sheet.locator("svg").get_attribute("aria-label")


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (https://www.w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    parts = [int(colour.strip()[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("theme", ["light", "dim"])
def test_dry_and_moist_differ_in_lightness_for_eyes_that_see_no_colour(open_page, theme):
    page = open_page("/near", theme=theme)
    tone = "name => getComputedStyle(document.documentElement).getPropertyValue(name)"
    dry = [luminance(page.evaluate(tone, f"--sand-{n}")) for n in range(1, 5)]
    moist = [luminance(page.evaluate(tone, f"--teal-{n}")) for n in range(1, 5)]
    assert (min(dry) + 0.05) / (max(moist) + 0.05) >= 1.9
    ground = luminance(page.evaluate(tone, "--teal-ground"))
    assert (min(dry) + 0.05) / (ground + 0.05) >= 3.0
