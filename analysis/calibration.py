"""What notes teach about media, pots and plants: the constants of the dry layer with what is left unsure of them.

Owns the hierarchy (this pot about its mix, the mix from its media, a few constants for all), the reading of a depth
note as an interval, the fit and its posterior. Must not know stores, dates or screens: the caller hands over, for every
note, the column that was noted and the air and level of the weeks before.

The picture. Every constant starts from the prior of its pot (`setups.py`, `media.py`). Notes move

- for each pot: its capillary height about that of its mix, what its plant drinks, its holes, its wick, the height of
  its surface, how well its dry bed passes vapour and how long it lives on its own water;
- for each medium: its capillary height and its exponent, shared by all pots in their shares of the mix;
- for all: vapour transport, storage at the line, and the share of uptake that is missing at the top.

Six notes in one climate inform little but the first; the rest stays as wide as the prior, and draws say so.
A pot without notes borrows through its media. A note "12 to 20 mm" is read as a normal about 16 with a quarter of the
width as sd: flat intervals over-cover. "Moist at the top" and "deeper than I could see" are bounds.

The fit is the posterior mode by a trust region with analytic gradients (`dry_layer_slopes.py`); the posterior is the
normal about it with the Gauss-Newton curvature (Laplace). A bound that is met with something to spare has no curvature,
so draws weigh bounds anew (`bounds_in_draws.py`). What the equation itself leaves out is kept apart as a discrepancy
that widens bands away from the noted conditions.

Source: science notes 9.8 and 11.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import OptimizeResult, minimize
from scipy.sparse import csr_array
from scipy.special import log_ndtr

from analysis.bounds_in_draws import CANDIDATES, Bounds, by_pot, chosen, last_of_each, log_weights
from analysis.climate_in_notes import ClimateEffect, climate_effect
from analysis.columns import Columns, FloatArray, joined
from analysis.dry_layer import drivers, first_known_mean, steady
from analysis.dry_layer_slopes import CONSTANTS, Weights, line_at_rest, step_with_slopes
from analysis.known_mean import known_mean
from analysis.media import MEDIA
from analysis.quantities import quantity

IntArray = npt.NDArray[np.int64]
Mapped = Callable[[Callable[[Any], Any], list[Any]], Sequence[Any]]


def in_turn(function: Callable[[Any], Any], jobs: list[Any]) -> list[Any]:
    """One job after another, here."""
    return [function(job) for job in jobs]


LOOKING_SD_MM = {"damp_at_top": 1.5, "one_stone": 2.0, "fingertip": 2.5, "deeper": 4.0}
"""Error of each way of looking, sd: a stone is lifted, a fingertip reaches in, a skewer or a clear wall goes deeper."""
USUAL_LOOKING_SD_MM = 2.5
MOIST_AT_TOP_MM = 3.0
"""A surface called moist is moist within about a small stone."""

MODEL_SD_MM = 1.0
"""How far the equation itself, with the best constants, strays from one noted day to another."""
NEAR_SD_MM = 0.8
"""The same at the noted conditions themselves, where the notes have already been met on average."""
TAIL = 8.0
"""Degrees of freedom of the Student tail: a slip of the pen must not drag a pot."""
INFORMATION = TAIL / (TAIL + 3.0)
"""Expected information of such a note over its curvature at no error: the tails make the posterior wider than that."""

EXTRAPOLATION = 0.18
"""Share of a predicted change from the noted conditions by which the equation may be wrong, sd."""
UNNOTED = 0.10
"""The same as a share of the depth itself in a pot without notes."""

NOTES_A_JOB = 250
"""Notes whose lines are followed together: fixed, so that results do not depend on how many workers there are."""

POT_CONSTANTS = ("l1", "uptake", "vents", "wick", "surface", "vapour", "held")


@dataclass(frozen=True)
class SharedSpread:
    """Prior spread of what all pots share: log-sds, and the sd of the logit for the uptake's share."""

    vapour_enhancement: float = 0.15
    storage: float = 0.4
    uptake_share: float = 0.6
    medium_l1: float = 1.0  # times the medium's own log-sd
    medium_exponent: float = 1.0


@dataclass(frozen=True)
class DepthNotes:
    """Noted depths with what led up to them; arrays `(note,)`, histories `(step, note)` ending at the note.

    columns: the set-up in force at each note. pot: index of the pot; each negative number names one column that is no
    pot: a column test, or a pot before its medium was changed. low_mm, high_mm: the noted interval; high NaN = at
    least low; both NaN = nothing was seen. how: way of looking. level_sd_mm: how unsure the level is.
    before: the set-up before a change within the history, from which the line started. wetted: flushed in that step.
    """

    columns: Columns
    pot: IntArray
    low_mm: FloatArray
    high_mm: FloatArray
    how: tuple[str, ...]
    vpd_kpa: FloatArray
    temperature_c: FloatArray
    level_mm: FloatArray
    step_hours: float = 6.0
    level_sd_mm: FloatArray | None = None
    before: Columns | None = None
    wetted: npt.NDArray[np.bool_] | None = None
    uptake_ml_per_day: FloatArray | None = None


