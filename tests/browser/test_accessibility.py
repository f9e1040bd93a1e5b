"""axe-core finds no serious violation on any screen, in both themes and orientations."""

import pytest
from axe_playwright_python.sync_playwright import Axe

GRAVE = ("serious", "critical")


WALL = ("/", "/near", "/pot/top%20middle")
OTHERS = ("/story", "/story/top%20middle", "/workshop")
SCREENS = [
    *((path, size, theme) for path in WALL for size in ((1280, 800), (800, 1280)) for theme in ("light", "dim")),
    *((path, (1280, 800), "light") for path in OTHERS),
    *((path, (800, 1280), "dim") for path in OTHERS),
    *((path, (360, 740), "light") for path in ("/near", *OTHERS[1:])),
]


def grave(page):
    """The serious violations that axe-core finds on an open page."""
    page.clock.resume()  # axe-core waits on timers
    return [
        f"{violation['id']}: {node['html'][:160]} {node['failureSummary'][:300]}"
        for violation in Axe().run(page).response["violations"]
        if violation["impact"] in GRAVE
        for node in violation["nodes"]
    ]


@pytest.mark.parametrize(("path", "size", "theme"), SCREENS)
def test_no_screen_has_a_serious_violation(open_page, path, size, theme):
    page = open_page(path, size, theme)
    if path.startswith("/story/"):
        page.wait_for_selector(".story-graph .main-svg")
    assert grave(page) == []
