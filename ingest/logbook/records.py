"""The vocabulary of the logbook: shelves, pots, set-ups, pot types, sensors and every kind of note.

Owns which keys and words exist and what a sane value is; knows no table, no file and no clock.
Words and exact numbers both serve: a key holds either, and is kept as it was given (120 stays 120).
A key that was not given is absent, never a guessed default: what is unknown is for the analysis to widen.
"""

import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import fields
from datetime import date
from itertools import pairwise
from typing import Annotated, Any, Literal, TypeVar, get_args

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    PlainValidator,
    Tag,
    ValidationError,
    model_validator,
)

from ingest.logbook.refusals import Fault, Refused, faults_of, listed, named, nearest
from ingest.moments import EARLIEST_MS, LATEST_MS, zone_named
from ingest.sensors import Placement, Sensor

Medium = Literal[
    "expanded_clay",
    "lava_rock",
    "pumice",
    "porous_ceramic",
    "perlite",
    "zeolite",
    "bark",
    "charcoal",
    "coir",
    "sphagnum_moss",
    "sand",
    "pebbles",
]
Cover = Literal["none", Medium]
Air = Literal["still", "gentle", "draughty"]
Heat = Literal["none", "lamp", "sun", "heat_mat"]
Likes = Literal["wetter", "even", "airy"]
Roots = Literal["fine", "thick"]
Grain = Literal["fine", "medium", "coarse"]
Share = Literal["mostly", "half", "some", "little"]
Gap = Literal["none", "narrow", "wide"]
VentsWord = Literal["none", "few", "many"]
WickWord = Literal["none", "one", "several"]
How = Literal["damp_at_top", "one_stone", "fingertip", "deeper", "cannot_see"]
Found = Literal["empty", "low", "half", "full"]
Payload = Literal["senml", "number", "json"]
Quantity = Literal[
    "air_temperature",
    "relative_humidity",
    "reservoir_level",
    "reservoir_low",
    "pot_mass",
    "air_speed",
    "battery",
    "online",
]
Kind = Literal[
    "inspection",
    "refill",
    "flush",
    "feed",
    "repot",
    "cover",
    "holes",
    "wick",
    "move",
    "treatment",
    "column_test",
    "absence",
    "photo",
    "flowering",
    "died",
    "gone",
    "divided",
    "text",
]
KINDS: tuple[str, ...] = get_args(Kind)
MEDIA: tuple[str, ...] = get_args(Medium)
CHANGING: tuple[str, ...] = ("repot", "cover", "holes", "wick", "move")  # notes that may open a set-up
ENDING: tuple[str, ...] = ("died", "gone")  # notes that close the last one

_UNSEEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff]")


# --- what one value may be ------------------------------------------------------------------------------------------


def _number(low: float, high: float, *, above: bool = False, whole: bool = False) -> Callable[[object], float]:
    """A finite number in a range, kept as the int or float it came as."""
    span = f"above {low:g} and at most {high:.15g}" if above else f"from {low:.15g} to {high:.15g}"
    noun = "a whole number" if whole else "a number"

    def check(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)):
            raise ValueError(f"{named(value)} is not {noun}.")
        # Written so that NaN fails too.
        if not (low < value <= high if above else low <= value <= high):
            raise ValueError(f"{named(value)} is not {noun} {span}.")
        return value

    return check


Positive = Annotated[int | float, PlainValidator(_number(0, 1e7, above=True))]
NotNegative = Annotated[int | float, PlainValidator(_number(0, 1e7))]
Number = Annotated[int | float, PlainValidator(_number(-1e12, 1e12))]
Fraction = Annotated[int | float, PlainValidator(_number(0, 1))]
Hours = Annotated[int | float, PlainValidator(_number(0, 24))]
Acidity = Annotated[int | float, PlainValidator(_number(0, 14))]
Count = Annotated[int, PlainValidator(_number(0, 100_000, whole=True))]
Days = Annotated[int, PlainValidator(_number(1, 3650, whole=True))]
TimeMs = Annotated[int, PlainValidator(_number(EARLIEST_MS, LATEST_MS, whole=True))]


