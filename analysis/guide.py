"""Which change a pot needs in its climate, if any: the smallest sufficient step, with both risks and what they rest on.

The picture. Every option of a pot (`options.py`) is followed through the weeks just past, as if it had been in place:
the same air, the same level, draw by draw of what is believed of the pot. In each draw the dry layer was deeper than
the rooting depth for some share of the days. A step suffices in that draw when the share is at most one in ten; the
smallest that does is that draw's answer, and how often the draws agree is how sure the advice is. What the draws
disagree about is not known yet; then the guide says so, and `looks.py` names the look that would settle it. Where they
disagree only about which step is the smallest, or whether any is enough, the smallest is advised that in nine draws of
ten nothing done at once does better than.

The other risk stands beside: a surface that stays moist over too little drained medium. A step that brings it is not
taken. The benefit of holes for root air is not modelled. Three kinds of evidence stand side by side: the physics alone
(draws without notes), this collection's notes alone (`outcomes.before_and_after`), and both.

It takes descriptions, daily series and calibrated draws; screens word it, stores feed it. The wet limits are assumed.
No supply curve for these media is published: try one of two pots, look after two weeks, then the rest.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis.calibration import Draws
from analysis.claims import ENOUGH, MUCH_AT_STAKE_DAYS, SURE, WET_DAYS, Claims, claims_of, is_settled
from analysis.columns import Columns, FloatArray
from analysis.counterfactual import BoolArray
from analysis.dry_layer import critical_vpd_kpa, transient
from analysis.known_mean import known_mean
from analysis.options import AT_A_REPOT, Description, Option, depth_above_medium_mm, options_for
from analysis.quantities import marked, quantity, span
from analysis.setups import column_parameters

EVEN = 0.5
LIKELY = 0.7
"""With less agreement than this, and a risk on fewer than half of the days, a look comes before any change."""
WET_LIMIT_MM = {"airy": 80.0, "even": 65.0, "wetter": 45.0}
"""Less drained medium above the water than this, under a surface that never dries, is too wet; by what it likes."""
_STALLED = (
    "It is drier than set-up, air and water explain: flush from the top to restart the wick, then look in a week."
)
_MOIST_MM = 1.0


@dataclass(frozen=True)
class Home:
    """All pots to be advised, in one order. Daily series (days, pot) are what each pot went through of late.

    setups, shelves, pots: the design's dicts. vpd_kpa is NaN for a pot whose shelf has no air. rooting_mm (draw, pot).
    round_days: which of the days were rounds (days,). moister: for each pot the label of a moister shelf,
    moister_vpd_kpa its air (days, pot) and moister_shelves its description, or None and NaN.
    """

    labels: tuple[str, ...]
    setups: Sequence[Description]
    shelves: Sequence[Description]
    pots: Sequence[Description]
    vpd_kpa: FloatArray
    temperature_c: FloatArray
    level_mm: FloatArray
    rooting_mm: FloatArray
    round_days: BoolArray
    moister: Sequence[str | None]
    moister_vpd_kpa: FloatArray
    moister_shelves: Sequence[Description | None] = ()


@dataclass(frozen=True)
class Outlook:
    """An option as it would have been: chances as shares of days with an 80 % interval over what is not known.

    suffices: chance that it is enough. dry_draws, wet_draws (draw,): the shares in each draw. physics: chance of too
    dry from the physics alone, or NaN. seen: what this collection's notes alone say of such a change, or "".
    extrapolated: a sentence where no note has seen such a cover here, or "".
    """

    option: Option
    chance_too_dry: float
    low: float
    high: float
    chance_too_wet: float
    critical_vpd_kpa: float
    suffices: float
    physics: float
    seen: str
    dry_draws: FloatArray
    wet_draws: FloatArray
    extrapolated: str = ""


@dataclass(frozen=True)
class Advice:
    """The advice for one pot. sure: the evidence is called sufficient; no_better: for a step that nothing done at once
    does better than, if not for its being the smallest; claims: what each draw says of the options."""

    pot: str
    options: tuple[Outlook, ...]
    change: str
    sure: bool
    no_better: bool
    chance_right: float
    says: str
    warnings: tuple[str, ...]
    claims: Claims


def advise(
    home: Home,
    draws: Draws,
    *,
    physics: Draws | None = None,
    notes_alone: pd.DataFrame | None = None,
    noted_vpd_kpa: Sequence[tuple[float, float] | None] | None = None,
    covers_noted: Sequence[str] = (),
    stalled: Sequence[bool] | None = None,
) -> list[Advice]:
    """Advice for every pot of a home.

    draws: what is believed after the notes; physics: the same before any note. notes_alone: rows of
    `outcomes.before_and_after`. noted_vpd_kpa: per pot the range of dryness in which its notes were made, None without
    notes; covers_noted: the kinds of cover that any note has seen (both for warnings of extrapolation). stalled: per
    pot whether it is drier than anything explains: a column that dried out wicks worse than one that drains (science
    notes, 10.3), which no option models, so a flush comes first.
    A pot without air gets a sentence and no options.
    """
    every = options_of(home)
    shares = _shares_by_option(home, draws, every)
    alone = _shares_by_option(home, physics, every) if physics is not None else {}
    answers = []
    for pot, options in enumerate(every):
        if not np.isfinite(home.vpd_kpa[:, pot]).any():
            answers.append(_no_air(home.labels[pot]))
            continue
        outlooks = [
            _outlook(option, shares[option.change, pot], alone.get((option.change, pot)), notes_alone, covers_noted)
            for option in options
        ]
        warnings = _warnings(home, pot, noted_vpd_kpa)
        answers.append(_advice(home.labels[pot], outlooks, warnings, bool(stalled and stalled[pot])))
    return answers


def options_of(home: Home) -> list[list[Option]]:
    """The options of every pot, smallest step first."""
    around = home.moister_shelves or [None] * len(home.labels)
    return [
        options_for(setup, shelf, moister, there)
        for setup, shelf, moister, there in zip(home.setups, home.shelves, home.moister, around, strict=True)
    ]


def in_driest_month(home: Home, season_vpd_kpa: FloatArray, moister_season_kpa: FloatArray | None = None) -> Home:
    """The same home as its shelves' driest month would treat it: season_vpd_kpa (pot,) instead of the mean of late.

    moister_season_kpa (pot,): the same of the moister shelf; without it that shelf dries as the pot's own does.
    """
    times = season_vpd_kpa / known_mean(home.vpd_kpa)
    there = times if moister_season_kpa is None else moister_season_kpa / known_mean(home.moister_vpd_kpa)
    return replace(home, vpd_kpa=home.vpd_kpa * times, moister_vpd_kpa=home.moister_vpd_kpa * there)


def in_words(chance: float, low: float, high: float) -> str:
    """A chance in plain words: "about 4 in 10, could be 1 to 7"."""
    tenths = [round(10 * value) for value in (chance, low, high)]
    if tenths[1] == tenths[2]:
        return {0: "hardly ever", 10: "nearly always"}.get(tenths[0], f"about {tenths[0]} in 10")
    if tenths[0] == 0:
        return f"hardly ever, at most {tenths[2]} in 10"
    if tenths[0] == 10:
        return f"nearly always, at least {tenths[1]} in 10"
    return f"about {tenths[0]} in 10, could be {tenths[1]} to {tenths[2]}"


def _days_in_words(chance: float, low: float, high: float) -> str:
    """A share of days: "on about 4 in 10 days, could be 1 to 7"."""
    words = in_words(chance, low, high)
    return words.replace("about", "on about").replace("in 10", "in 10 days") if "in 10" in words else words


@dataclass(frozen=True)
class _Shares:
    dry: FloatArray  # (draw,)
    wet: FloatArray
    critical_vpd_kpa: float


def _shares_by_option(home: Home, draws: Draws, every: Sequence[Sequence[Option]]) -> dict[tuple[str, int], _Shares]:
    """Shares of days too dry and too wet for each option of each pot: one run of the model for each kind of option."""
    kinds = sorted({option.change if not option.move_to else "move" for options in every for option in options})
    found: dict[tuple[str, int], _Shares] = {}
    for kind in kinds:
        which = [
            (pot, option)
            for pot, options in enumerate(every)
            for option in options
            if ("move" if option.move_to else option.change) == kind and np.isfinite(home.vpd_kpa[:, pot]).any()
        ]
        if which:
            found |= _run(home, draws, which)
    return found


def _run(home: Home, draws: Draws, which: Sequence[tuple[int, Option]]) -> dict[tuple[str, int], _Shares]:
    """One kind of option for the pots that have it; columns are read for all pots, so that draws stay in order."""
    chosen = dict(which)
    setups = [chosen[p].setup if p in chosen else home.setups[p] for p in range(len(home.labels))]
    shelves = [chosen[p].shelf if p in chosen else home.shelves[p] for p in range(len(home.labels))]
    index = np.array(sorted(chosen), np.int64)
    columns = draws.under(column_parameters(setups, shelves, list(home.pots))).taken(index)
    vpd, temperature, level = _drivers(home, chosen, index, columns)
    option = chosen[int(index[0])]
    wetted = None
    if option.watered:
        days = home.round_days if option.watered == "rounds" else np.arange(len(vpd)) == 0
        wetted = np.broadcast_to(days[:, None, None], (len(vpd), 1, len(index)))
    modelled = transient(columns, vpd, temperature, level, step_hours=24.0, wetted=wetted)  # (day, draw, pot)
    depth = _with_discrepancy(draws, modelled, index)
    cover = np.array([depth_above_medium_mm(chosen[int(p)].setup) for p in index])
    in_medium = np.maximum(depth - cover, 0.0)
    rooting = home.rooting_mm[:, index]
    dry = (in_medium > rooting[None]).mean(0)
    lift = columns.surface_height_mm[None] - level
    limit = np.array([WET_LIMIT_MM.get(str(home.pots[int(p)].get("likes", "even")), 65.0) for p in index])
    wet = ((depth < _MOIST_MM) & (lift < limit)).mean(0)
    mean_level, mean_warmth = np.nanmean(level[:, 0], axis=0), np.nanmean(temperature[:, 0], axis=0)
    critical = np.median(critical_vpd_kpa(columns, rooting + cover, mean_warmth, mean_level), axis=0)
    return {
        (chosen[int(p)].change, int(p)): _Shares(
            dry[:, i],
            wet[:, i],
            float(critical[i]),
        )
        for i, p in enumerate(index)
    }


def _drivers(
    home: Home, chosen: Mapping[int, Option], index: np.ndarray, columns: Columns
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Air and level (day, 1, pot) under the option; unknown days are the pot's mean day."""

    def filled(series: FloatArray) -> FloatArray:
        return np.where(np.isfinite(series), series, known_mean(series))

    options = [chosen[int(p)] for p in index]
    moved = np.array([option.move_to is not None for option in options])
    times = np.array([option.vpd_times for option in options])
    here, there = filled(home.vpd_kpa[:, index]), home.moister_vpd_kpa[:, index]
    vpd = np.where(moved, there, here) * times
    level = filled(home.level_mm[:, index])
    level = np.stack([level_under(option, level[:, i]) for i, option in enumerate(options)], axis=1)
    return vpd[:, None, :], filled(home.temperature_c[:, index])[:, None, :], level[:, None, :]


