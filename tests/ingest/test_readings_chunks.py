"""A day packed into a chunk: back to the bit, small, and aware of damage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readings import DAY_MS, StoreTorn
from ingest.readings.chunks import chunk_key, decode, decode_many, encode, series_and_day

DAY = 20_454
START_MS = DAY * DAY_MS
KEY = chunk_key(7, DAY)


def back_and_forth(key: int, times_ms: np.ndarray, values: np.ndarray) -> int:
    chunk = encode(key, times_ms, values)
    times_back, values_back = decode(key, chunk)
    assert np.array_equal(times_back, times_ms)
    assert np.array_equal(values_back.view(np.int64), values.view(np.int64))
    return len(chunk)


times_of_day = st.lists(st.integers(0, DAY_MS - 1), min_size=1, max_size=200, unique=True).map(sorted)
numbers = (
    st.floats(allow_nan=False, allow_infinity=False)
    | st.integers(-(10**6), 10**6).map(lambda hundredth: hundredth / 100)
    | st.floats(width=32, allow_nan=False, allow_infinity=False)
)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(times=times_of_day, day=st.sampled_from([0, -1, DAY, -719_162, 2_932_896]), data=st.data())
def test_any_day_of_any_numbers_comes_back_to_the_bit(times: list[int], day: int, data: st.DataObject) -> None:
    one_kind = data.draw(st.sampled_from([numbers, st.integers(-4000, 4000).map(lambda tenth: tenth / 10)]))
    values = data.draw(st.lists(one_kind, min_size=len(times), max_size=len(times)))
    back_and_forth(chunk_key(3, day), np.array(times, np.int64) + day * DAY_MS, np.array(values))


@settings(max_examples=50, deadline=None, derandomize=True)
@given(data=st.data())
def test_days_unpacked_together_are_the_days_unpacked_one_by_one(data: st.DataObject) -> None:
    days = []
    for day in range(data.draw(st.integers(1, 5))):
        times = np.array(data.draw(times_of_day), np.int64) + (DAY + day) * DAY_MS
        values = data.draw(st.lists(numbers, min_size=times.size, max_size=times.size))
        days.append((chunk_key(7, DAY + day), times, np.array(values)))
    times, values = decode_many([(key, encode(key, times, values)) for key, times, values in days])
    assert np.array_equal(times, np.concatenate([times for _, times, _ in days]))
    assert np.array_equal(values.view(np.int64), np.concatenate([values for _, _, values in days]).view(np.int64))


def test_no_days_unpack_to_empty_arrays() -> None:
    times, values = decode_many([])
    assert (times.dtype, values.dtype, times.size, values.size) == (np.int64, np.float64, 0, 0)


@pytest.mark.parametrize(("series", "day"), [(1, 0), (1, -1), (1, 1), (2, -719_162), (70_000, 2_932_896)])
def test_a_key_gives_its_series_and_day_back(series: int, day: int) -> None:
    assert series_and_day(chunk_key(series, day)) == (series, day)


def test_keys_sort_by_series_and_then_by_day() -> None:
    places = [(1, -5), (1, 0), (1, 20_000), (2, -719_162), (2, 2_932_896), (3, 0)]
    keys = [chunk_key(*place) for place in places]
    assert keys == sorted(keys)


# The aim of 5 bytes is ours (no source); resolutions and paces are those of common home sensors as the makers
# state them: 0.01 to 1 degrees or %, a minute to an hour; arrival jitters by up to 5 s (common practice, no source).
@pytest.mark.parametrize("decimals", [0, 1, 2])
@pytest.mark.parametrize("jitter_ms", [0, 999, 5000])
@pytest.mark.parametrize("every_s", [60, 300, 900, 3600])
def test_a_sensor_at_its_usual_resolution_takes_no_more_than_five_bytes_a_reading(
    every_s: int, jitter_ms: int, decimals: int
) -> None:
    rng = np.random.default_rng([every_s, jitter_ms, decimals])
    count = 86_400 // every_s
    steps = np.arange(count)
    times = START_MS + steps * every_s * 1000 + rng.integers(0, jitter_ms + 1, count)
    noise = 0.5 * 10.0**-decimals
    values = np.round(20 + 3 * np.sin(steps / count * 2 * np.pi) + rng.normal(0, noise, count), decimals)
    # 14 bytes: what the table takes for the key, the count and its own book-keeping.
    assert (back_and_forth(KEY, times, values) + 14) / count <= 5.0


def test_numbers_off_every_grid_that_repeat_their_low_bits_still_shrink() -> None:
    rng = np.random.default_rng(5)
    times = START_MS + np.arange(288, dtype=np.int64) * 300_000
    values = np.float32(20 + rng.normal(0, 1, 288)).astype(float)
    assert back_and_forth(KEY, times, values) / 288 < 4.5


def test_a_single_changed_bit_anywhere_is_noticed() -> None:
    times = START_MS + np.arange(50, dtype=np.int64) * 300_000
    chunk = encode(KEY, times, np.arange(50) / 10)
    for position in range(len(chunk)):
        for bit in range(8):
            torn = bytearray(chunk)
            torn[position] ^= 1 << bit
            with pytest.raises(StoreTorn, match="the sealed day 2026-01-01 of series 7 is damaged"):
                decode(KEY, bytes(torn))


def test_a_chunk_cut_short_or_in_another_place_is_noticed() -> None:
    chunk = encode(KEY, np.array([START_MS]), np.array([1.0]))
    for torn in (b"", chunk[:3], chunk[:-1]):
        with pytest.raises(StoreTorn, match="is damaged"):
            decode(KEY, torn)
    with pytest.raises(StoreTorn, match="the sealed day 2026-01-02 of series 7 is damaged"):
        decode(chunk_key(7, DAY + 1), chunk)