def _text(longest: int, *, lines: bool) -> Callable[[object], str]:
    def check(value: object) -> str:
        if not isinstance(value, str):
            raise ValueError(f"{named(value)} is not text.")
        # One form for the eye and the index, one kind of line end: text then survives every way out and in.
        text = unicodedata.normalize("NFC", value.replace("\r\n", "\n").replace("\r", "\n")).strip()
        if _UNSEEN.search(text) or (not lines and ("\n" in text or "\t" in text)):
            raise ValueError("it holds a control character that cannot be seen; take it out.")
        if len(text) > longest:
            raise ValueError(f"it is {len(text)} characters long; {longest} is the most.")
        return text

    return check


def _label(value: object) -> str:
    text = _text(80, lines=False)(value)
    if not text:
        raise ValueError("a label cannot be empty.")
    return text


def _shelf_label(value: object) -> str:
    text = _label(value)
    if "/" in text:
        raise ValueError(f"{named(text)}: a shelf's label cannot hold '/', which parts shelf from pot.")
    return text


def _place(value: object) -> str:
    text = _text(170, lines=False)(value)
    shelf, slash, pot = text.partition("/")
    _shelf_label(shelf)
    if slash:
        _label(pot)
    return f"{shelf.strip()}/{pot.strip()}" if slash else shelf.strip()


def _zone(value: object) -> str:
    text = _label(value)
    zone_named(text)
    return text


def _topic(value: object) -> str:
    text = _text(500, lines=False)(value)
    if not text or "#" in text or "+" in text:
        raise ValueError(f"{named(text)} is not a topic: it cannot be empty nor hold '#' or '+'.")
    return text


def _word(value: object) -> object:
    """A word as people write it: `damp at top`, `A fingertip` -> `damp_at_top`, `fingertip`."""
    if not isinstance(value, str):
        return value
    return "_".join(part for part in re.split(r"[\s_]+", value.strip().lower()) if part not in ("a", "an"))


Label = Annotated[str, PlainValidator(_label)]
ShelfLabel = Annotated[str, PlainValidator(_shelf_label)]
Place = Annotated[str, PlainValidator(_place)]
Line = Annotated[str, PlainValidator(_text(400, lines=False))]
Text = Annotated[str, PlainValidator(_text(20_000, lines=True))]
Zone = Annotated[str, PlainValidator(_zone)]
Topic = Annotated[str, PlainValidator(_topic)]


class Record(BaseModel):
    """Plain, frozen, and strict about its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    def given(self) -> dict[str, Any]:
        """The keys that were given, as plain data."""
        return self.model_dump(exclude_unset=True)


# --- the set-up of a pot --------------------------------------------------------------------------------------------


class PotSize(Record):
    """The inner pot, measured or by its trade size."""

    top_diameter_mm: Positive | None = None
    bottom_diameter_mm: Positive | None = None
    height_mm: Positive | None = None
    size_cm: Positive | None = None


class Reservoir(Record):
    """What holds the water: its floor area, or how much was poured from empty to the mark."""

    area_mm2: Positive | None = None
    height_mm: Positive | None = None
    fill_mark_mm: Positive | None = None
    fill_ml: Positive | None = None
    medium_fraction: Fraction | None = None


def _is_word(value: object) -> str:
    return "word" if isinstance(value, str) else "table"


def _grain(value: object) -> object:
    if isinstance(value, str):
        if value not in get_args(Grain):
            raise ValueError(f"{named(value)} is not a grain; it may be fine, medium, coarse, or its size in mm.")
        return value
    return _number(0, 100, above=True)(value)


def _mix(value: object) -> object:
    """`unknown`, or a table of media with fractions that add up to 1, or with the words mostly, half, some, little."""
    if value == "unknown":
        return value
    if not isinstance(value, Mapping) or not value:
        raise ValueError(f"{named(value)} is not a mix: name its media, or say 'unknown'.")
    for medium in value:
        if medium not in MEDIA:
            raise ValueError(f"there is no medium {named(medium)}; {nearest(medium, MEDIA)}")
    shares = list(value.values())
    if all(isinstance(share, str) for share in shares):
        wrong = [share for share in shares if share not in get_args(Share)]
        if wrong:
            raise ValueError(f"{named(wrong[0])} is not a share; it may be {listed(get_args(Share))}, or a number.")
    else:
        if any(isinstance(share, str) for share in shares):
            raise ValueError("its shares are words and numbers mixed; give all of one sort.")
        total = sum(_number(0, 1, above=True)(share) for share in shares)
        if abs(total - 1) > 0.011:
            raise ValueError(f"its fractions add up to {total:g}, not to 1.")
    return dict(value)


class Layer(Record):
    """One layer of medium."""

    thickness_mm: Positive | None = None
    grain: Annotated[Any, PlainValidator(_grain)] | None = None
    mix: Annotated[Any, PlainValidator(_mix)] = "unknown"


class TopLayer(Record):
    """The cover on the medium, on top of it or in the place of its uppermost part."""

    kind: Cover
    thickness_mm: NotNegative | None = None
    replaces_medium: bool | None = None
    grain: Annotated[Any, PlainValidator(_grain)] | None = None


class Vents(Record):
    """Holes in the wall of the pot."""

    count: Count
    diameter_mm: Positive | None = None
    wall_mm: Positive | None = None
    height_mm: NotNegative | None = None


class Wick(Record):
    """What carries water from the reservoir into the pot."""

    strands: Count
    material: Line | None = None


VentsOrWord = Annotated[Annotated[VentsWord, Tag("word")] | Annotated[Vents, Tag("table")], Discriminator(_is_word)]
WickOrWord = Annotated[Annotated[WickWord, Tag("word")] | Annotated[Wick, Tag("table")], Discriminator(_is_word)]


class Description(Record):
    """How a pot is built, layers listed from the top; everything but the shelf it stands on."""

    pot: PotSize | None = None
    reservoir: Reservoir | None = None
    surface_height_mm: Positive | None = None
    surface_to_water_mm: Positive | None = None
    layers: list[Layer] | None = None
    top_layer: TopLayer | None = None
    headroom_mm: NotNegative | None = None
    vents: VentsOrWord | None = None
    wick: WickOrWord | None = None
    gap: Gap | None = None


class SetUp(Description):
    """A pot's set-up while it is in force: how it is built and on which shelf it stands."""

    shelf: ShelfLabel


