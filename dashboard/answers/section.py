"""The facts of a pot's cut section: how it is built, in numbers, from a set-up in words or numbers.

Words stand for the same numbers as in `analysis.setups`; what was never said is drawn at its usual size.
Plain data only, the same bytes as long as the set-up stays the same: how it is drawn is the screens' business.
"""

from collections.abc import Mapping
from typing import Any

from analysis.columns import Columns
from analysis.media import mix_constants
from analysis.setups import VENT_WORDS, WICK_WORDS

USUAL_HEADROOM_MM = 15.0
USUAL_MARK_MM = 50.0


def section_build(setup: Mapping[str, Any], columns: Columns, index: int) -> dict[str, Any]:
    """The build of one pot; `columns` are those of the same set-up, `index` its place among them."""
    top_mm, bottom_mm, height_mm = _pot_size(setup.get("pot") or {})
    surface_mm = float(columns.surface_height_mm[index] - columns.porous_cover_mm[index])
    reservoir = setup.get("reservoir") or {}
    mark_mm = float(reservoir.get("fill_mark_mm") or USUAL_MARK_MM)
    return {
        "pot": {"top_diameter_mm": top_mm, "bottom_diameter_mm": bottom_mm, "height_mm": height_mm},
        "surface_height_mm": round(surface_mm, 1),
        "headroom_mm": float(setup.get("headroom_mm") or USUAL_HEADROOM_MM),
        "reservoir": {
            "height_mm": float(reservoir.get("height_mm") or mark_mm + 10.0),
            "fill_mark_mm": mark_mm,
            "area_mm2": reservoir.get("area_mm2"),
        },
        "layers": _layers(setup, height_mm),
        "cover": _cover(setup.get("top_layer") or {}),
        "vents": _vents(setup.get("vents"), surface_mm),
        "wick": _wick(setup.get("wick")),
        "gap": setup.get("gap") or "none",
    }


def _pot_size(pot: Mapping[str, Any]) -> tuple[float, float, float]:
    top_mm = float(pot.get("top_diameter_mm") or 10.0 * float(pot.get("size_cm") or 12.0))
    bottom_mm = float(pot.get("bottom_diameter_mm") or 0.8 * top_mm)
    return top_mm, bottom_mm, float(pot.get("height_mm") or 0.9 * top_mm)


def _layers(setup: Mapping[str, Any], height_mm: float) -> list[dict[str, Any]]:
    layers = setup.get("layers") or [{}]
    return [
        {
            "thickness_mm": float(layer.get("thickness_mm") or height_mm / len(layers)),
            "grain": layer.get("grain") or "medium",
            "mix": _mix(layer),
        }
        for layer in layers
    ]


def _mix(layer: Mapping[str, Any]) -> dict[str, float] | None:
    mix = layer.get("mix", "unknown")
    if mix == "unknown":
        return None
    return {medium: round(share, 3) for medium, share in mix_constants(mix, layer.get("grain")).shares.items()}


def _cover(cover: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "kind": cover.get("kind", "none"),
        "thickness_mm": float(cover.get("thickness_mm") or 0.0),
        "replaces_medium": bool(cover.get("replaces_medium")),
    }


def _vents(vents: object, surface_mm: float) -> dict[str, float] | None:
    if isinstance(vents, Mapping):
        count, diameter_mm = float(vents.get("count") or 0), float(vents.get("diameter_mm") or 8.0)
        height_mm = float(vents.get("height_mm") or 0.6 * surface_mm)
    else:
        words = VENT_WORDS.get(str(vents), (0, 0.0))
        count, diameter_mm, height_mm = float(words[0]), words[1], 0.6 * surface_mm
    return {"count": count, "diameter_mm": diameter_mm, "height_mm": round(height_mm, 1)} if count else None


def _wick(wick: object) -> dict[str, int] | None:
    strands = int(wick.get("strands") or 0) if isinstance(wick, Mapping) else WICK_WORDS.get(str(wick or "one"), 1)
    return {"strands": strands} if strands else None
