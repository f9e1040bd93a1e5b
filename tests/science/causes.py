"""Is the cause of a change named rightly, and is there no alarm without one?

Owns the events that are put into invented collections, one a pot or one a shelf, and the comparison of verdicts with
the simulator's own counterfactual: the same world without events. An event counts when it truly moved the dry layer by
5 mm or use by 15 %, and then the verdict must be its factor. A pot is quiet when its event (or none) moved the line by
less than 1.5 mm and use by less than 5 %, and the pot moved by less than 3 mm for any reason: a cause named there is a
false alarm. What was asked gives the lower bound for the line alone; use has the same share of its upper bound here
(0.3 of 15 %), so that, as for the line between 1.5 and 5 mm, a true loss of a tenth of use is neither asked for nor an
alarm. Read by the letter, every pot that its event moved by less than 1.5 mm counts, however much use it cost below
15 % and however far the pot moved otherwise, and naming what truly happened there is an alarm too: that figure, which
is the worse one, is given beside, with how many of its alarms named what had truly happened.
Weather without an event is quiet: to name it is an alarm, however much the season moved use. Look-alikes are among the
quiet ones: a missed round, holes opened in humid air, seasons. Two looks fall into the three weeks; use is told by a
simulated level sensor (15 minutes, 0.3 mm) through the analysis of water.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.causes import changed_factors, explained
from analysis.columns import Columns, joined
from analysis.counterfactual import Drivers, Spell, shown_days
from analysis.pot_water import PotWater, measured_water
from analysis.reservoir import vessel_by_pouring
from analysis.setups import column_parameters
from analysis.spell_use import mean_use
from simulated_feeds.events import DAY_MS, Event, Scenario
from simulated_feeds.grower import depth_at, seen_depths
from simulated_feeds.instruments import KINDS, observe
from simulated_feeds.pots import Pot, World
from simulated_feeds.truth import Truth, histories
from simulated_feeds.zoo import zoo
from tests.science.collections_seen import (
    LATELY_DAYS,
    START_MS,
    Collection,
    Daily,
    collection,
    daily_of,
    run,
    shelf_of,
)

FloatArray = npt.NDArray[np.float64]

BEFORE_DAYS, SINCE_DAYS = 90, 21
LOOKS_ON_DAY = (10, 18)
WATER_HISTORY_DAYS = 26
MATTERS_MM, MATTERS_USE = 5.0, 0.15
NOTHING_MM, NOTHING_USE = 1.5, 0.05
VERDICTS = {
    "drier air": "dry_air", "moister air": "dry_air", "a lamp": "heat", "failing wick": "wick",
    "plant has grown": "plant", "roots lost": "plant", "holes opened": "vent_holes", "cover taken off": "top_layer",
    "cover added": "top_layer", "reservoir forgotten": "low_reservoir",
}  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """One pot: what happened, what that truly did (mm, share of use), how far the line moved, and the verdict."""

    kind: str
    effect_mm: float
    effect_use: float
    moved_mm: float
    verdict: str

    @property
    def counts(self) -> bool:
        """Whether the event did enough to be named."""
        return self.kind in VERDICTS and (abs(self.effect_mm) >= MATTERS_MM or abs(self.effect_use) >= MATTERS_USE)

    @property
    def right(self) -> bool:
        """Whether the verdict is the event's."""
        return self.verdict == VERDICTS.get(self.kind)

    @property
    def quiet(self) -> bool:
        """Whether nothing happened that a grower would want to be told of."""
        nothing = abs(self.effect_mm) < NOTHING_MM and abs(self.effect_use) < NOTHING_USE
        return nothing and abs(self.moved_mm) < 3.0

    @property
    def accuses(self) -> bool:
        """Whether a cause is named at all."""
        return self.verdict not in ("none", "unexplained", "mixed")

    @property
    def false_alarm(self) -> bool:
        """A cause named where there was none."""
        return self.quiet and self.accuses

    @property
    def below(self) -> bool:
        """Quiet by the letter: the event moved the line too little to speak of and use too little to count."""
        return abs(self.effect_mm) < NOTHING_MM and not self.counts