@dataclass(frozen=True)
class Draws:
    """Pots as they may be: parameters drawn together, and how far the equation may stray from them.

    `columns` are today's pots, `(draw, pot)`; `under` gives the same draws for other set-ups of the same pots, so that
    options are compared draw by draw. `depth_mm` turns depths computed with them into depths with the discrepancy of
    the equation itself.
    """

    columns: Columns
    spread: SharedSpread
    shared: FloatArray  # (draw, shared) standardised
    own: FloatArray  # (draw, pot, 7) standardised
    stray: FloatArray  # (draw, pot) standard normal
    noted_mm: FloatArray  # (pot,) mean modelled depth at the notes, NaN without
    near_sd_mm: FloatArray  # (pot,)

    def under(self, columns: Columns) -> Columns:
        """The same draws for the same pots under other set-ups: columns `(pot,)` to columns `(draw, pot)`."""
        return _with(columns, self.spread, self.shared, self.own)

    def depth_mm(self, modelled_mm: FloatArray) -> FloatArray:
        """modelled_mm: `(..., draw, pot)`, from `steady` or `transient` with these draws. Same shape, never < 0."""
        noted = np.isfinite(self.noted_mm)
        away = np.where(
            noted, EXTRAPOLATION * np.abs(modelled_mm - np.nan_to_num(self.noted_mm)), UNNOTED * modelled_mm
        )
        sd = np.hypot(self.near_sd_mm, away)
        return np.asarray(np.maximum(modelled_mm + sd * self.stray, 0.0))


@dataclass(frozen=True)
class Posterior:
    """What is believed of the pots after the notes.

    shared_mean, pot_mean: standardised modes, `(shared,)` and `(pot, 7)`. informed: sentences, which constants the
    notes have informed. rests_on: per pot "measured", "borrowed" or "guessed". notes: how many spoke for each pot.
    shows_mm: whether a screen may show millimetres (else bands only), per pot.
    """

    columns: Columns
    spread: SharedSpread
    shared_names: tuple[str, ...]
    shared_mean: FloatArray
    shared_sd: FloatArray
    pot_mean: FloatArray
    noted_mm: FloatArray
    near_sd_mm: FloatArray
    notes: IntArray
    informed: tuple[str, ...]
    rests_on: tuple[str, ...]
    at_notes_mm: FloatArray  # modelled depth at each note, at the mode
    shared_root: FloatArray  # (shared, shared): root of the shared covariance
    pot_root: FloatArray  # (pot, 7, 7): root of the pot's covariance given the shared
    pot_by_shared: FloatArray  # (pot, 7, shared): how the pot's mode follows the shared
    bounds: Bounds | None = None  # looks that gave a bound: a normal about the mode does not know what they cut off

    @property
    def shows_mm(self) -> npt.NDArray[np.bool_]:
        """Whether there is a note behind the pot's figure: before, a screen shows bands and not millimetres."""
        return np.asarray(self.notes > 0)

    def draws(self, rng: np.random.Generator, count: int) -> Draws:
        """`count` draws of all pots together, with everything the pots share drawn once a draw."""
        shared_off = rng.standard_normal((count, len(self.shared_mean))) @ self.shared_root.T
        own = np.einsum("pij,dpj->dpi", self.pot_root, rng.standard_normal((count, *self.pot_mean.shape)))
        pots = self.pot_mean + own + np.einsum("pis,ds->dpi", self.pot_by_shared, shared_off)
        shared = self.shared_mean + shared_off
        stray = rng.standard_normal((count, self.columns.pots))
        if self.bounds is not None:
            pots = self._within_bounds(self.bounds, pots, shared_off, rng)
        return Draws(
            columns=_with(self.columns, self.spread, shared, pots),
            spread=self.spread,
            shared=shared,
            own=pots,
            stray=stray,
            noted_mm=self.noted_mm,
            near_sd_mm=self.near_sd_mm,
        )

    def _within_bounds(
        self, bounds: Bounds, pots: FloatArray, shared_off: FloatArray, rng: np.random.Generator
    ) -> FloatArray:
        """Pots' own constants (draw, pot, 7), chosen anew where a look gave a bound; other pots stay as they are."""
        bounded, of_note = np.unique(bounds.pot, return_inverse=True)
        first = pots[None][:, :, bounded]
        other = np.einsum(
            "pij,cdpj->cdpi",
            self.pot_root[bounded],
            rng.standard_normal((CANDIDATES - 1, len(pots), len(bounded), len(POT_CONSTANTS))),
        )
        follows = np.einsum("pis,ds->dpi", self.pot_by_shared[bounded], shared_off)
        every = np.concatenate([first, self.pot_mean[bounded] + other + follows])
        shared = self.shared_mean + shared_off
        weight = np.empty((*every.shape[:2], len(bounds.pot)))
        for candidate, own in enumerate(every):
            columns = _with(bounds.columns, self.spread, shared, own[:, of_note])
            air = (bounds.vpd_kpa, bounds.temperature_c, bounds.level_mm)
            rest = steady(columns, *air, uptake_ml_per_day=bounds.uptake_ml_per_day).dry_depth_mm
            off = own[:, of_note] - self.pot_mean[bounds.pot]
            weight[candidate] = log_weights(bounds, rest, off, shared_off)
        kept = pots.copy()
        kept[:, bounded] = chosen(every, by_pot(weight, of_note.astype(np.int64), len(bounded)), rng)
        return kept

    def centre(self) -> Columns:
        """The columns at the mode."""
        return _with(self.columns, self.spread, self.shared_mean, self.pot_mean)