def level_under(option: Option | None, level_mm: FloatArray) -> FloatArray:
    """The level (day,) as an option would have it kept: half of its usual fall, or 15 mm lower."""
    if option is not None and option.level == "fuller":
        full = np.nanmax(level_mm)
        return np.asarray(full - 0.5 * (full - level_mm))
    if option is not None and option.level == "lower":
        return np.maximum(level_mm - 15.0, 10.0)
    return level_mm


def _with_discrepancy(draws: Draws, modelled: FloatArray, index: np.ndarray) -> FloatArray:
    """What the equation leaves out is added as in every other answer; pots that are not asked for are filled up."""
    pots = draws.columns.pots
    wide = np.zeros((*modelled.shape[:-1], pots))
    wide[..., index] = modelled
    return draws.depth_mm(wide)[..., index]


def _outlook(
    option: Option,
    shares: _Shares,
    alone: _Shares | None,
    notes_alone: pd.DataFrame | None,
    covers_noted: Sequence[str],
) -> Outlook:
    low, high = np.quantile(shares.dry, [0.1, 0.9])
    return Outlook(
        option,
        float(shares.dry.mean()),
        float(low),
        float(high),
        float(shares.wet.mean()),
        shares.critical_vpd_kpa,
        float((shares.dry <= ENOUGH).mean()),
        float(alone.dry.mean()) if alone is not None else float("nan"),
        _seen(option, notes_alone),
        shares.dry,
        shares.wet,
        _extrapolated(option, covers_noted),
    )