def judged(seed: int, pots: int = 48, looks: tuple[int, ...] = LOOKS_ON_DAY) -> list[Judged]:
    """All pots of one world."""
    world = zoo(seed, pots)
    at_ms = START_MS + BEFORE_DAYS * DAY_MS
    scenario, kinds, lamp = _events(world, at_ms, np.random.default_rng([seed, 6]))
    truth, quiet = (run(world, seed, BEFORE_DAYS + SINCE_DAYS, s) for s in (scenario, None))
    believed = collection(world, truth, seed, BEFORE_DAYS, scenario=scenario, draws=120)
    now, recorded = _new_columns(believed, scenario, lamp)
    without = daily_of(quiet, seed)
    return [_judge(believed, without, now, recorded[i], i, kinds[i], seed, looks) for i in range(pots)]


def _events(world: World, at_ms: int, rng: np.random.Generator) -> tuple[Scenario, list[str], str]:
    """An event for each shelf of the first four, and one for each pot elsewhere, in turn."""
    bare = next(shelf.label for shelf in world.shelves if shelf.heat == "none")
    others = [shelf.label for shelf in world.shelves if shelf.label != bare]
    on_shelf = {bare: "a lamp", others[0]: "drier air", others[1]: "drier air", others[2]: "moister air"}
    values: dict[str, Mapping[str, float]] = {
        "a lamp": {"lamp_w_per_m2": 60.0, "warmer_c": 1.0},
        "drier air": {"vapour_factor": 0.55},
        "moister air": {"vapour_factor": 1.35},
    }
    events = [Event(f"{kind} {s}", "heating", at_ms, shelf=s, values=values[kind]) for s, kind in on_shelf.items()]
    turns = ("failing wick", "plant has grown", "roots lost", "holes opened", "cover", "reservoir forgotten",
             "a missed round", "nothing")  # fmt: skip
    kinds = []
    for number, pot in enumerate(world.pots):
        kind = on_shelf.get(str(pot.setups[0]["shelf"])) or turns[number % len(turns)]
        if kind == "cover":
            kind = "cover added" if pot.true_setups[0]["top_layer"]["kind"] == "none" else "cover taken off"
        kinds.append(kind)
        events += _event_of_pot(kind, pot, at_ms, rng)
    return Scenario("events", tuple(events)), kinds, bare


def _event_of_pot(kind: str, pot: Pot, at_ms: int, rng: np.random.Generator) -> list[Event]:
    name = f"{kind} {pot.label}"
    surface = float(pot.true_setups[0]["surface_height_mm"])
    setups: dict[str, dict[str, object]] = {
        "holes opened": {"vents": {"count": 22, "diameter_mm": 9.0, "wall_mm": 1.5, "height_mm": surface - 25.0}},
        "cover added": {"top_layer": {"kind": "pebbles", "thickness_mm": 20.0, "replaces_medium": False}},
        "cover taken off": {"top_layer": {"kind": "none", "thickness_mm": 0.0, "replaces_medium": False}},
    }
    if kind in setups:
        return [Event(name, "setup", at_ms, pot=pot.label, values=setups[kind])]
    if kind == "failing wick":
        keeps = float(rng.choice([0.03, 0.08]))
        return [Event(name, "wick_fails", at_ms, pot=pot.label, values={"keeps": keeps, "over_days": 4})]
    if kind in ("plant has grown", "roots lost"):
        factor = float(rng.choice([2.5, 3.5])) if kind == "plant has grown" else 0.1
        what = "plant_drinks" if kind == "plant has grown" else "roots_lost"
        return [Event(name, what, at_ms, pot=pot.label, values={"factor": factor, "over_days": 4})]
    if kind == "a missed round":
        return [Event(name, "empty", at_ms + 4 * DAY_MS, at_ms + 9 * DAY_MS, pot=pot.label)]
    if kind == "reservoir forgotten":
        return [Event(name, "empty", at_ms - 2 * DAY_MS, at_ms + 60 * DAY_MS, pot=pot.label)]
    return []