class SetUpChange(Description):
    """The keys of a set-up that a change replaces, each as a whole."""

    shelf: ShelfLabel | None = None


# --- shelves, pots, pot types, sensors ------------------------------------------------------------------------------


class Shelf(Record):
    """A place with one climate. `air_from` names the shelf whose air it borrows when it has no sensor."""

    label: ShelfLabel
    air: Air | None = None
    heat: Heat | None = None
    hours_per_day: Hours | None = None
    air_from: ShelfLabel | None = None


class Pot(Record):
    """A pot and its plant; where it stands and how it is built are its dated set-ups."""

    label: Label
    plant: Line | None = None
    likes: Likes | None = None
    roots: Roots | None = None
    type: Label | None = None
    batch: Label | None = None
    acquired_on: date | None = None
    acquired_from: Line | None = None
    isolated_until: date | None = None
    gone_ms: TimeMs | None = None


class PotType(Description):
    """A template for set-ups of pots that are built alike."""

    label: Label
    likes: Likes | None = None
    roots: Roots | None = None


class Placed(Record):
    """From when to when a sensor served a place; an open end lasts until the next placement."""

    from_ms: TimeMs
    to_ms: TimeMs | None = None
    at: Place


def _points(value: object) -> tuple[tuple[float, float], ...]:
    """Calibration points raw -> unit, with raw rising strictly and the unit rising or falling throughout."""
    if not isinstance(value, (list, tuple)):
        raise ValueError(f"{named(value)} is not a list of [raw, value] pairs.")
    number = _number(-1e12, 1e12)
    points = []
    for pair in value:
        if not isinstance(pair, (list, tuple)) or len(pair) != 2:
            raise ValueError(f"{named(pair)} is not a [raw, value] pair.")
        points.append((number(pair[0]), number(pair[1])))
    if len(points) == 1:
        raise ValueError("a calibration needs two points or more.")
    raws = [raw for raw, _ in points]
    if any(later <= earlier for earlier, later in pairwise(raws)):
        raise ValueError("the raw numbers of a calibration must rise from point to point.")
    steps = [later[1] - earlier[1] for earlier, later in pairwise(points)]
    if any(step > 0 for step in steps) and any(step < 0 for step in steps):
        raise ValueError("a calibration must rise or fall throughout; this one turns back.")
    return tuple(points)


