"""What can be said in a note of each kind, as fields of a form: every column and detail of `ingest/logbook/records.py`.

Owns the words and the cautions; checks nothing.
"""

from dashboard.pages.forms import Field, Words, field
from dashboard.pages.setup_fields import (
    DUST,
    GRAINS,
    MEDIA,
    ONE_PLANT,
    cover_fields,
    gap_fields,
    holes_fields,
    medium_fields,
    reservoir_fields,
    size_fields,
    wick_fields,
)

GROUPS: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = (
    (
        "Seen",
        (("inspection", "Inspection, in full"), ("flowering", "Flowering"), ("photo", "Photo"), ("text", "Free words")),
    ),
    ("Water", (("refill", "Filled"), ("flush", "Flushed from the top"), ("feed", "Fed"))),
    (
        "Changed",
        (
            ("repot", "Repotted"),
            ("cover", "Cover"),
            ("holes", "Holes"),
            ("wick", "Wick"),
            ("move", "Moved"),
        ),
    ),
    (
        "Health and end",
        (("treatment", "Treatment"), ("divided", "Divided"), ("died", "Died"), ("gone", "Gone")),
    ),
    ("The collection", (("absence", "Absence"), ("column_test", "Column test"))),
)
TITLES: dict[str, str] = {kind: words for _, kinds in GROUPS for kind, words in kinds}
AIR = "air"
AIR_TITLE = "Note the air of a shelf"
HOW: Words = (
    ("damp_at_top", "damp at the top"),
    ("one_stone", "lifted a stone"),
    ("fingertip", "a fingertip"),
    ("deeper", "looked deeper"),
    ("cannot_see", "could not see"),
)
FOUND: Words = (("empty", "empty"), ("low", "low"), ("half", "half"), ("full", "full"))
TREATMENT = (
    "The product's own label and local rules come first; where they ask for a licence, leave it to who has one. Open a "
    "window; keep alcohol sprays from heat and lamps. Systemic insecticides harm pollinators at open flowers. What "
    "drains out carries residues: keep it from people, animals and other pots."
)
WATER = "One plant, one water: never pour what drained from one pot into another; viruses and rot travel in it."
MOSQUITOES = "Water that stands warm for a week breeds mosquitoes: cover the gap, or change it."
SPREAD = "A plant that died of rot or virus: keep its pot, water and tools apart, and sterilise what is used again."


def _inspection() -> list[Field]:
    return [
        field("dry_layer_low_mm", "Dry layer, at least", "number", unit="mm"),
        field("dry_layer_high_mm", "Dry layer, at most", "number", unit="mm", not_below="dry_layer_low_mm"),
        field("how", "How it was looked at", "choice", words=list(HOW)),
        field("tips", "Root tips counted", "heading"),
        field("tips_growing", "growing", "count"),
        field("tips_stalled", "stalled", "count"),
        field("tips_dried", "dried, papery", "count"),
        field("tips_rotted", "rotted, soft", "count"),
        field("tips_new", "new", "count"),
        field("detail.tips_not_in_medium", "not yet in the medium", "flag"),
        field("detail.resting", "the plant is resting", "flag"),
        field("also", "Also seen", "heading"),
        field("detail.root_hairs", "root hairs", "flag"),
        field("detail.mould", "mould", "flag"),
        field("detail.algae", "algae", "flag"),
        field("detail.salt_crust", "a crust of salt", "flag"),
        field("level_mm", "Water level", "number", unit="mm"),
        field("mass_g", "Mass of the pot", "number", unit="g"),
    ]


def _refill() -> list[Field]:
    return [
        field("detail.found", "Found", "choice", words=list(FOUND)),
        field("detail.filled_to_mark", "filled to the mark", "flag"),
        field("amount_ml", "Poured", "number", unit="ml", hint="Left empty: to the mark, amount unknown."),
        field("detail.level_before_mm", "Level before", "number", unit="mm"),
        field("level_mm", "Level after", "number", unit="mm"),
        field("detail.mass_before_g", "Mass before", "number", unit="g"),
        field("mass_g", "Mass after", "number", unit="g"),
        field("water", WATER, "caution"),
    ]


def _flush() -> list[Field]:
    return [field("amount_ml", "Poured through", "number", unit="ml"), field("water", WATER, "caution")]