def _new_columns(believed: Collection, scenario: Scenario, lamp: str) -> tuple[Columns, list[tuple[str, ...]]]:
    """The believed draws under the set-ups after the events, and what was recorded of each pot."""
    was, now = shelf_of(believed.world), shelf_of(believed.world)
    now[lamp] = {**now[lamp], "heat": "lamp", "hours_per_day": 12}
    setups = [pot.setups[-1] for pot in histories(believed.world, scenario).pots]
    after = column_parameters(setups, [now[str(s["shelf"])] for s in setups], believed.pots)
    after = after.changed(
        uptake_ml_per_day_at_1_kpa=believed.columns.uptake_ml_per_day_at_1_kpa,
        uptake_log_sd=believed.columns.uptake_log_sd,
    )
    recorded = [
        changed_factors(old, new, was[str(old["shelf"])], now[str(new["shelf"])])
        for old, new in zip(believed.setups, setups, strict=True)
    ]
    return believed.draws.under(after), recorded


def _judge(
    believed: Collection, without: Daily, now: Columns, recorded: tuple[str, ...], pot: int, kind: str, seed: int,
    looks: tuple[int, ...],
) -> Judged:  # fmt: skip
    before_days, since_days = (
        slice(BEFORE_DAYS - LATELY_DAYS, BEFORE_DAYS),
        slice(BEFORE_DAYS, BEFORE_DAYS + SINCE_DAYS),
    )
    water = _water(believed, pot, seed)
    noted = believed.notes[(believed.notes["pot_index"] == pot) & (believed.notes["day"] >= before_days.start)]
    before = _spell(
        believed, water, before_days, pot, seed, tuple(int(day) - before_days.start for day in noted["day"])
    )
    since = _spell(believed, water, since_days, pot, seed, looks)
    # a world whose set-ups before have more layers than any since: both of a pot need equally many
    both = joined(believed.draws.columns.taken([pot]), now.taken([pot]))
    answer = explained(before, since, both.taken([0]), both.taken([1]), recorded)
    daily = believed.daily
    shown = shown_days(SINCE_DAYS)
    late = slice(BEFORE_DAYS + shown.start, BEFORE_DAYS + shown.stop)
    depth, use = daily.depth_mm[late, pot].mean(), daily.use_ml[late, pot].mean()
    other_depth, other_use = without.depth_mm[late, pot].mean(), without.use_ml[late, pot].mean()
    moved = depth - daily.depth_mm[before_days, pot].mean()
    return Judged(kind, float(depth - other_depth), float(use / other_use - 1), float(moved), answer.verdict)


def _water(believed: Collection, pot: int, seed: int) -> PotWater:
    """What a good level sensor of the pot tells at the end, read against the air of its shelf."""
    truth, columns = believed.truth, believed.columns
    first_ms = START_MS + (BEFORE_DAYS - LATELY_DAYS) * DAY_MS
    series = observe(truth, truth.pots[pot], KINDS["fine"], seed=seed)
    known = series.time_ms >= first_ms - WATER_HISTORY_DAYS * DAY_MS
    ml_per_mm = float(truth.water_ml[0, pot] / truth.level_mm[0, pot])
    return measured_water(
        vessel_by_pouring(50 * ml_per_mm, 50.0),
        series.time_ms[known],
        series.value[known],
        START_MS + (BEFORE_DAYS + SINCE_DAYS) * DAY_MS,
        shelf_temperature=(truth.time_ms, truth.climate.temperature_c[:, truth.shelf[0, pot]]),
        since_ms=first_ms - DAY_MS,
        shelf_vpd=(truth.time_ms, truth.pot_vpd_kpa()[:, pot]),
        medium_ml_per_mm=float(columns.held[pot] * columns.area_mm2[pot] * 1e-3),
    )