class SensorRecord(Record):
    """A sensor as a person describes it; `plain()` is the form that the rest of the program reads."""

    topic: Topic
    payload: Payload
    field: Annotated[str, PlainValidator(_text(500, lines=False))] = ""
    quantity: Quantity
    unit: Line = ""
    calibration: Annotated[Any, PlainValidator(_points)] = ()
    placed: tuple[Placed, ...] = ()
    time_field: Line | None = None
    time_format: Line | None = None
    time_zone: Zone | None = None
    interval_s: Positive | None = None
    height_mm: NotNegative | None = None
    online_topic: Topic | None = None
    label: Label | None = None

    @model_validator(mode="after")
    def _bare_number_has_no_field(self) -> "SensorRecord":
        if self.payload == "number" and self.field:
            raise ValueError("a bare number has no field; leave 'field' out.")
        return self

    def plain(self) -> Sensor:
        """As `ingest.sensors.Sensor`."""
        known = {name: getattr(self, name) for name in SensorRecord.model_fields if name != "placed"}
        return Sensor(**known, placed=tuple(Placement(p.from_ms, p.to_ms, p.at) for p in self.placed))


def sensor_record(sensor: Sensor) -> SensorRecord:
    """A plain sensor, checked."""
    known = {field.name: getattr(sensor, field.name) for field in fields(sensor)}
    values = {name: value for name, value in known.items() if value is not None and name != "placed"}
    placed = [{"from_ms": p.from_ms, "to_ms": p.to_ms, "at": p.at} for p in sensor.placed]
    return checked(SensorRecord, {**values, "placed": placed}, f"sensor {named(sensor.source)}")


# --- notes ----------------------------------------------------------------------------------------------------------


class Detail(Record):
    """What any note may carry beside its columns."""

    by: Line | None = None
    photos: list[Line] | None = None


class InspectionDetail(Detail):
    """What was seen beside depth and tips."""

    tips_not_in_medium: bool | None = None
    resting: bool | None = None
    root_hairs: bool | None = None
    mould: bool | None = None
    algae: bool | None = None
    salt_crust: bool | None = None


class RefillDetail(Detail):
    """`level_mm` and `mass_g` of a refill are read after filling; what was there before stands here."""

    filled_to_mark: bool | None = None
    found: Found | None = None
    level_before_mm: NotNegative | None = None
    mass_before_g: NotNegative | None = None


class FeedDetail(Detail):
    """Strength as a share of the label's dose, or by what was weighed, or by the meter."""

    strength: NotNegative | None = None
    grams_per_litre: NotNegative | None = None
    ec_ms_per_cm: NotNegative | None = None
    ph: Acidity | None = None
    product: Line | None = None


class ChangeDetail(Detail):
    """A change of set-up: the keys that it replaces."""

    change: SetUpChange | None = None


class RepotDetail(ChangeDetail):
    """A repot, with what became of medium and roots."""

    old_medium: Line | None = None
    roots_kept: Count | None = None
    roots_lost: Count | None = None
    cleaned: Line | None = None


class TreatmentDetail(Detail):
    """What a treatment was against, with what (as its label says), and when it is due again."""

    against: Line | None = None
    product: Line | None = None
    repeat_after_days: Days | None = None
    batch: Label | None = None


class ColumnTestDetail(Detail):
    """A clear tube of a mix standing in water beside a hygrometer: how high it is damp."""

    mix: Annotated[Any, PlainValidator(_mix)] = "unknown"
    grain: Annotated[Any, PlainValidator(_grain)] | None = None
    shelf: ShelfLabel | None = None
    water_mm: NotNegative | None = None
    damp_height_low_mm: NotNegative | None = None
    damp_height_high_mm: NotNegative | None = None
    days: Positive | None = None


class AbsenceDetail(Detail):
    """Away from the note's time until then."""

    until_ms: TimeMs | None = None


class FloweringDetail(Detail):
    """Spikes counted."""

    spikes: Count | None = None


class EndDetail(Detail):
    """Why a plant died or went."""

    cause: Line | None = None


class DividedDetail(Detail):
    """The labels of the pots that a plant was divided into."""

    into: list[Label] | None = None