def calibrate(
    columns: Columns,
    notes: DepthNotes | None = None,
    spread: SharedSpread | None = None,
    mapped: Mapped = in_turn,
) -> Posterior:
    """The posterior of all pots after the notes; without notes it is the prior.

    columns: the pots as they stand today, `(pot,)`. notes: see `DepthNotes`; notes that say nothing (both bounds
    unknown, or deeper than the whole column) are left out. spread: priors of what pots share. mapped: where the
    lines that led to the notes are computed, `NOTES_A_JOB` notes at a time; the result does not depend on it. The
    constants themselves hang together over all pots and are fitted here.
    Raises ValueError when a note names a pot that is not there.
    """
    spread = spread or SharedSpread()
    kept = _readable(columns, notes) if notes is not None else None
    names, _ = _shared(columns, spread)
    if kept is None or kept.columns.pots == 0:
        return _posterior(columns, spread, names, None, None)
    return _posterior(columns, spread, names, kept, Fit(columns, kept, spread, mapped))


def column_test_depth_mm(tube_height_mm: npt.ArrayLike, damp_height_mm: npt.ArrayLike) -> FloatArray:
    """The dry depth that a column test shows: a clear tube of the mix in water, dry above its damp height."""
    return np.maximum(np.asarray(tube_height_mm, dtype=np.float64) - np.asarray(damp_height_mm, dtype=np.float64), 0.0)


# --- the hierarchy ----------------------------------------------------------------------------------------------------


def _shared(columns: Columns, spread: SharedSpread) -> tuple[tuple[str, ...], FloatArray]:
    """Names and prior sds of what all pots share. All media of the table have their place, seen or not."""
    names = [f"l1 of {medium}" for medium in columns.media]
    sds = [spread.medium_l1 * MEDIA[medium].l1_log_sd for medium in columns.media]
    names += [f"exponent of {medium}" for medium in columns.media]
    sds += [spread.medium_exponent * MEDIA[medium].exponent_log_sd for medium in columns.media]
    names += ["vapour transport", "storage at the line", "share of uptake"]
    sds += [spread.vapour_enhancement, spread.storage, spread.uptake_share]
    return tuple(names), np.array(sds)


def _pot_sds(columns: Columns) -> FloatArray:
    """Prior sds of what is a pot's own, `(pot, 7)`, in the order of `POT_CONSTANTS`."""
    return np.stack(
        [
            columns.pot_log_sd,
            columns.uptake_log_sd,
            columns.vent_log_sd,
            columns.wick_log_sd,
            columns.surface_sd_mm,
            columns.vapour_pot_log_sd,
            columns.held_log_sd,
        ],
        axis=1,
    )


def _with(columns: Columns, spread: SharedSpread, shared: FloatArray, own: FloatArray) -> Columns:
    """The columns under standardised parameters: shared `(..., shared)`, own `(..., pot, 7)`."""
    _, sds = _shared(columns, spread)
    pot_sds = _pot_sds(columns)
    moved, mine = shared * sds, own * pot_sds
    media = len(columns.media)
    height = np.einsum("...m,lmp->l...p", moved[..., :media], columns.layer_share) + mine[..., 0]
    exponent = np.einsum("...m,lmp->l...p", moved[..., media : 2 * media], columns.layer_share)
    vapour, storage, share = (moved[..., 2 * media + i, None] for i in range(3))

    def by_layer(values: FloatArray) -> FloatArray:
        return values.reshape(values.shape[0], *(1,) * (height.ndim - 2), values.shape[-1])

    logit = np.log(columns.uptake_share / (1.0 - columns.uptake_share)) + share
    return replace(
        columns,
        layer_thickness_mm=np.broadcast_to(by_layer(columns.layer_thickness_mm), height.shape),
        layer_l1_mm=by_layer(columns.layer_l1_mm) * np.exp(height),
        # below 1.2 the law has no limiting height
        layer_exponent=np.maximum(by_layer(columns.layer_exponent) * np.exp(exponent), 1.2),
        layer_vapour_filled=np.broadcast_to(by_layer(columns.layer_vapour_filled), height.shape),
        vapour_enhancement=columns.vapour_enhancement * np.exp(vapour + mine[..., 5]),
        uptake_ml_per_day_at_1_kpa=columns.uptake_ml_per_day_at_1_kpa * np.exp(mine[..., 1]),
        vent_draught=columns.vent_draught * np.exp(mine[..., 2]),
        wick_mm_per_ml_per_day=columns.wick_mm_per_ml_per_day * np.exp(mine[..., 3]),
        surface_height_mm=columns.surface_height_mm + mine[..., 4],
        uptake_share=1.0 / (1.0 + np.exp(-logit)) + np.zeros(columns.pots),
        storage=columns.storage * np.exp(storage),
        held=columns.held * np.exp(mine[..., 6]),
    )