def _spell(believed: Collection, water: PotWater, days: slice, pot: int, seed: int, looks: tuple[int, ...]) -> Spell:
    daily, truth = believed.daily, believed.truth
    shown = shown_days(days.stop - days.start)
    use = mean_use(water, START_MS + (days.start + shown.start) * DAY_MS, START_MS + days.stop * DAY_MS)
    at = START_MS + (days.start + np.array(looks, np.int64)) * DAY_MS + DAY_MS // 2
    index = np.full(len(at), pot, np.int64)
    seen = seen_depths(depth_at(truth, index, at), index, at, seed)
    low, high = seen["dry_layer_low_mm"].to_numpy(float), seen["dry_layer_high_mm"].to_numpy(float)
    told = np.isfinite(low)
    return Spell(
        Drivers(daily.vpd_kpa[days, pot], daily.temperature_c[days, pot], daily.level_mm[days, pot]),
        use.value,
        (use.high - use.low) / 3.29,
        0.5 * (low + high)[told],
        np.maximum((high - low)[told] / 4, 1.5),
        np.array(looks, np.int64)[told],
        refill_days=_refill_days(truth, days, pot),
        empty_hours=float((daily.level_mm[days, pot] < 1.5).sum() * 24),
    )


def _refill_days(truth: Truth, days: slice, pot: int) -> float:
    at = truth.refills.time_ms[truth.refills.pot == pot]
    at = at[(at >= START_MS + days.start * DAY_MS) & (at < START_MS + days.stop * DAY_MS)]
    return float(np.diff(at).mean() / DAY_MS) if len(at) > 2 else float("nan")


@dataclass(frozen=True)
class Figures:
    """Events that count and the share named rightly; quiet pots and the share of false alarms.

    below, accused_below: the same by the letter (see above); rightly_below: how many of those accusations were true.
    """

    events: int
    right: float
    quiet: int
    false_alarms: float
    below: int
    accused_below: float
    rightly_below: int


def figures(pots: list[Judged]) -> Figures:
    """The figures of the issue."""
    events, quiet, below = [p for p in pots if p.counts], [p for p in pots if p.quiet], [p for p in pots if p.below]
    return Figures(
        len(events),
        _share([p.right for p in events]),
        len(quiet),
        _share([p.false_alarm for p in quiet]),
        len(below),
        _share([p.accuses for p in below]),
        sum(p.accuses and p.right for p in below),
    )


def _share(flags: list[bool]) -> float:
    return float(np.mean(flags)) if flags else float("nan")


def worlds_seen(worlds: int) -> range:
    """The worlds of the report and of the long form.

    Looked at while the rules were made: 1 to 14, 41 to 43, 51, 52, 61 to 64 and 71 to 77.
    Worlds 81 to 90 chose nothing but that a limit moved on the others was moved back.
    """
    return range(81, 81 + worlds)


def report(worlds: int) -> str:
    """The tables: by kind of event, with two looks since and with none."""
    lines = ["Causes: verdicts against the simulator's counterfactual (aims: right >= 95 %, false alarms <= 5 %)"]
    for title, looks in (("two looks since", LOOKS_ON_DAY), ("nobody looked", ())):
        pots = [pot for seed in worlds_seen(worlds) for pot in judged(seed, looks=looks)]
        found = figures(pots)
        lines.append(
            f"{title}: {found.events} events named rightly {found.right:.1%}; "
            f"{found.quiet} quiet pots, false alarms {found.false_alarms:.1%}"
        )
        lines.append(
            f"    by the letter (effect below 1.5 mm, use below 15 %): {found.below} pots, a cause named in "
            f"{found.accused_below:.1%}; of these {found.rightly_below} named what truly happened"
        )
        for kind in VERDICTS:
            mine = [p for p in pots if p.counts and p.kind == kind]
            big = [p for p in mine if abs(p.effect_mm) >= MATTERS_MM]
            if mine:
                named = sum(p.right for p in mine), len(mine), sum(p.right for p in big), len(big)
                lines.append("{:>24} {:4d} of {:4d}; of those that moved 5 mm {:4d} of {:4d}".format(kind, *named))
    return "\n".join(lines)
