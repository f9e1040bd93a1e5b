"""The fields of a pot's set-up, for every form that describes or changes one.

Names each key of `ingest.logbook.records.Description` once, with the words that people use; checks nothing.
"""

from collections.abc import Sequence

from dashboard.pages.forms import Field, Words, field

MEDIA: Words = (
    ("expanded_clay", "expanded clay"),
    ("lava_rock", "lava rock"),
    ("pumice", "pumice"),
    ("porous_ceramic", "porous ceramic"),
    ("perlite", "perlite"),
    ("zeolite", "zeolite"),
    ("bark", "bark"),
    ("charcoal", "charcoal"),
    ("coir", "coir"),
    ("sphagnum_moss", "sphagnum moss"),
    ("sand", "sand"),
    ("pebbles", "pebbles"),
)
GRAINS: Words = (("fine", "fine"), ("medium", "medium"), ("coarse", "coarse"))
PEBBLES = (
    "Pebbles: rinse them and test one for lime with a drop of vinegar (it must not foam). Never over a crown or a "
    "rhizome; mind top-heavy pots and what the shelf can bear."
)
HOLES = "Empty the pot before you make holes. Mind cuts, and fumes from a hot tool: open a window."
DUST = "Dry media give off dust: damp them first, and keep your face away."
ONE_PLANT = (
    "One plant, one water; clean or flame the blade between plants: viruses and rot travel on tools and in water."
)


def size_fields(prefix: str = "") -> list[Field]:
    """The inner pot."""
    return [
        field(f"{prefix}pot.size_cm", "Pot, trade size", "number", unit="cm"),
        field(f"{prefix}pot.top_diameter_mm", "or diameter at the top", "number", unit="mm"),
        field(f"{prefix}pot.bottom_diameter_mm", "diameter at the bottom", "number", unit="mm"),
        field(f"{prefix}pot.height_mm", "height of the pot", "number", unit="mm"),
    ]


def reservoir_fields(prefix: str = "") -> list[Field]:
    """What holds the water."""
    return [
        field(
            f"{prefix}reservoir.fill_ml",
            "From empty to the mark",
            "number",
            unit="ml",
            hint="Empty it, pour to the mark, read what went in.",
        ),
        field(f"{prefix}reservoir.fill_mark_mm", "Height of the mark", "number", unit="mm"),
        field(f"{prefix}reservoir.height_mm", "Height of the outer pot's inside", "number", unit="mm"),
        field(f"{prefix}reservoir.area_mm2", "or its floor area", "number", unit="mm2"),
        field(
            f"{prefix}reservoir.medium_fraction",
            "Part of it full of stones",
            "number",
            hint="0 = open water, 1 = full of stones or medium.",
        ),
    ]


def medium_fields(prefix: str = "") -> list[Field]:
    """Layers and where their surface stands."""
    return [
        field(f"{prefix}layers", "Layers of medium, from the top", "layers", media=list(MEDIA)),
        field(
            f"{prefix}surface_height_mm",
            "Surface above the reservoir's floor",
            "number",
            unit="mm",
            hint="Of the medium, without its cover.",
        ),
        field(f"{prefix}surface_to_water_mm", "or surface to water, when filled", "number", unit="mm"),
        field(f"{prefix}headroom_mm", "Headroom from surface to rim", "number", unit="mm"),
    ]


def cover_fields(prefix: str = "") -> list[Field]:
    """What lies on top of the medium."""
    covers = (("none", "no cover"), ("pebbles", "pebbles"), *(m for m in MEDIA if m[0] != "pebbles"))
    some = [kind for kind, _ in covers if kind != "none"]
    kind = f"{prefix}top_layer.kind"
    return [
        field(kind, "Cover", "choice", words=list(covers)),
        field(f"{prefix}top_layer.thickness_mm", "Thickness of the cover", "number", unit="mm", **{"if": (kind, some)}),
        field(
            f"{prefix}top_layer.grain",
            "Grain of the cover",
            "choice",
            words=list(GRAINS),
            **{"if": (kind, some)},
        ),
        field(
            f"{prefix}top_layer.replaces_medium",
            "It replaces the uppermost medium",
            "flag",
            **{"if": (kind, some)},
        ),
        field(f"{prefix}pebbles-caution", PEBBLES, "caution", **{"if": (kind, ["pebbles"])}),
    ]


def holes_fields(prefix: str = "") -> list[Field]:
    """Holes in the wall of the pot."""
    holes = f"{prefix}vents"
    counted = {"if": (holes, ["="])}
    return [
        field(
            holes,
            "Holes in the wall",
            "choice",
            words=[("none", "none"), ("few", "few"), ("many", "many"), ("=", "counted")],
        ),
        field(f"{holes}.count", "Open holes", "count", needed=True, **counted),
        field(f"{holes}.diameter_mm", "Diameter of a hole", "number", unit="mm", **counted),
        field(f"{holes}.wall_mm", "Thickness of the wall", "number", unit="mm", **counted),
        field(f"{holes}.height_mm", "Height of the holes above the floor", "number", unit="mm", **counted),
        field(f"{prefix}holes-caution", HOLES, "caution"),
    ]


def wick_fields(prefix: str = "") -> list[Field]:
    """What carries water up."""
    wick = f"{prefix}wick"
    counted = {"if": (wick, ["="])}
    return [
        field(
            wick,
            "Wick",
            "choice",
            words=[("none", "none"), ("one", "one"), ("several", "several"), ("=", "counted")],
        ),
        field(f"{wick}.strands", "Strands", "count", needed=True, **counted),
        field(f"{wick}.material", "Made of", "text", **counted),
    ]


def gap_fields(prefix: str = "") -> list[Field]:
    """The gap round the pot in its outer pot."""
    words = [("none", "no gap"), ("narrow", "narrow"), ("wide", "wide")]
    return [field(f"{prefix}gap", "Gap to the outer pot", "choice", words=words)]


def shelf_field(shelves: Sequence[str], prefix: str = "", *, needed: bool = True) -> Field:
    """Where the pot stands."""
    return field(f"{prefix}shelf", "Shelf", "choice", words=[(shelf, shelf) for shelf in shelves], needed=needed)


def setup_fields(prefix: str = "") -> list[Field]:
    """Everything but the shelf: the pot, its reservoir, medium, cover, holes, wick and gap, under headings."""
    parts = (
        ("pot", "Pot", size_fields),
        ("reservoir", "Reservoir", reservoir_fields),
        ("medium", "Medium", medium_fields),
        ("cover", "Cover", cover_fields),
        ("holes", "Holes, wick and gap", holes_fields),
        ("wick", None, wick_fields),
        ("gap", None, gap_fields),
    )
    fields: list[Field] = []
    for name, heading, made in parts:
        if heading:
            fields.append(field(f"{prefix}{name}-heading", heading, "heading"))
        fields += made(prefix)
    return fields