def _extrapolated(option: Option, covers_noted: Sequence[str]) -> str:
    layer = option.setup_change.get("top_layer")
    kind = str(layer.get("kind")) if isinstance(layer, Mapping) else "none"
    if kind in ("none", *covers_noted):
        return ""
    return f"Extrapolated: no note has seen a cover of {kind.replace('_', ' ')} here."


def _seen(option: Option, notes_alone: pd.DataFrame | None) -> str:
    """What before and after within the pot showed of changes in the same words, whatever the model thinks."""
    if notes_alone is None or notes_alone.empty:
        return ""
    row = notes_alone[(notes_alone["change"] == option.change) & (notes_alone["what"] == "noted_depth_mm")]
    if row.empty:
        return ""
    one = row.iloc[0]
    pots = f"{one['pots']} pot{'s' if one['pots'] != 1 else ''}"
    moved, way = quantity(abs(one["difference"]), "mm"), "shallower" if one["difference"] < 0 else "deeper"
    if not np.isfinite(one["low"]):
        return f"Notes alone: {moved} {way} in {pots}; one pot proves little."
    return f"Notes alone: {moved} {way} in {pots} (could be {span(one['low'], one['high'], 'mm', '+.0f')})."


def _advice(pot: str, outlooks: Sequence[Outlook], warnings: Sequence[str], stalled: bool) -> Advice:
    """The step on which most draws agree, and how many do."""
    claims = _claims(outlooks)
    step = _step(outlooks, claims)
    says = marked(_sentence(outlooks, step))
    change, sure, no_better = step.change, step.sure, step.no_better
    if stalled:
        change, sure, no_better, says = "flush from the top", False, True, _STALLED
    unseen = next(outlook.extrapolated for outlook in outlooks if outlook.option.change == change)
    told = (*warnings, unseen) if unseen else tuple(warnings)
    return Advice(pot, tuple(outlooks), change, sure, no_better, step.chance, says, told, claims)


