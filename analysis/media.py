"""What each potting medium is before anyone has looked: its constants, how sure they are, and how mixes combine.

Owns the table of media and the rules for grain size and mixes. Must not know a pot, its climate or a note:
`setups.py` places these constants in a pot, `calibration.py` improves them from notes.

Three constants decide where a dry line stands: the height `l1_mm` at which the medium can still lift 1 mm of water
a day, the exponent of its flux-height law (`dry_layer.py`), and the vapour-filled share of the dry bed. No published
capillary-rise or conductivity curve exists for coarse expanded clay or orchid-grade lava rock: nearly every number
of the table is a starting guess of our own ("assumed"), and its log-sd is part of the answer, not decoration.

Rules, all assumed:
- Grain: capillary height falls with the cube root of grain size. Jurin's law would say the first power for solid
  grains; porous grains keep passing water through themselves, whatever their size, so a third of it.
- Mix: the logarithms of `l1_mm` and of the exponent, and the porosities themselves, are averaged by volume share.
  A coarse mix conducts through whichever grains touch, so no component rules alone; the geometric mean sits between.
- Small grains fill the space between large ones, so the vapour-filled share of a bed is not raised by mixing.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, log

import numpy as np


@dataclass(frozen=True)
class Medium:
    """Prior constants of one medium at its usual grade.

    l1_mm: height still supplied with 1 mm a day. exponent: of the flux-height law. vapour_filled: m3 of air per m3
    of dry bed. storage: m3 of water per m3 that the front takes or leaves as it moves. held: m3 per m3 in
    the grains when full; held after draining in `media.csv`: lava 0.18, pumice 0.17, perlite 0.22, clay soaked for a
    day 0.05-0.08 and for long about twice that. grain_mm: usual grade.
    l1_log_sd, exponent_log_sd: how unsure the medium's own centre is (log scale).
    """

    l1_mm: float
    l1_log_sd: float
    exponent: float
    exponent_log_sd: float
    vapour_filled: float
    storage: float
    held: float
    grain_mm: float
    basis: str


CLAY_RANGE_LOG_SD = 0.19  # 40 to 75 mm about 55 read as a 90 % range
EXPONENT_LOG_SD = 0.30  # 2.5 to 8 about 4 read as nearly a 95 % range

MEDIA: Mapping[str, Medium] = {
    "expanded_clay": Medium(55, CLAY_RANGE_LOG_SD, 4, EXPONENT_LOG_SD, 0.50, 0.05, 0.13, 12, "assumed; 40-75 mm"),
    "lava_rock": Medium(80, 0.21, 4, EXPONENT_LOG_SD, 0.55, 0.07, 0.18, 10, "assumed; 55-110 mm"),
    "pumice": Medium(85, 0.21, 4, EXPONENT_LOG_SD, 0.60, 0.09, 0.20, 8, "assumed; 60-120 mm"),
    "porous_ceramic": Medium(110, 0.19, 4, EXPONENT_LOG_SD, 0.55, 0.11, 0.26, 6, "assumed; 80-150 mm"),
    "perlite": Medium(120, 0.19, 4, EXPONENT_LOG_SD, 0.65, 0.11, 0.25, 5, "assumed; 90-170 mm"),
    "zeolite": Medium(95, 0.30, 4, EXPONENT_LOG_SD, 0.50, 0.10, 0.22, 6, "assumed; between pumice and ceramic"),
    "bark": Medium(60, 0.35, 4, EXPONENT_LOG_SD, 0.60, 0.09, 0.22, 12, "assumed; little to go by"),
    "charcoal": Medium(55, 0.35, 4, EXPONENT_LOG_SD, 0.60, 0.06, 0.14, 12, "assumed; little to go by"),
    "coir": Medium(140, 0.30, 4, EXPONENT_LOG_SD, 0.60, 0.18, 0.45, 4, "assumed; little to go by"),
    "sphagnum_moss": Medium(160, 0.30, 4, EXPONENT_LOG_SD, 0.80, 0.22, 0.60, 5, "assumed; little to go by"),
    "sand": Medium(150, 0.30, 6, EXPONENT_LOG_SD, 0.42, 0.15, 0.35, 0.6, "exponent from a van Genuchten sand"),
    "pebbles": Medium(5, 0.50, 4, EXPONENT_LOG_SD, 0.40, 0.02, 0.03, 8, "assumed; non-porous stones hardly lift water"),
    "unknown": Medium(72, 0.42, 4, 0.35, 0.55, 0.07, 0.17, 10, "the middle of the coarse media, wide enough for each"),
}
"""Priors by medium, after `media.csv` of the science notes; ranges there are read as 90 %."""

OTHER_NAMES: Mapping[str, str] = {
    "clay": "expanded_clay",
    "clay_pebbles": "expanded_clay",
    "lava": "lava_rock",
    "scoria": "lava_rock",
    "tuff": "lava_rock",
    "ceramic": "porous_ceramic",
    "baked_clay": "porous_ceramic",
    "moss": "sphagnum_moss",
    "damp_moss": "sphagnum_moss",
    "sphagnum": "sphagnum_moss",
    "gravel": "pebbles",
}

POT_LOG_SD = 0.32
"""Spread of `l1_mm` between pots of one mix and grain (fines, packing, age), assumed."""

GRAIN_FACTOR: Mapping[str, float] = {"fine": 0.5, "medium": 1.0, "coarse": 1.8}
"""Grain words as multiples of a medium's usual grade."""

