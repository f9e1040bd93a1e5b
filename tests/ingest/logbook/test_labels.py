"""The sheet of labels: one page with everything in it, words shown as words."""

from html.parser import HTMLParser
from urllib.parse import quote

import segno

from ingest.logbook.labels import label_sheet
from ingest.logbook.records import Pot

POTS = [Pot(label='<b>"window" & left', plant="Cattleya <hybrid>"), Pot(label="Überhang")]


def address(label: str) -> str:
    return f"http://glasshouse.local:8050/pot/{quote(label)}"


class Page(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        assert not {name for name, _ in attrs} & {"src", "href", "onload"}

    def handle_data(self, data):
        self.words.append(data)


def test_every_pot_has_its_words_and_its_own_code():
    sheet = label_sheet(POTS, address)
    page = Page()
    page.feed(sheet)
    assert page.tags.count("article") == page.tags.count("svg") == 2
    assert "b" not in page.tags
    assert {'<b>"window" & left', "Cattleya <hybrid>", "Überhang"} <= set(page.words)


def test_the_code_holds_the_address_of_the_pot():
    # Read back as the modules that the library draws for that address; a phone's reading cannot be tested here.
    path = segno.make(address("Überhang"), error="m", micro=False).svg_inline(border=4, omitsize=True)
    drawn = path.split(' d="')[1].split('"')[0]
    assert drawn in label_sheet(POTS, address)
    other = segno.make(address("Uberhang"), error="m", micro=False).svg_inline(border=4, omitsize=True)
    assert other.split(' d="')[1].split('"')[0] not in label_sheet(POTS, address)