@dataclass(frozen=True)
class Step:
    """What the draws agree on: the likeliest step and its chance, and the change that is advised for now.

    The two differ where the draws do not agree. Where little is lost by waiting, nothing is changed before a look.
    no_better: else, they agree that the pot needs a step and that nothing at once does better than this change, not
    that it is the smallest or enough.
    none_suffices: likeliest, no step is enough; the one that helps most stands for it.
    """

    likeliest: str
    chance: float
    sure: bool
    none_suffices: bool
    change: str
    no_better: bool

    @property
    def waits(self) -> bool:
        """Whether a change is likely, but a look comes first."""
        return self.change != self.likeliest and not self.no_better


def step_of(outlooks: Sequence[Outlook]) -> Step:
    """The step among some options of one pot, "leave" the first of them."""
    return _step(outlooks, _claims(outlooks))


def _step(outlooks: Sequence[Outlook], claims: Claims) -> Step:
    words = [outlook.option.change for outlook in outlooks]
    share = np.bincount(claims.smallest, minlength=len(words) + 1) / len(claims.smallest)
    best = int(share[: len(words)].argmax())
    none_suffices = bool(share[-1] > share[best])
    chance = float(max(share[best], share[-1]))
    leave = outlooks[0]
    if none_suffices:
        best = min(range(len(words)), key=lambda i: _left_dry(outlooks[i]))
    agreed, at_stake = claims.no_better.mean(1), claims.at_stake.mean(1).max()
    if chance < SURE and is_settled(np.array(chance), agreed.max(), at_stake):
        no_better = words[int((agreed >= SURE).argmax())]
        return Step(words[best], chance, False, none_suffices, no_better, True)
    helps = leave.chance_too_dry - outlooks[best].chance_too_dry > ENOUGH
    waits = (chance < LIKELY and at_stake < MUCH_AT_STAKE_DAYS) or (none_suffices and not helps)
    return Step(words[best], chance, chance >= SURE, none_suffices, "leave" if waits else words[best], False)


