"""Which topic and field is which sensor: unit, calibration, failure codes and dated placement.

A sensor is one stream of numbers from one source. Where it stood is a list of dated placements,
applied when a series is read, so that a move reported late corrects history. Nothing here reads a store.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Placement:
    """From when to when (open: None) a sensor served a place: `shelf`, or `shelf/pot`."""

    from_ms: int
    to_ms: int | None
    at: str


@dataclass(frozen=True)
class Sensor:
    """One stream of numbers: where it comes from, what it measures, and where it stood when."""

    topic: str
    payload: str
    field: str
    quantity: str
    unit: str
    calibration: tuple[tuple[float, float], ...] = ()
    placed: tuple[Placement, ...] = ()
    time_field: str | None = None
    time_format: str | None = None
    time_zone: str | None = None
    interval_s: float | None = None
    height_mm: float | None = None
    online_topic: str | None = None
    label: str | None = None

    @property
    def source(self) -> str:
        """The name of the stream in the readings store (a topic cannot contain `#`)."""
        return f"{self.topic}#{self.field}"
