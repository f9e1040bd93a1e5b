"""What both pages of the guide say alike: headings of an advice, ways to a pot, what is not known, the cautions.

Knows the shape of the guide's answer; lays out no page.
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

from dash import html

from analysis.quantities import in_units, marked
from dashboard.pages import Answer

HONEST = (
    "No supply curve for these media is published, and depths are unproven on real pots: "
    "try one of two pots, look after two weeks, then the rest."
)
NOT_MODELLED = (
    "What holes do for the air at the roots is not modelled: closing them may cost what this guide cannot see."
)
MAP = "Map of dry air against holes or air movement"
CAUTIONS = (
    "Pebbles: rinse them, test them for lime (vinegar must not foam), off crown and rhizome; mind the weight.",
    "Holes: empty the pot before you make any; mind cuts, and fumes where plastic is melted.",
    "Dry media give dust: damp them before you pour, and keep the dust out of your lungs.",
    "One plant, one water, one tool: viruses and rot travel in shared water and on blades; sterilise between plants.",
    "Treatments and plant protection: the label, local rules and licensed practice come before anything said here.",
)


def group_of(pot: Mapping[str, Any]) -> str:
    """Which of the four groups a pot stands in: change, look, leave or silent."""
    if not pot["options"]:
        return "silent"
    if not pot["sure"] and not pot["no_better"]:
        return "look"
    return "leave" if pot["advice"] in (None, "leave") else "change"


def change_words(change: str, units: str) -> str:
    """An option's words, its lengths in the grower's units."""
    return str(in_units(marked(change), units))


def title_of(change: str, units: str) -> str:
    """An option's words as a heading."""
    words = change_words(change, units)
    return "Leave it as it is" if change == "leave" else f"{words[0].upper()}{words[1:]}"


def heading_of(pot: Mapping[str, Any], units: str) -> str:
    """The advice in a few words; for a pot to be looked at first, what it might come to."""
    if not pot["advice"]:
        return "No answer"
    if group_of(pot) != "look":
        return title_of(pot["advice"], units)
    return "Look first" if pot["advice"] == "leave" else f"Look first; perhaps {change_words(pot['advice'], units)}"


def reason_of(pot: Mapping[str, Any], units: str) -> str:
    """The one reason, without the words of the heading above it."""
    says = str(in_units(pot["says"], units))
    reason = says.removeprefix(f"{heading_of(pot, units)}: ")
    return f"{reason[:1].upper()}{reason[1:]}"


def foot() -> Any:
    """The cautions, and what is not known."""
    return html.Div(
        [
            html.Details(
                [html.Summary("Cautions"), html.Ul([html.Li(one) for one in CAUTIONS])], className="guide-more"
            ),
            html.P([HONEST, " ", NOT_MODELLED], className="guide-honest"),
        ]
    )


def cuts_of(wall: Answer) -> dict[str, Any]:
    """The facts of every pot's section, by label."""
    return {pot["label"]: pot["section"] for shelf in wall["shelves"] for pot in shelf["pots"]}


def sentence(words: str) -> Any:
    """The sentence where the answer would stand."""
    return html.Div(
        [html.H1("No advice"), html.P(words), html.P(html.A("All pots", href="/guide", **inner()))], className="plain"
    )


def pot_path(pot: str) -> str:
    """The address of a pot in the guide."""
    return f"/guide/{quote(pot, safe='')}"


def look_path(pot: str) -> str:
    """The address at which a pot is inspected."""
    return f"/logbook/{quote(pot, safe='')}"


def inner() -> dict[str, Any]:
    """A link that is followed without a reload."""
    return {"data-in": ""}


def named(label: str) -> dict[str, Any]:
    """A name for those who do not see what it is."""
    return {"aria-label": label}