def _weights(columns: Columns, spread: SharedSpread) -> Weights:
    """d ln constant / d standardised parameter, for the shared parameters first, then the pot's own."""
    _, sds = _shared(columns, spread)
    pot_sds = _pot_sds(columns)
    media, layers, pots = len(columns.media), columns.layer_l1_mm.shape[0], columns.pots
    count = len(sds) + len(POT_CONSTANTS)
    share = np.moveaxis(columns.layer_share, 0, 1)  # (medium, layer, pot)
    l1, exponent = np.zeros((count, layers, pots)), np.zeros((count, layers, pots))
    other = np.zeros((count, len(CONSTANTS), pots))
    l1[:media] = share * sds[:media, None, None]
    exponent[media : 2 * media] = share * sds[media : 2 * media, None, None]
    at = {name: i for i, name in enumerate(CONSTANTS)}
    first = 2 * media
    other[first, at["vapour_enhancement"]] = sds[first]
    other[first + 1, at["storage"]] = sds[first + 1]
    other[first + 2, at["uptake_share"]] = sds[first + 2]
    own = len(sds)
    l1[own] = pot_sds[:, 0]
    for i, name in ((1, "uptake"), (2, "vents"), (3, "wick"), (4, "surface"), (5, "vapour_enhancement"), (6, "held")):
        other[own + i, at[name]] = pot_sds[:, i]
    return Weights(l1, exponent, other)


def _active(weights: Weights) -> IntArray:
    """The parameters that move anything in these columns: media that nobody uses are carried in vain."""
    moves = np.any(weights.l1 != 0.0, axis=(1, 2)) | np.any(weights.exponent != 0.0, axis=(1, 2))
    return np.flatnonzero(moves | np.any(weights.other != 0.0, axis=(1, 2)))


# --- notes as evidence ------------------------------------------------------------------------------------------------


def _readable(columns: Columns, notes: DepthNotes) -> DepthNotes:
    """The notes that say something, in good order."""
    if np.any(notes.pot >= columns.pots):
        raise ValueError("a note names a pot that is not among the columns")
    low, high = np.fmin(notes.low_mm, notes.high_mm), np.fmax(notes.low_mm, notes.high_mm)
    low, high = np.where(np.isnan(notes.low_mm), np.nan, low), np.where(np.isnan(notes.high_mm), np.nan, high)
    low = np.where(np.isnan(low) & np.isfinite(high), 0.0, low)
    seen = np.isfinite(low) & np.array([how != "cannot_see" for how in notes.how], dtype=bool)
    # nobody looks deeper than the pot: such a number is a slip, and tells nothing
    seen &= low <= notes.columns.column_mm
    # air that does not pull at all is a wet sensor, not a climate
    vpd = np.where(notes.vpd_kpa > 0.0, notes.vpd_kpa, np.nan)
    seen &= np.isfinite(vpd + notes.temperature_c + notes.level_mm).any(axis=0)
    notes = replace(notes, low_mm=low, high_mm=high, vpd_kpa=vpd)
    return _notes_taken(notes, np.flatnonzero(seen))


def _notes_taken(notes: DepthNotes, index: IntArray) -> DepthNotes:
    def of(values: FloatArray | None) -> FloatArray | None:
        return None if values is None else values[..., index]

    return replace(
        notes,
        columns=notes.columns.taken(index),
        pot=notes.pot[index],
        low_mm=notes.low_mm[index],
        high_mm=notes.high_mm[index],
        how=tuple(notes.how[i] for i in index),
        vpd_kpa=notes.vpd_kpa[:, index],
        temperature_c=notes.temperature_c[:, index],
        level_mm=notes.level_mm[:, index],
        level_sd_mm=of(notes.level_sd_mm),
        before=None if notes.before is None else notes.before.taken(index),
        wetted=None if notes.wetted is None else notes.wetted[:, index],
        uptake_ml_per_day=of(notes.uptake_ml_per_day),
    )


