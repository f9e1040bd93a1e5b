"""The invented home as data: shelves, pots, their dated set-ups and what is hidden from the grower.

Owns `World` and the reading of a set-up (words or numbers) into plain numbers, with the simulator's own meaning of the
words. A pot has two histories: `setups`, what the grower wrote down, and `true_setups`, what stands on the shelf.
It must not know how water moves.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simulated_feeds.climate import Air
from simulated_feeds.media import MEDIA, Medium, blend

Setup = Mapping[str, Any]

VENT_WORDS: Mapping[str, tuple[int, float]] = {"none": (0, 6.0), "few": (6, 6.0), "many": (20, 8.0)}
STRAND_WORDS: Mapping[str, int] = {"none": 0, "one": 1, "several": 3}
GAP_MM: Mapping[str, float] = {"none": 0.0, "narrow": 3.0, "wide": 12.0}
PEBBLE_VAPOUR = 0.42
MIX_WORDS: Mapping[str, float] = {"mostly": 3.0, "half": 2.0, "some": 1.0, "little": 0.4}


@dataclass(frozen=True)
class Hidden:
    """What no grower knows of a pot. `key` addresses its random numbers: pots that share it are twins.

    Height and conductivity scale multiply those of the medium; together they spread the height at 1 mm/d.
    """

    key: int
    height_scale: float = 1.0
    conductivity_scale: float = 1.0
    vapour_scale: float = 1.25
    film_scale: float = 1.0
    wick_scale: float = 1.0
    plant_ml_per_day: float = 3.0
    night_share: float = 0.7
    rooting_depth_mm: float = 20.0
    refill_below: float = 0.7


@dataclass(frozen=True)
class Shelf:
    """One shelf: its words, hours of lamp or sun or mat a day, and the air that makes its climate."""

    label: str
    air: str
    heat: str
    hours_per_day: float
    climate: Air


@dataclass(frozen=True)
class Pot:
    """One pot; both histories are sorted by `from_ms`."""

    label: str
    plant: str
    likes: str
    roots: str
    setups: tuple[Setup, ...]
    true_setups: tuple[Setup, ...]
    hidden: Hidden


@dataclass(frozen=True)
class World:
    """The invented home."""

    shelves: tuple[Shelf, ...]
    pots: tuple[Pot, ...]

    def pot(self, label: str) -> Pot:
        """The pot of that label."""
        for pot in self.pots:
            if pot.label == label:
                return pot
        raise ValueError(f"there is no pot {label!r}")

    def with_variants(self, variants: Mapping[str, Setup], from_ms: int | None = None) -> "World":
        """Every pot once a variant, labelled `pot | variant`, with these set-up keys changed from `from_ms` on.

        The hidden truth and its random numbers are kept: the same pot under another cover, with other holes, ...
        """
        pots = [
            replace(
                pot,
                label=f"{pot.label} | {name}",
                setups=changed(pot.setups, change, from_ms),
                true_setups=changed(pot.true_setups, change, from_ms),
            )
            for name, change in variants.items()
            for pot in self.pots
        ]
        return World(self.shelves, tuple(pots))


def changed(setups: Sequence[Setup], change: Setup, from_ms: int | None) -> tuple[Setup, ...]:
    """Dated set-ups with some keys changed from a moment on (all along, if None)."""
    if from_ms is None:
        return tuple({**setup, **change} for setup in setups)
    before = [dict(setup) for setup in setups if setup["from_ms"] < from_ms]
    after = [{**setup, **change} for setup in setups if setup["from_ms"] >= from_ms]
    if not before:
        return tuple(after)
    opened = {**before[-1], **change, "from_ms": from_ms}
    return (*before, *after) if after and after[0]["from_ms"] == from_ms else (*before, opened, *after)


@dataclass(frozen=True)
class Build:
    """A set-up in plain numbers. Heights are above the reservoir floor; layers run from the top."""

    shelf: str
    area_mm2: float
    wall_mm: float
    reservoir_mm2: float
    fill_mark_mm: float
    rim_mm: float
    surface_mm: float
    layers: tuple[tuple[float, Medium], ...]
    porous_cover_mm: float
    pebbles_mm: float
    vent_count: int
    vent_diameter_mm: float
    vent_wall_mm: float
    vent_height_mm: float
    strands: int
    gap_mm2: float

    @property
    def column_mm(self) -> float:
        """Height of all that wicks, porous cover included."""
        return sum(thickness for thickness, _ in self.layers)


def _shares(mix: Mapping[str, Any] | str) -> dict[str, float]:
    if isinstance(mix, str):
        return {"expanded_clay": 0.6, "lava_rock": 0.4} if mix == "unknown" else {mix: 1.0}
    return {name: MIX_WORDS[share] if isinstance(share, str) else float(share) for name, share in mix.items()}


def build_of(setup: Setup) -> Build:
    """Read a set-up dict. A cover that replaces medium takes the place of the topmost layer."""
    vessel = setup["pot"]
    across = float(vessel["size_cm"]) * 10.0 if "size_cm" in vessel else float(vessel["top_diameter_mm"])
    area = np.pi / 4.0 * across**2
    reservoir = setup["reservoir"]
    mark = float(reservoir["fill_mark_mm"])
    if "fill_ml" in reservoir:
        water_area = float(reservoir["fill_ml"]) * 1000.0 / mark
    else:
        # between the grains of a bed about 0.48 of the space is open to water
        water_area = float(reservoir["area_mm2"]) * (1.0 - 0.52 * float(reservoir.get("medium_fraction", 0.0)))
    rim = float(reservoir.get("height_mm", mark + 10.0))
    layers = [
        (float(layer["thickness_mm"]), blend(_shares(layer["mix"]), layer.get("grain", "medium")))
        for layer in setup["layers"]
    ]
    surface = (
        float(setup["surface_height_mm"])
        if "surface_height_mm" in setup
        else (mark + float(setup["surface_to_water_mm"]))
    )
    cover = setup.get("top_layer", {"kind": "none", "thickness_mm": 0.0})
    kind, cover_mm = str(cover["kind"]), float(cover.get("thickness_mm", 0.0))
    if kind != "none" and cover_mm > 0.0 and cover.get("replaces_medium", False):
        surface -= cover_mm
        layers = _without_top(layers, cover_mm)
    porous = cover_mm if kind in MEDIA and kind != "pebbles" else 0.0
    if porous:
        layers = [(porous, blend({kind: 1.0}, cover.get("grain", "medium"))), *layers]
    vents = setup.get("vents", "none")
    wick = setup.get("wick", "one")
    gap = GAP_MM[str(setup.get("gap", "none"))]
    return Build(
        shelf=str(setup["shelf"]),
        area_mm2=area,
        wall_mm=np.pi * across,
        reservoir_mm2=water_area,
        fill_mark_mm=mark,
        rim_mm=max(rim, mark),
        surface_mm=surface,
        layers=tuple(layers),
        porous_cover_mm=porous,
        pebbles_mm=cover_mm if kind == "pebbles" else 0.0,
        vent_count=VENT_WORDS[vents][0] if isinstance(vents, str) else int(vents["count"]),
        vent_diameter_mm=VENT_WORDS[vents][1] if isinstance(vents, str) else float(vents["diameter_mm"]),
        vent_wall_mm=1.5 if isinstance(vents, str) else float(vents.get("wall_mm", 1.5)),
        vent_height_mm=mark + 15.0 if isinstance(vents, str) else float(vents["height_mm"]),
        strands=STRAND_WORDS[wick] if isinstance(wick, str) else int(wick["strands"]),
        gap_mm2=np.pi * (across + gap) * gap,
    )


def _without_top(layers: list[tuple[float, Medium]], taken_mm: float) -> list[tuple[float, Medium]]:
    left = []
    for thickness, medium in layers:
        keep = max(thickness - taken_mm, 0.0)
        taken_mm = max(taken_mm - thickness, 0.0)
        if keep > 0.0:
            left.append((keep, medium))
    if not left:
        raise ValueError("the cover cannot replace all of the medium")
    return left
