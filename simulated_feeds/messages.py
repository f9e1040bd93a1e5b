"""The messages in which the glasshouse's sensors tell what they saw.

Owns the payloads: SenML packs, single or in batches; JSON with local time, with seconds, with arrays of looks; bare
numbers and words. It must not know the broker. Times stand in a payload as its form has them; `arrived_ms` is when the
message is due.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from operator import attrgetter
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import orjson

from simulated_feeds.events import Scenario
from simulated_feeds.glasshouse import FEEDS, TIME_ZONE, TIMELESS, Feed, Member, log_of, placements
from simulated_feeds.instruments import Series, joined, observe, troubled
from simulated_feeds.truth import Truth


@dataclass(frozen=True)
class Message:
    """One message; `timeless` ones say no time and are true only when they arrive as they are sent."""

    arrived_ms: int
    topic: str
    body: bytes
    retain: bool = False
    timeless: bool = False


def series_of(
    truth: Truth, scenario: Scenario, feed: Feed, member: Member, seed: int, since_ms: int | None = None
) -> Series:
    """What one sensor of the glasshouse reported since then in the span of the truth, wherever it stood."""
    start, end = max(truth.start.time_ms, since_ms or 0), truth.end.time_ms
    placed = placements(member, scenario, start, true=True)
    ends = [moment for moment, _ in placed[1:]] + [end]
    instrument = member.instrument
    if feed.batch_s:
        instrument = type(instrument)(**{**instrument.__dict__, "batch_s": feed.batch_s})
    parts = [
        observe(truth, at, instrument, seed=seed, name=member.label, node=feed.topic, start_ms=begin, end_ms=finish)
        for (begin, at), finish in _clipped(placed, ends, start, end)
    ]
    return troubled(joined(parts), scenario.events, member.label)


def _clipped(
    placed: Sequence[tuple[int, str]], ends: Sequence[int], start: int, end: int
) -> list[tuple[tuple[int, str], int]]:
    spans = [((max(begin, start), at), min(finish, end)) for (begin, at), finish in zip(placed, ends, strict=True)]
    return [span for span in spans if span[0][0] < span[1]]


def messages_of(
    truth: Truth,
    scenario: Scenario,
    seed: int,
    *,
    timeless_from_ms: int | None = None,
    since_ms: int | None = None,
    feeds: Sequence[Feed] = FEEDS,
) -> list[Message]:
    """All messages of the span of the truth (of its looks since `since_ms`), in the order in which they arrive.

    Nodes that say no times speak through their log before `timeless_from_ms` (always, if None), and bare after it.
    """
    result: list[Message] = []
    for feed in feeds:
        looks = [series_of(truth, scenario, feed, member, seed, since_ms) for member in feed.members]
        if feed.form not in TIMELESS:
            result += FORMS[feed.form](feed, looks)
            continue
        split = int(4e15) if timeless_from_ms is None else timeless_from_ms
        result += _senml(log_of(feed), [look.within(0, split) for look in looks])
        result += FORMS[feed.form](feed, [look.within(split, int(4e15)) for look in looks])
    return sorted(result, key=attrgetter("arrived_ms"))


def _by_moment(looks: Sequence[Series]) -> list[tuple[int, int, list[tuple[int, float]]]]:
    """(time, arrival, [(member, value), ...]) of looks that share a moment."""
    moments: dict[int, tuple[int, list[tuple[int, float]]]] = {}
    for number, look in enumerate(looks):
        for moment, value, arrived in zip(
            look.time_ms.tolist(), look.value.tolist(), look.arrived_ms.tolist(), strict=True
        ):
            moments.setdefault(moment, (arrived, []))[1].append((number, value))
    return [(moment, arrived, values) for moment, (arrived, values) in sorted(moments.items())]


def _by_arrival(looks: Sequence[Series]) -> dict[int, list[tuple[int, list[tuple[int, float]]]]]:
    batches: dict[int, list[tuple[int, list[tuple[int, float]]]]] = {}
    for moment, arrived, values in _by_moment(looks):
        batches.setdefault(arrived, []).append((moment, values))
    return batches


def _packed(data: object) -> bytes:
    return orjson.dumps(data)


def _told(member: Member, value: float) -> Any:
    """The value, or the code by which this sensor says that it failed."""
    return member.failure if value != value else value


def _base_name(feed: Feed) -> str:
    return feed.topic.replace("/", ":") + ":"


def _record(member: Member, value: float) -> dict[str, Any]:
    unit = {"u": member.unit} if member.unit else {}
    return {"n": member.field, **unit, "v": _told(member, value)}


def _senml(feed: Feed, looks: Sequence[Series]) -> list[Message]:
    """RFC 8428: one pack a moment, base name and base time in its first record."""
    result = []
    for moment, arrived, values in _by_moment(looks):
        records = [_record(feed.members[number], value) for number, value in values]
        records[0] = {"bn": _base_name(feed), "bt": moment / 1000.0, **records[0]}
        result.append(Message(arrived, feed.topic, _packed(records), feed.retain))
    return result


def _senml_batch(feed: Feed, looks: Sequence[Series]) -> list[Message]:
    """RFC 8428: all looks since the last waking, times relative to the base time of the last one."""
    result = []
    for arrived, batch in _by_arrival(looks).items():
        base = batch[-1][0]
        records: list[dict[str, Any]] = [
            {**_record(feed.members[number], value), "t": (moment - base) / 1000.0}
            for moment, values in batch
            for number, value in values
        ]
        records[0] = {"bn": _base_name(feed), "bt": base / 1000.0, **records[0]}
        result.append(Message(arrived, feed.topic, _packed(records), feed.retain))
    return result


def _placed_at(pointer: str, value: Any) -> dict[str, Any]:
    """A document with one value at a JSON Pointer of plain names."""
    document: Any = value
    for name in reversed(pointer.strip("/").split("/")):
        document = {name: document}
    return dict(document)


def _merged(parts: Sequence[dict[str, Any]]) -> dict[str, Any]:
    result: dict[str, Any] = {}
    for part in parts:
        for name, value in part.items():
            both = isinstance(value, dict) and isinstance(result.get(name), dict)
            result[name] = _merged([result[name], value]) if both else value
    return result


def _json_with(time_name: str, time_of: Callable[[int], Any]) -> Callable[[Feed, Sequence[Series]], list[Message]]:
    def form(feed: Feed, looks: Sequence[Series]) -> list[Message]:
        result = []
        for moment, arrived, values in _by_moment(looks):
            parts = [_placed_at(feed.members[n].field, _told(feed.members[n], value)) for n, value in values]
            result.append(Message(arrived, feed.topic, _packed(_merged([{time_name: time_of(moment)}, *parts]))))
        return result

    return form


def _local_time(time_ms: int) -> str:
    """Local time without a zone, as many devices write it."""
    here = datetime.fromtimestamp(time_ms / 1000.0, tz=UTC).astimezone(ZoneInfo(TIME_ZONE))
    return here.strftime("%Y-%m-%dT%H:%M:%S")


def _json_array(feed: Feed, looks: Sequence[Series]) -> list[Message]:
    """A batch of raw counts, each with its time."""
    raw, unit = zip(*feed.calibration, strict=True)
    result = []
    for arrived, batch in _by_arrival(looks).items():
        rows = [
            {"at": moment, "counts": _told(feed.members[0], round(float(np.interp(value, unit, raw)), 0))}
            for moment, values in batch
            for _, value in values
        ]
        result.append(Message(arrived, feed.topic, _packed({"looks": rows})))
    return result


def _number(feed: Feed, looks: Sequence[Series]) -> list[Message]:
    member = feed.members[0]
    result = []
    for _, arrived, values in _by_moment(looks):
        value = values[0][1]
        if member.unit == "degF":
            value = round(value * 1.8 + 32.0, 1)
        result.append(Message(arrived, feed.topic, str(_told(member, value)).encode(), feed.retain, timeless=True))
    return result


def _word(feed: Feed, looks: Sequence[Series]) -> list[Message]:
    return [
        Message(arrived, feed.topic, b"low" if values[0][1] else b"ok", feed.retain, timeless=True)
        for _, arrived, values in _by_moment(looks)
    ]


FORMS: Mapping[str, Callable[[Feed, Sequence[Series]], list[Message]]] = {
    "senml": _senml,
    "senml_batch": _senml_batch,
    "json_local": _json_with("at", _local_time),
    "json_unix": _json_with("ts", lambda time_ms: time_ms // 1000),
    "json_array": _json_array,
    "number": _number,
    "word": _word,
}