def note_sd_mm(notes: DepthNotes) -> FloatArray:
    """How far a noted depth may lie from the modelled one: looking, the width of the interval, the level, the model."""
    looking = np.array([LOOKING_SD_MM.get(how, USUAL_LOOKING_SD_MM) for how in notes.how])
    width = np.nan_to_num(notes.high_mm - notes.low_mm)
    level = 1.0 if notes.level_sd_mm is None else notes.level_sd_mm
    return np.asarray(np.sqrt(np.maximum(width / 4.0, looking) ** 2 + (0.6 * level) ** 2 + MODEL_SD_MM**2))


def _surprise(notes: DepthNotes, depth_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Minus log likelihood of each note at a modelled depth, its slope in depth, and a curvature never below zero.

    depth_mm: below zero for a pot that is moist with something to spare.
    """
    sd = note_sd_mm(notes)
    moist = np.nan_to_num(notes.high_mm, nan=np.inf) <= MOIST_AT_TOP_MM
    open_end = np.isnan(notes.high_mm)
    bound = np.where(moist, np.maximum(np.nan_to_num(notes.high_mm), MOIST_AT_TOP_MM), notes.low_mm)
    sign = np.where(moist, 1.0, -1.0)
    reach = sign * (bound - depth_mm) / sd
    ratio = np.exp(-0.5 * reach**2 - 0.5 * np.log(2.0 * np.pi) - log_ndtr(reach))
    off = (depth_mm - np.where(open_end, notes.low_mm, 0.5 * (notes.low_mm + notes.high_mm))) / sd
    pull = (TAIL + 1.0) / (TAIL + off**2)
    bounded = moist | open_end
    value = np.where(bounded, -log_ndtr(reach), 0.5 * (TAIL + 1.0) * np.log1p(off**2 / TAIL))
    slope = np.where(bounded, sign * ratio / sd, pull * off / sd)
    curvature = np.where(bounded, ratio * (ratio + reach), INFORMATION * pull) / sd**2
    return value, slope, np.maximum(curvature, 0.0)


class Fit:
    """The mode of the posterior and its curvature. Standardised parameters: the shared first, then each pot's."""

    def __init__(self, columns: Columns, notes: DepthNotes, spread: SharedSpread, mapped: Mapped = in_turn) -> None:
        self.notes, self.spread, self.mapped = notes, spread, mapped
        tubes = np.unique(notes.pot[notes.pot < 0])
        owner = np.where(notes.pot >= 0, notes.pot, columns.pots + np.searchsorted(tubes, notes.pot))
        self.owners = columns.pots + len(tubes)
        self.owner = owner.astype(np.int64)
        self.shared = len(_shared(columns, spread)[0])
        full = _weights(notes.columns, spread)
        self.active = _active(full)
        first = full if notes.before is None else _weights(notes.before, spread)
        self.parts = [
            _Part(
                _notes_taken(notes, index),
                spread,
                self.owner[index],
                _weights_taken(full, self.active, index),
                _weights_taken(first, self.active, index),
            )
            for index in np.split(np.arange(owner.size), np.arange(NOTES_A_JOB, owner.size, NOTES_A_JOB))
        ]
        count = self.shared + len(POT_CONSTANTS) * self.owners
        lately = [np.inf]

        def enough(intermediate_result: OptimizeResult) -> None:
            # at bounds (a surface just moist) the slope has kinks, on which a gradient norm never settles
            lately.append(float(intermediate_result.fun))
            if len(lately) > 4 and lately[-4] - lately[-1] < 0.1:
                raise StopIteration

        found = minimize(
            self.objective, np.zeros(count), jac=True, hessp=self._curved, method="trust-ncg", callback=enough,
            options={"gtol": 0.02, "maxiter": 40, "initial_trust_radius": 3.0, "max_trust_radius": 30.0},
        )  # fmt: skip
        self.mode = np.asarray(found.x, dtype=np.float64)
        self.objective(self.mode)
        self.depth_mm = self._depth
        self.jacobian, self.curvature = self._jacobian, self._curvature

    def name_of(self, index: int) -> str:
        """What a parameter is, in words."""
        if index < self.shared:
            return _shared(self.notes.columns, self.spread)[0][index]
        owner, own = divmod(index - self.shared, len(POT_CONSTANTS))
        return f"{POT_CONSTANTS[own]} of column {owner}"

    def modelled(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Depths at the notes and their derivatives, `(note,)` and `(active parameter, note)`."""
        own = x[self.shared :].reshape(self.owners, len(POT_CONSTANTS))
        found = self.mapped(_lines_at_notes, [(part, x[: self.shared], own[part.owner]) for part in self.parts])
        return np.concatenate([depth for depth, _ in found]), np.concatenate([slopes for _, slopes in found], axis=1)

    def objective(self, x: FloatArray) -> tuple[float, FloatArray]:
        """Minus log posterior and its gradient."""
        depth, slopes = self.modelled(x)
        value, slope, curvature = _surprise(self.notes, depth)
        self._depth, self._curvature = depth, curvature
        self._jacobian = self._sparse(slopes)
        return float(value.sum() + 0.5 * x @ x), np.asarray(x + self._jacobian.T @ slope)

    def _sparse(self, slopes: FloatArray) -> csr_array:
        """Derivatives as a sparse matrix (note, parameter): each note knows the shared and its own pot's."""
        pots = self.active - self.shared
        place = np.where(
            pots[:, None] < 0,
            self.active[:, None],
            self.shared + len(POT_CONSTANTS) * self.owner[None, :] + pots[:, None],
        )
        row = np.broadcast_to(np.arange(slopes.shape[1]), slopes.shape)
        count = self.shared + len(POT_CONSTANTS) * self.owners
        return csr_array((slopes.ravel(), (row.ravel(), place.ravel())), shape=(slopes.shape[1], count))

    def _curved(self, _x: FloatArray, direction: FloatArray) -> FloatArray:
        return np.asarray(direction + self._jacobian.T @ (self._curvature * (self._jacobian @ direction)))


@dataclass(frozen=True)
class _Part:
    """Some notes, with all that is needed to follow their lines but the constants."""

    notes: DepthNotes
    spread: SharedSpread
    owner: IntArray
    weights: Weights
    before_weights: Weights


def _weights_taken(weights: Weights, active: IntArray, index: IntArray) -> Weights:
    return Weights(
        weights.l1[active][..., index], weights.exponent[active][..., index], weights.other[active][..., index]
    )


def _lines_at_notes(asked: tuple[_Part, FloatArray, FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Depths at some notes and their derivatives, `(note,)` and `(active parameter, note)`, under given constants."""
    part, shared, own = asked
    notes = part.notes
    columns = _with(notes.columns, part.spread, shared, own)
    steps = notes.vpd_kpa.shape[0]
    week = max(1, min(steps, round(168.0 / notes.step_hours)))
    start = columns if notes.before is None else _with(notes.before, part.spread, shared, own)
    early = first_known_mean(notes.vpd_kpa, notes.temperature_c, notes.level_mm, week)
    line = line_at_rest(start, drivers(start, *early), part.before_weights)
    for i in range(steps):
        uptake = None if notes.uptake_ml_per_day is None else notes.uptake_ml_per_day[i]
        ask = drivers(columns, notes.vpd_kpa[i], notes.temperature_c[i], notes.level_mm[i], uptake_ml_per_day=uptake)
        line = step_with_slopes(columns, ask, line, part.weights, notes.step_hours / 24.0)
        if notes.wetted is not None:
            line = replace(
                line,
                depth_mm=np.where(notes.wetted[i], 0.0, line.depth_mm),
                slopes=np.where(notes.wetted[i], 0.0, line.slopes),
            )
    return line.depth_mm, line.slopes


# --- the posterior ----------------------------------------------------------------------------------------------------


def _posterior(
    columns: Columns, spread: SharedSpread, names: tuple[str, ...], notes: DepthNotes | None, fit: Fit | None
) -> Posterior:
    own, shared, pots = len(POT_CONSTANTS), len(names), columns.pots
    near = np.full(pots, NEAR_SD_MM)
    counts = np.zeros(pots, dtype=np.int64)
    noted = np.full(pots, np.nan)
    if fit is None or notes is None:
        return Posterior(
            columns, spread, names, np.zeros(shared), np.ones(shared), np.zeros((pots, own)), noted, near, counts,
            ("no note has informed any constant yet",), ("guessed",) * pots, np.empty(0), np.eye(shared),
            np.broadcast_to(np.eye(own), (pots, own, own)).copy(), np.zeros((pots, own, shared)),
        )  # fmt: skip
    # the curvature is an arrow: shared against shared, each pot against itself and against the shared; never written
    # out whole, for of thousands of pots it would not fit in memory
    root = np.sqrt(fit.curvature)
    common = fit.jacobian[:, :shared].toarray() * root[:, None]
    head = np.eye(shared) + common.T @ common
    blocks = np.broadcast_to(np.eye(own), (fit.owners, own, own)).copy()
    cross = np.zeros((fit.owners, own, shared))
    for owner in np.unique(fit.owner):
        index = np.flatnonzero(fit.owner == owner)
        columns_of_it = slice(shared + own * owner, shared + own * (owner + 1))
        mine = fit.jacobian[index][:, columns_of_it].toarray() * root[index, None]
        blocks[owner] += mine.T @ mine
        cross[owner] = mine.T @ common[index]
    inverse = np.linalg.inv(blocks)
    follow = -inverse @ cross
    schur = head + np.einsum("pis,pit->st", cross, follow)
    covariance = np.linalg.inv(0.5 * (schur + schur.T))
    own_mode = fit.mode[shared:].reshape(fit.owners, own)
    mine_notes = fit.owner < pots
    np.add.at(counts, fit.owner[mine_notes], 1)
    total = np.zeros(pots)
    np.add.at(total, fit.owner[mine_notes], np.maximum(fit.depth_mm[mine_notes], 0.0))
    noted = np.where(counts > 0, total / np.maximum(counts, 1), np.nan)
    near = _near_sd(notes, fit, counts, pots)
    shared_sd = np.sqrt(np.diag(covariance))
    return Posterior(
        columns=columns,
        spread=spread,
        shared_names=names,
        shared_mean=fit.mode[:shared],
        shared_sd=shared_sd,
        pot_mean=own_mode[:pots],
        noted_mm=noted,
        near_sd_mm=near,
        notes=counts,
        informed=_informed(
            columns, names, shared_sd, counts, _climate_effect(notes, fit.owner, pots), notes.how.count("column_test")
        ),
        rests_on=_rests_on(columns, counts, shared_sd),
        at_notes_mm=fit.depth_mm,
        shared_root=np.linalg.cholesky(covariance),
        pot_root=np.linalg.cholesky(0.5 * (inverse + np.swapaxes(inverse, 1, 2)))[:pots],
        pot_by_shared=follow[:pots],
        bounds=_bounds(notes, fit, pots),
    )


MOST_BOUNDS = 3
"""So many bounds of a pot, its last, are weighed draw by draw; older ones say the same."""


def _bounds(notes: DepthNotes, fit: Fit, pots: int) -> Bounds | None:
    """The looks at pots that gave a bound, where the line was left to itself before them."""
    moist = np.nan_to_num(notes.high_mm, nan=np.inf) <= MOIST_AT_TOP_MM
    kept = (moist | np.isnan(notes.high_mm)) & (fit.owner < pots)
    if notes.wetted is not None:
        kept &= ~notes.wetted.any(axis=0)
    if notes.before is not None:
        kept &= ~_differ(notes.before, notes.columns)
    found = np.flatnonzero(kept)
    air = _lately(_notes_taken(notes, found))
    found = found[np.isfinite(sum(air))]
    if not found.size:
        return None
    index = found[last_of_each(fit.owner[found], found, MOST_BOUNDS)]
    of, sign = _notes_taken(notes, index), np.where(moist, 1.0, -1.0)[index]
    air = _lately(of)
    shared, own = fit.mode[: fit.shared], fit.mode[fit.shared :].reshape(fit.owners, len(POT_CONSTANTS))
    owner, depth = fit.owner[index], fit.depth_mm[index]
    told = of.uptake_ml_per_day
    uptake = np.full(len(index), np.nan) if told is None else known_mean(told)  # NaN: the column's own
    at_mode = _with(of.columns, fit.spread, shared, own[owner])
    rest = steady(at_mode, *air, uptake_ml_per_day=uptake).dry_depth_mm
    slopes = fit.jacobian[index]
    place = fit.shared + len(POT_CONSTANTS) * owner[:, None] + np.arange(len(POT_CONSTANTS))[None, :]
    _, slope, curvature = _surprise(notes, fit.depth_mm)
    return Bounds(
        columns=of.columns,
        pot=owner,
        sign=sign,
        bound_mm=np.where(sign > 0, np.maximum(np.nan_to_num(of.high_mm), MOIST_AT_TOP_MM), of.low_mm),
        sd_mm=note_sd_mm(of),
        vpd_kpa=air[0],
        temperature_c=air[1],
        level_mm=air[2],
        uptake_ml_per_day=uptake,
        # a line above the surface is no depth, and tells nothing of how far from its rest it is
        shift_mm=np.where((depth > 0) & (rest > 0), depth - rest, 0.0),
        slope=slope[index],
        curvature=curvature[index],
        own_slopes=csr_array(slopes[np.arange(len(index))[:, None], place]).toarray(),
        shared_slopes=slopes[:, : fit.shared].toarray(),
    )


def _differ(before: Columns, after: Columns) -> npt.NDArray[np.bool_]:
    """Which columns (note,) are not built alike."""
    both = joined(before, after)  # either may have more layers than the other
    alike = np.ones(after.pots, dtype=np.bool_)
    for name in ("layer_l1_mm", "layer_thickness_mm", "surface_height_mm", "vent_draught", "wick_mm_per_ml_per_day"):
        value = getattr(both, name)
        same = np.isclose(value[..., : after.pots], value[..., after.pots :], equal_nan=True)
        alike &= same.reshape(-1, after.pots).all(axis=0)
    return ~alike


def _lately(notes: DepthNotes) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Means (note,) of dryness, warmth and level over the last days before each note, of what is known."""
    steps = max(1, round(24.0 * CLIMATE_DAYS / notes.step_hours))
    return first_known_mean(notes.vpd_kpa[-steps:], notes.temperature_c[-steps:], notes.level_mm[-steps:], steps)


def _near_sd(notes: DepthNotes, fit: Fit, counts: IntArray, pots: int) -> FloatArray:
    """The equation's own straying in each pot, wider where the notes contradict each other or it."""
    middle = np.where(np.isnan(notes.high_mm), notes.low_mm, 0.5 * (notes.low_mm + notes.high_mm))
    moist = np.nan_to_num(notes.high_mm, nan=np.inf) <= MOIST_AT_TOP_MM
    off = np.where(moist, np.maximum(fit.depth_mm - MOIST_AT_TOP_MM, 0.0), fit.depth_mm - middle)
    off = np.where(np.isnan(notes.high_mm), np.minimum(fit.depth_mm - notes.low_mm, 0.0), off)
    square = np.zeros(pots)
    mine = fit.owner < pots
    np.add.at(square, fit.owner[mine], (off / note_sd_mm(notes))[mine] ** 2)
    # three notes' worth of good faith before a pot is called contradictory
    excess = np.maximum((square + 3.0) / (counts + 3.0), 1.0)
    typical = float(np.median(note_sd_mm(notes)))
    return np.asarray(np.sqrt(NEAR_SD_MM**2 + (excess - 1.0) * typical**2))


INFORMED_BELOW = 0.75


CLIMATE_DAYS = 10.0
"""Days of air and level that a depth remembers, for the plain regression over notes."""


def _climate_effect(notes: DepthNotes, owner: IntArray, pots: int) -> ClimateEffect:
    """What the notes alone say of the air, pots only; a moist surface and an open end are no depths."""
    last = notes.vpd_kpa[-max(1, round(24.0 * CLIMATE_DAYS / notes.step_hours)) :]
    level = notes.level_mm[-len(last) :]
    known = np.isfinite(last + level)
    count = np.maximum(known.sum(axis=0), 1)
    middle = 0.5 * (notes.low_mm + notes.high_mm)
    depth = np.where((owner < pots) & (notes.high_mm > MOIST_AT_TOP_MM) & known.any(axis=0), middle, np.nan)
    return climate_effect(
        owner,
        depth,
        note_sd_mm(notes),
        np.where(known, last, 0.0).sum(axis=0) / count,
        np.where(known, level, 0.0).sum(axis=0) / count,
    )


def _informed(
    columns: Columns, names: tuple[str, ...], sd: FloatArray, counts: IntArray, climate: ClimateEffect, tests: int
) -> tuple[str, ...]:
    """Which constants the notes have informed, as sentences."""
    pots = int((counts > 0).sum())
    says = [f"{int(counts.sum())} notes have set the capillary height of {pots} of {columns.pots} pots"]
    if tests:
        says.append(f"{tests} column test{'' if tests == 1 else 's'} told of a mix in every pot that holds some of it")
    present = columns.layer_share.sum(axis=(0, 2)) > 0.0
    media = len(columns.media)
    heights = [m for i, m in enumerate(columns.media) if present[i] and sd[i] < INFORMED_BELOW]
    exponents = [m for i, m in enumerate(columns.media) if present[i] and sd[media + i] < INFORMED_BELOW]
    if heights:
        says.append(f"the height of {_listed(heights)} is informed, also for pots without notes")
    if exponents:
        says.append(f"how {_listed(exponents)} answers to air and level is informed")
    else:
        says.append("how the media answer to drier air is still the prior: the notes span too little air and level")
    for name, value in zip(names[2 * media :], sd[2 * media :], strict=True):
        if value < INFORMED_BELOW:
            says.append(f"{name} is informed")
    if climate.hardly_matters:
        says.append(
            "in these notes climate hardly matters once the level is known: twice as dry air is worth "
            f"{quantity(climate.mm_per_doubling, 'mm')}, at most {quantity(climate.high, 'mm')}"
        )
    return tuple(says)


def _listed(media: list[str]) -> str:
    return " and ".join([", ".join(m.replace("_", " ") for m in media[:-1]), media[-1].replace("_", " ")]).removeprefix(
        " and "
    )


def _rests_on(columns: Columns, counts: IntArray, sd: FloatArray) -> tuple[str, ...]:
    """Measured: own notes; borrowed: most of its medium is known from other pots; guessed: priors alone."""
    known = (sd[: len(columns.media)] < INFORMED_BELOW).astype(np.float64)
    thick = columns.layer_thickness_mm / np.maximum(columns.layer_thickness_mm.sum(axis=0), 1e-9)
    share = np.einsum("lmp,lp,m->p", columns.layer_share, thick, known)
    return tuple(
        "measured" if count > 0 else "borrowed" if part >= 0.5 else "guessed"
        for count, part in zip(counts, share, strict=True)
    )
