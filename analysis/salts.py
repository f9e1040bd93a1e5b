"""What evaporation leaves behind: salt since the last flush, when to flush, and a rota of feed and plain water.

The picture. Water leaves a wick-fed pot as vapour; what was dissolved in it stays, mostly near the dry line, where the
young roots are. The salt left since the last flush is the water that went times the strength of what was poured. The
plant takes part of it (between none and half, assumed). Spread through the water that the pot holds it is a
concentration, and a pot is due for a flush when that passes a limit. All of it is a range: strengths are guessed from a
label's dose as often as they are measured.

Common practice, no source: flush about monthly; 1 g/L of feed salts is near 1.5 mS/cm; a full label dose is 1 to 2 g/L;
orchid roots suffer above about 1.5 g/L. Labels and local rules for fertiliser come first.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

LIMIT_G_PER_L = 1.5
MONTH_DAYS = 30.0
_TAKEN_BY_PLANT = (0.0, 0.5)
_LABEL_G_PER_L = (1.0, 2.0)
_EC_G_PER_L = (0.55, 0.75)
_UNKNOWN_G_PER_L = (0.1, 1.5)


@dataclass(frozen=True)
class SaltState:
    """Salt left since the last flush: grams, and grams a litre (low, high); days to the limit (soonest, latest)."""

    grams: tuple[float, float]
    grams_per_litre: tuple[float, float]
    due: str  # now | soon | not_yet | unknown
    due_in_days: tuple[float, float]
    says: str


def strength_g_per_l(
    *, grams_per_litre: float | None = None, ec_ms_per_cm: float | None = None, label_share: float | None = None
) -> tuple[float, float]:
    """Strength of a feed as a range in g/L from what was noted: grams, conductivity, or a share of the label's dose.

    Conductivity of the tap water should be taken off before. Nothing noted: 0.1 to 1.5 g/L. Raises ValueError for a
    negative amount.
    """
    for value in (grams_per_litre, ec_ms_per_cm, label_share):
        if value is not None and value < 0:
            raise ValueError("a feed cannot be weaker than plain water")
    if grams_per_litre is not None:
        return (grams_per_litre, grams_per_litre)
    if ec_ms_per_cm is not None:
        return (_EC_G_PER_L[0] * ec_ms_per_cm, _EC_G_PER_L[1] * ec_ms_per_cm)
    if label_share is not None:
        return (_LABEL_G_PER_L[0] * label_share, _LABEL_G_PER_L[1] * label_share)
    return _UNKNOWN_G_PER_L


def mean_strength_g_per_l(
    amount_ml: npt.ArrayLike, low_g_per_l: npt.ArrayLike, high_g_per_l: npt.ArrayLike
) -> tuple[float, float]:
    """Strength of all that was poured (n,) since the flush, plain water being 0; unknown amounts (NaN) count as equal.

    Nothing poured: plain.
    """
    amount = np.asarray(amount_ml, float)
    if amount.size == 0:
        return (0.0, 0.0)
    known = amount[np.isfinite(amount)]
    weight = np.where(np.isfinite(amount), amount, known.mean() if known.size else 1.0)
    if weight.sum() <= 0:
        return (0.0, 0.0)
    return (
        float(weight @ np.asarray(low_g_per_l, float) / weight.sum()),
        float(weight @ np.asarray(high_g_per_l, float) / weight.sum()),
    )


def salt_state(
    water_gone_ml: tuple[float, float],
    strength: tuple[float, float],
    held_ml: float,
    use_ml_per_day: float,
    *,
    since: str = "the flush",
    limit_g_per_l: float = LIMIT_G_PER_L,
) -> SaltState:
    """Where a pot stands: water gone since the flush (low, high), strength of what was poured, water the pot holds.

    held_ml is the reservoir at its mark and what the moist medium holds. since: what freed the medium of salt, in
    words. NaN anywhere gives a sentence. *Holds for* reservoirs that are not poured out in between.
    """
    missing = _missing(water_gone_ml, strength, held_ml, use_ml_per_day)
    if missing:
        says = f"Salt cannot be judged: {missing}."
        return SaltState((np.nan, np.nan), (np.nan, np.nan), "unknown", (np.nan, np.nan), says)
    kept = (1 - _TAKEN_BY_PLANT[1], 1 - _TAKEN_BY_PLANT[0])
    grams = (
        water_gone_ml[0] / 1000 * strength[0] * kept[0],
        water_gone_ml[1] / 1000 * strength[1] * kept[1],
    )
    litres = held_ml / 1000
    level = (strength[0] + grams[0] / litres, strength[1] + grams[1] / litres)
    a_day = [use_ml_per_day / 1000 * strength[i] * kept[i] / litres for i in (0, 1)]
    days = [max(0.0, (limit_g_per_l - level[i]) / a_day[i]) if a_day[i] > 0 else np.inf for i in (1, 0)]
    due_in = (float(days[0]), float(days[1]))
    if strength[1] == 0:
        return SaltState(grams, level, "not_yet", due_in, f"Only plain water since {since}: no salt of feed is left.")
    due = "now" if level[0] >= limit_g_per_l else "soon" if level[1] >= limit_g_per_l else "not_yet"
    span = f"{grams[0]:.1f} to {grams[1]:.1f} g of feed salts have gathered since {since}"
    says = {
        "now": f"{span}: flush from the top at this round.",
        "soon": f"{span}: flush at one of the next rounds.",
        "not_yet": f"{span}: no flush is due before {_days_in_words(due_in[0])}.",
    }[due]
    return SaltState(grams, level, due, due_in, says)


def rota(
    refills: int,
    use_ml_per_day: float,
    strength: tuple[float, float],
    held_ml: float,
    *,
    limit_g_per_l: float = LIMIT_G_PER_L,
    between_flushes_days: float = MONTH_DAYS,
) -> list[str]:
    """'feed' or 'plain' for the next refills, evenly mixed, so that a month between flushes stays below the limit.

    Judged by the strong end of the range; a feed that is itself past the limit is never proposed.
    """
    gathered = strength[1] * (1 + use_ml_per_day / 1000 * between_flushes_days / (held_ml / 1000))
    share = 0.0 if strength[1] >= limit_g_per_l else min(1.0, limit_g_per_l / gathered) if gathered > 0 else 1.0
    turns = np.floor(np.arange(1, refills + 1) * share + 1e-9) - np.floor(np.arange(refills) * share + 1e-9)
    return ["feed" if turn else "plain" for turn in turns]


def burnt_tips_say(dried_tips: int, chance_too_dry: float, state: SaltState) -> str:
    """One sentence on why tips dried: drought, salt, both or neither; empty when none dried."""
    if dried_tips <= 0:
        return ""
    drought, salt = chance_too_dry >= 0.5, state.due in ("now", "soon")
    if state.due == "unknown" and not drought:
        return "Dried tips where drought is unlikely: salt may be the cause, but no flush or feed is noted."
    if drought and salt:
        return "Dried tips: the dry layer and salt are both suspected; flush from the top, which helps against both."
    if salt:
        return "Dried tips without drought: salt is suspected beside it; flush, then look at new tips in two weeks."
    if drought:
        return "Dried tips: the dry layer reaches them; salt is the lesser suspect."
    return "Dried tips, and neither drought nor salt is likely: look at heat, treatments and the roots' age."


def _missing(
    water_gone_ml: tuple[float, float], strength: tuple[float, float], held_ml: float, use_ml_per_day: float
) -> str:
    """What has to be known first; empty where nothing is missing."""
    if not np.all(np.isfinite(strength)):
        return "note what is fed, and when it is flushed"
    if not np.isfinite(held_ml) or held_ml <= 0:
        return "say how much its reservoir holds"
    known = np.all(np.isfinite([*water_gone_ml, use_ml_per_day]))
    return "" if known else "the air of its shelf is not known, so neither is the water that has gone"


def _days_in_words(days: float) -> str:
    if not np.isfinite(days):
        return "any foreseeable day"
    return f"{days:.0f} days" if days < 60 else f"{days / 30:.0f} months"
