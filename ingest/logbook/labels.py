"""A sheet of labels to print: each pot's name, plant and a code that opens its page.

Pure: words in, one HTML page out, with everything inside it (no other file, no other host).
"""

from collections.abc import Callable, Sequence
from html import escape

import segno

from ingest.logbook.records import Pot

_STYLE = """
@page { size: A4; margin: 10mm }
body { margin: 0; font: 10pt/1.25 sans-serif; color: #000; background: #fff }
main { display: grid; grid-template-columns: repeat(3, 1fr); gap: 3mm }
article { display: grid; grid-template-columns: 20mm 1fr; gap: 2mm; align-items: center; padding: 2mm;
  border: 0.2mm dashed #888; break-inside: avoid; overflow: hidden }
svg { width: 20mm; height: 20mm }
strong { display: block; font-size: 12pt; overflow-wrap: anywhere }
"""


def label_sheet(pots: Sequence[Pot], address_of: Callable[[str], str]) -> str:
    """An HTML page of labels, 20 mm codes, three a row. `address_of` gives the address of a pot's page."""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Pot labels</title>'
        f"<style>{_STYLE}</style></head><body><main>{''.join(_label(pot, address_of(pot.label)) for pot in pots)}"
        "</main></body></html>"
    )


def _label(pot: Pot, address: str) -> str:
    # Medium correction: a label beside water gets spots.
    code = segno.make(address, error="m", micro=False)
    svg = code.svg_inline(border=4, omitsize=True, title=f"Opens the page of {pot.label}")
    return f"<article>{svg}<div><strong>{escape(pot.label)}</strong>{escape(pot.plant or '')}</div></article>"