GRAIN_EXPONENT = -1.0 / 3.0
GRAIN_LOG_SD = 0.10
"""Extra log-sd of `l1_mm` when the grain is told in words or not at all."""

SHARE_WORDS: Mapping[str, float] = {"mostly": 3.0, "half": 2.0, "some": 1.0, "little": 0.4}
"""Amounts told in words, as parts."""

WORDED_MIX_LOG_SD = 0.08
"""Extra log-sd of `l1_mm` when the shares of a mix are told in words."""

NON_POROUS = frozenset({"none", "pebbles"})


@dataclass(frozen=True)
class Mix:
    """Effective constants of one layer: means and log-sds, and what was guessed.

    shares: volume share of each medium, summing to one. extra_log_sd: log-sd of `l1_mm` beyond those of the media,
    from words in place of numbers. says: one sentence when something had to be guessed, else empty.
    """

    l1_mm: float
    exponent: float
    vapour_filled: float
    storage: float
    held: float
    shares: Mapping[str, float]
    extra_log_sd: float
    says: str


def medium_named(name: str) -> str:
    """The table's name for a medium told in words; `unknown` for one that is not in the table."""
    plain = "_".join(name.strip().lower().replace("-", " ").split())
    plain = OTHER_NAMES.get(plain, plain)
    return plain if plain in MEDIA else "unknown"


def mix_constants(mix: object, grain: object = None) -> Mix:
    """Effective constants of a mix.

    mix: `{medium: share}` with shares as numbers or words, the name of one medium, or "unknown".
    grain: "fine", "medium", "coarse", a size in mm, or None.
    Raises nothing: what cannot be read becomes `unknown` with its wide prior and a sentence.
    """
    shares, worded, puzzles = _shares(mix)
    grain_log, grain_sd = _grain(grain, shares)
    l1 = exp(sum(share * log(MEDIA[name].l1_mm) for name, share in shares.items()) + grain_log)
    exponent = exp(sum(share * log(MEDIA[name].exponent) for name, share in shares.items()))
    extra = float(np.hypot(grain_sd, WORDED_MIX_LOG_SD if worded else 0.0))
    says = ""
    if puzzles:
        says = f"nothing is known of {', '.join(puzzles)}: taken as an unknown mix"
    elif "unknown" in shares:
        says = "the mix is unknown"
    return Mix(
        l1_mm=l1,
        exponent=exponent,
        vapour_filled=sum(share * MEDIA[name].vapour_filled for name, share in shares.items()),
        storage=sum(share * MEDIA[name].storage for name, share in shares.items()),
        held=sum(share * MEDIA[name].held for name, share in shares.items()),
        shares=shares,
        extra_log_sd=extra,
        says=says,
    )


def _shares(mix: object) -> tuple[dict[str, float], bool, list[str]]:
    """Volume shares summing to one, whether any was a word, and the names that are not in the table."""
    told = {mix: 1.0} if isinstance(mix, str) else dict(mix) if isinstance(mix, Mapping) else {"unknown": 1.0}
    parts: dict[str, float] = {}
    worded = False
    puzzles: list[str] = []
    for name, amount in told.items():
        if isinstance(amount, str):
            part = SHARE_WORDS.get(amount.strip().lower(), 1.0)
            worded = True
        else:
            part = float(amount)
        if not part > 0.0:
            continue
        medium = medium_named(str(name))
        if medium == "unknown" and str(name).strip().lower() != "unknown":
            puzzles.append(str(name))
        parts[medium] = parts.get(medium, 0.0) + part
    total = sum(parts.values())
    if not np.isfinite(total) or total <= 0.0:
        return {"unknown": 1.0}, worded, puzzles
    return {name: part / total for name, part in parts.items()}, worded, puzzles


def _grain(grain: object, shares: Mapping[str, float]) -> tuple[float, float]:
    """log factor on `l1_mm` for the grain, and its log-sd."""
    if isinstance(grain, str):
        return GRAIN_EXPONENT * log(GRAIN_FACTOR.get(grain.strip().lower(), 1.0)), GRAIN_LOG_SD
    if isinstance(grain, int | float) and grain > 0:
        usual = exp(sum(share * log(MEDIA[name].grain_mm) for name, share in shares.items()))
        # beyond four times the usual grade either way the rule is not believed
        return GRAIN_EXPONENT * log(min(max(float(grain) / usual, 0.25), 4.0)), 0.0
    return 0.0, GRAIN_LOG_SD