DETAIL_OF: dict[str, type[Detail]] = {
    "inspection": InspectionDetail,
    "refill": RefillDetail,
    "flush": Detail,
    "feed": FeedDetail,
    "repot": RepotDetail,
    "cover": ChangeDetail,
    "holes": ChangeDetail,
    "wick": ChangeDetail,
    "move": ChangeDetail,
    "treatment": TreatmentDetail,
    "column_test": ColumnTestDetail,
    "absence": AbsenceDetail,
    "photo": Detail,
    "flowering": FloweringDetail,
    "died": EndDetail,
    "gone": EndDetail,
    "divided": DividedDetail,
    "text": Detail,
}
WITHOUT_POT = ("column_test", "absence", "treatment", "photo", "text")  # may concern the whole collection


class Note(Record):
    """Anything a person logs. `id`, `version` and `withdrawn` are the logbook's; the rest is the person's.

    The depth of the dry layer is an interval and `how` it was looked at. A refill without an amount means
    "filled to the mark, amount unknown".
    """

    time_ms: TimeMs
    pot: Label | None = None
    kind: Annotated[Kind, BeforeValidator(_word)]
    dry_layer_low_mm: NotNegative | None = None
    dry_layer_high_mm: NotNegative | None = None
    how: Annotated[How, BeforeValidator(_word)] | None = None
    tips_growing: Count | None = None
    tips_stalled: Count | None = None
    tips_dried: Count | None = None
    tips_rotted: Count | None = None
    tips_new: Count | None = None
    level_mm: NotNegative | None = None
    mass_g: NotNegative | None = None
    amount_ml: NotNegative | None = None
    why: Line | None = None
    text: Text | None = None
    detail: dict[str, Any] = {}
    id: int | None = None
    version: int | None = None
    withdrawn: bool = False

    @model_validator(mode="after")
    def _makes_sense(self) -> "Note":
        low, high = self.dry_layer_low_mm, self.dry_layer_high_mm
        if low is not None and high is not None and low > high:
            raise ValueError(f"the dry layer cannot be between {low:g} and {high:g} mm: the low end is above the high.")
        if self.pot is None and self.kind not in WITHOUT_POT:
            raise ValueError(f"a note of kind {named(self.kind)} needs a pot.")
        return self


NOTE_COLUMNS: tuple[str, ...] = (
    "time",
    "pot",
    "kind",
    "dry_layer_low_mm",
    "dry_layer_high_mm",
    "how",
    "tips_growing",
    "tips_stalled",
    "tips_dried",
    "tips_rotted",
    "tips_new",
    "level_mm",
    "mass_g",
    "amount_ml",
    "why",
    "text",
)
NUMBER_COLUMNS = ("dry_layer_low_mm", "dry_layer_high_mm", "level_mm", "mass_g", "amount_ml")
COUNT_COLUMNS = ("tips_growing", "tips_stalled", "tips_dried", "tips_rotted", "tips_new")


# --- checking -------------------------------------------------------------------------------------------------------


AnyRecord = TypeVar("AnyRecord", bound=Record)


def checked(model: type[AnyRecord], given: object, where: str = "") -> AnyRecord:
    """Data from outside as a record, or `Refused` with every fault."""
    try:
        return model.model_validate(given)
    except ValidationError as error:
        raise Refused(*faults_of(error, model, where)) from error


def checked_note(given: Mapping[str, Any] | Note, where: str = "") -> Note:
    """A note with its detail checked by its kind; faults of both together."""
    faults: list[Fault] = []
    values = given.given() if isinstance(given, Note) else dict(given)
    note: Note | None = None
    try:
        note = Note.model_validate(values)
    except ValidationError as error:
        faults += faults_of(error, Note, where)
    model = DETAIL_OF.get(str(_word(values.get("kind"))))
    detail = values.get("detail") or {}
    if model is not None and isinstance(detail, Mapping):
        try:
            detail = model.model_validate(detail).given()
        except ValidationError as error:
            faults += faults_of(error, model, f"{where}, detail" if where else "detail")
    if faults or note is None:
        raise Refused(*faults)
    return note.model_copy(update={"detail": detail})


def merged(setup: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """A set-up after a change: each key of the change replaces its whole; a key set to None is taken out."""
    return {key: value for key, value in {**setup, **change}.items() if value is not None}