def _left_dry(outlook: Outlook) -> float:
    """By what options are ranked where none suffices: days too dry; steps that bring wetness come last."""
    return outlook.chance_too_dry + (1.0 if outlook.chance_too_wet > WET_DAYS or not outlook.option.lasting else 0.0)


def _claims(outlooks: Sequence[Outlook]) -> Claims:
    options = [outlook.option for outlook in outlooks]
    return claims_of(
        np.stack([outlook.dry_draws for outlook in outlooks]),
        np.stack([outlook.wet_draws for outlook in outlooks]),
        np.array([option.against for option in options]),
        np.array([option.lasting for option in options]),
        np.array([not option.change.endswith(AT_A_REPOT) for option in options]),
    )


def _sentence(outlooks: Sequence[Outlook], step: Step) -> str:
    leave = outlooks[0]
    advised = step.change if step.no_better else step.likeliest
    best = next(outlook for outlook in outlooks if outlook.option.change == advised)
    now = _days_in_words(leave.chance_too_dry, leave.low, leave.high)
    then = _days_in_words(best.chance_too_dry, best.low, best.high)
    if step.none_suffices and not step.no_better:
        first, perhaps = ("Too dry", "") if step.sure else ("Look before you change anything: too dry", "perhaps ")
        if best is leave or step.waits:
            return f"{first} {now}, and {perhaps}no step tried here is enough by itself."
        return f"{first} {now}; {perhaps}nothing tried is enough by itself, {step.change} helps most ({then})."
    if advised == "leave":
        if step.sure:
            return f"Leave it: too dry {now}."
        if step.chance < EVEN:
            return f"Not known yet (too dry {now}): look before anything is changed."
        return f"Probably leave it (too dry {now}): look once more."
    risk = "too dry" if best.option.against == "dry" else "too wet"
    if risk == "too wet":
        now = _days_in_words(leave.chance_too_wet, leave.chance_too_wet, leave.chance_too_wet)
        then = _days_in_words(best.chance_too_wet, best.chance_too_wet, best.chance_too_wet)
    if not (step.sure or step.no_better):
        return f"Look before you change anything: {risk} {now}; likeliest step: {step.likeliest} ({then})."
    named = f"{step.change[0].upper()}{step.change[1:]}"
    why = f" {_why_no_better(best, step)}" if step.no_better else ""
    return f"{named}: as it is, {risk} {now}; with it, {then}.{why}"


def _why_no_better(best: Outlook, step: Step) -> str:
    """What is not known of a step that nothing done at once does better than."""
    if best.suffices >= SURE:
        return f"A smaller step may do{f': {step.likeliest}' if step.likeliest != step.change else ''}."
    later = f" A {step.likeliest} may do more." if step.likeliest.endswith(AT_A_REPOT) else ""
    return f"It may not be enough, but nothing else that can be done now does better.{later}"


def _warnings(home: Home, pot: int, noted_vpd_kpa: Sequence[tuple[float, float] | None] | None) -> list[str]:
    """Where this case is extrapolated beyond what notes have seen."""
    says = []
    noted = noted_vpd_kpa[pot] if noted_vpd_kpa is not None else None
    air = float(np.nanmean(home.vpd_kpa[:, pot]))
    if noted is None:
        says.append("No note of this pot: the answer is borrowed or guessed.")
    elif not 0.8 * noted[0] <= air <= 1.25 * noted[1]:
        says.append(f"Extrapolated: its notes were made at {noted[0]:.1f} to {noted[1]:.1f} kPa, the air is {air:.1f}.")
    return says


def _no_air(pot: str) -> Advice:
    says = "Its shelf has no air: give the shelf a sensor, another shelf's air, or a spot check with a hygrometer."
    nothing = Claims(np.zeros(0, np.int64), np.zeros((0, 0), bool), np.zeros((2, 0)))
    return Advice(pot, (), "", False, False, 0.0, says, (), nothing)