def _feed() -> list[Field]:
    return [
        field("amount_ml", "Poured", "number", unit="ml"),
        field("detail.strength", "Strength, of the label's dose", "number", hint="0.5 = half of what the label says."),
        field("detail.grams_per_litre", "or weighed in", "number", unit="g_per_l"),
        field("detail.ec_ms_per_cm", "or by the meter, EC", "number", unit="ms_per_cm"),
        field("detail.ph", "pH", "number"),
        field("detail.product", "Product", "text"),
        field("water", WATER, "caution"),
    ]


def _repot() -> list[Field]:
    change = "detail.change."
    return [
        field("detail.old_medium", "Old medium", "text", hint="How it looked, how old it was."),
        field("detail.roots_kept", "Roots kept", "count"),
        field("detail.roots_lost", "Roots lost", "count"),
        field("detail.cleaned", "Cleaned how", "text"),
        field("tools", ONE_PLANT, "caution"),
        field("new", "What is new: fill in only what changed", "heading"),
        {**field("detail.change.shelf", "Shelf", "choice"), "fill": "shelves"},
        *size_fields(change),
        *reservoir_fields(change),
        *medium_fields(change),
        *cover_fields(change),
        *holes_fields(change),
        *wick_fields(change),
        *gap_fields(change),
        field("dust", DUST, "caution"),
    ]


def _treatment() -> list[Field]:
    return [
        field("detail.against", "Against", "text"),
        field("detail.product", "Product, as its label says", "text"),
        field("detail.repeat_after_days", "Repeat after", "count", unit="days", hint="As the label allows."),
        {**field("detail.batch", "Batch of plants", "text"), "fill": "batches"},
        field("label", TREATMENT, "caution"),
    ]


def _column_test() -> list[Field]:
    return [
        field("detail.mix", "Mix in the tube", "mix", media=list(MEDIA)),
        field("detail.grain", "Grain", "choice", words=list(GRAINS)),
        {**field("detail.shelf", "Beside the hygrometer of shelf", "choice"), "fill": "shelves"},
        field("detail.water_mm", "Standing in water", "number", unit="mm", hint="Usually 20 mm."),
        field("detail.damp_height_low_mm", "Damp up to, at least", "number", unit="mm"),
        field(
            "detail.damp_height_high_mm",
            "Damp up to, at most",
            "number",
            unit="mm",
            not_below="detail.damp_height_low_mm",
        ),
        field("detail.days", "After", "number", unit="days"),
        field("dust", DUST, "caution"),
    ]


def _absence() -> list[Field]:
    return [
        field("detail.until_ms", "Back on", "time", needed=True, missing="Say when you are back."),
        field("standing", MOSQUITOES, "caution"),
    ]


def _end() -> list[Field]:
    return [field("detail.cause", "Why", "text"), field("spread", SPREAD, "caution")]


OWN_FIELDS: dict[str, list[Field]] = {
    "inspection": _inspection(),
    "refill": _refill(),
    "flush": _flush(),
    "feed": _feed(),
    "repot": _repot(),
    "cover": cover_fields("detail.change."),
    "holes": holes_fields("detail.change."),
    "wick": wick_fields("detail.change."),
    "move": [{**field("detail.change.shelf", "To the shelf", "choice", needed=True), "fill": "shelves"}],
    "treatment": _treatment(),
    "column_test": _column_test(),
    "absence": _absence(),
    "photo": [],
    "flowering": [field("detail.spikes", "Spikes", "count")],
    "died": _end(),
    "gone": _end(),
    "divided": [
        field("detail.into", "Into pots", "list", hint="Their labels, with commas between."),
        field("tools", ONE_PLANT, "caution"),
    ],
    "text": [],
}


def note_fields(kind: str) -> list[Field]:
    """The fields of one kind: its own, then what every note may carry."""
    return [
        *OWN_FIELDS[kind],
        field("text", "Words" if kind == "text" else "More words", "lines", needed=kind == "text"),
        field("photos", "Photos", "photos"),
        field("why", "Why you looked or did it", "text"),
        field("detail.by", "Who", "text"),
        field("time", "When", "time", hint="Left empty: now."),
    ]


def air_fields() -> list[Field]:
    """What a hygrometer showed on a shelf: no note, but two readings, sent as the change `spot_check`."""
    hint = "Left empty: now. Noted again for the same minute, the new one counts."
    return [
        {**field("shelf", "Shelf", "choice", needed=True, missing="Choose the shelf."), "fill": "shelves"},
        field("temperature_c", "Temperature", "number", unit="celsius", needed=True, missing="Write the temperature."),
        field(
            "relative_humidity_pct", "Relative humidity", "number", unit="%", needed=True, missing="Write the humidity."
        ),
        field("time", "When", "time", hint=hint),
    ]
