"""One series' day as a few hundred bytes, and back to the last bit.

Pure: arrays in, bytes out. Knows no table and no file. A chunk is

    checksum, 4 bytes   CRC-32 of the chunk's key and of all that follows: a chunk in the wrong place is wrong too
    head, varints       kind, count, first time of day, unit of time, first value
    body, raw deflate   steps of time, then steps of value, each with its bytes shuffled

Sensors report at a steady pace and on a decimal grid (21.37), so steps are small whole numbers. Shuffling puts
the first bytes of all steps together, then the second ones, and so on: the high bytes become runs of zeros.
Numbers that lie on no decimal grid (a converted 21.444444444444443, -0.0) are kept as the exclusive-or of
neighbouring bit patterns instead.
"""

import zlib
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ingest.readings import DAY_MS, FloatArray, IntArray, Series, StoreTorn

# k / 10**d is the double nearest to the decimal number as long as both are whole doubles.
_MOST_DECIMALS = 15
_LARGEST_WHOLE = float(2**53)
_OFF_GRID = _MOST_DECIMALS + 1
_WIDTHS: tuple[npt.DTypeLike, ...] = (np.int8, np.dtype("<i2"), np.dtype("<i4"), np.dtype("<i8"))
_POWERS = 10.0 ** np.arange(_MOST_DECIMALS + 1)
_DAYS_FROM = 1 << 23


def chunk_key(series: int, day: int) -> int:
    """Series and day in one integer that sorts by series, then by day (day 0 is 1970-01-01; years 1 to 9999 fit)."""
    return (series << 24) + day + _DAYS_FROM


def series_and_day(key: int) -> tuple[int, int]:
    """The way back from `chunk_key`."""
    return key >> 24, (key & 0xFFFFFF) - _DAYS_FROM


def encode(key: int, times_ms: IntArray, values: FloatArray) -> bytes:
    """Pack one day: `times_ms` strictly increasing and within the key's day, at least one of them."""
    start_ms = series_and_day(key)[1] * DAY_MS
    steps_ms = np.diff(times_ms)
    unit_ms = int(np.gcd.reduce(steps_ms)) if steps_ms.size else 1
    time_width, time_bytes = _shuffled(steps_ms // unit_ms)
    decimals, whole = _on_a_grid(values)
    if whole is None:
        bits = values.view(np.int64)
        first, value_width, value_bytes = int(bits[0]), 3, _planes(bits[1:] ^ bits[:-1])
    else:
        first = int(whole[0])
        value_width, value_bytes = _shuffled(np.diff(whole))
    kind = time_width | value_width << 2 | decimals << 4
    head = b"".join(
        _varint(number) for number in (kind, times_ms.size, int(times_ms[0]) - start_ms, unit_ms, _folded(first))
    )
    # Fixed codes need a tenth more bytes, and are read in half the time: a chunk is short for a table of its own.
    deflate = zlib.compressobj(level=9, wbits=-15, memLevel=9, strategy=zlib.Z_FIXED)
    rest = head + deflate.compress(time_bytes + value_bytes) + deflate.flush()
    return _checksum(key, rest).to_bytes(4, "little") + rest


def decode(key: int, chunk: bytes) -> Series:
    """Unpack one day; raises `StoreTorn` when a single bit of it has changed."""
    return decode_many([(key, chunk)])


def decode_many(keyed: list[tuple[int, bytes]]) -> Series:
    """Unpack days of one series that follow each other; their times and values in one array each.

    A day by itself is only inflated. The steps of all days are put together, summed in one go, and each day is then
    shifted to its own first number, which spares some twenty array operations a day.
    """
    if not keyed:
        return np.empty(0, np.int64), np.empty(0, np.float64)
    kinds, counts, firsts_ms, units_ms, firsts, bodies = zip(*(_inflated(*one) for one in keyed), strict=True)
    time_powers = [kind & 3 for kind in kinds]
    times = _steps(bodies, [0] * len(bodies), counts, time_powers) * _spread(units_ms, counts)
    _sum_by_day(times, firsts_ms, counts)
    value_bytes_at = [(count - 1) << power for count, power in zip(counts, time_powers, strict=True)]
    values = _steps(bodies, value_bytes_at, counts, [kind >> 2 & 3 for kind in kinds])
    decimals = [kind >> 4 for kind in kinds]
    if _OFF_GRID not in decimals:
        _sum_by_day(values, firsts, counts)
        return times, values / _POWERS[_spread(decimals, counts)]
    unpacked = []
    for first, places, steps in zip(firsts, decimals, np.split(values, np.cumsum(counts)[:-1]), strict=True):
        steps[0] = first
        if places == _OFF_GRID:
            unpacked.append(np.bitwise_xor.accumulate(steps).view(np.float64))
        else:
            unpacked.append(np.cumsum(steps) / _POWERS[places])
    return times, np.concatenate(unpacked)


def _inflated(key: int, chunk: bytes) -> tuple[int, int, int, int, int, bytes]:
    """Kind, count, first time, unit of time and first value of a day, and its steps, still shuffled."""
    series, day = series_and_day(key)
    rest = chunk[4:]
    if len(chunk) < 4 or int.from_bytes(chunk[:4], "little") != _checksum(key, rest):
        raise StoreTorn(f"the sealed day {np.datetime64(day, 'D')} of series {series} is damaged")
    (kind, count, offset_ms, unit_ms, first), at = _read_varints(rest, 5)
    body = zlib.decompress(rest[at:], -15, 16 * count)
    return kind, count, day * DAY_MS + offset_ms, unit_ms, _unfolded(first), body


def _steps(bodies: Sequence[bytes], at: Sequence[int], counts: Sequence[int], powers: Sequence[int]) -> IntArray:
    """The steps that begin at a byte of each day's body, as one array with a zero where each day begins."""
    steps = np.empty(sum(counts), np.int64)
    for power in set(powers):
        planes = []
        for plane in range(1 << power):
            alike = [
                body[begin + plane * (count - 1) : begin + (plane + 1) * (count - 1)]
                for body, begin, count, its_power in zip(bodies, at, counts, powers, strict=True)
                if its_power == power
            ]
            planes.append(np.frombuffer(b"\0".join([b"", *alike]), np.uint8))
        found = np.stack(planes, axis=1).view(_WIDTHS[power]).reshape(-1)
        if found.size == steps.size:
            return found.astype(np.int64)
        steps[np.repeat(np.array(powers) == power, counts)] = found
    return steps


def _spread(numbers: Sequence[int], counts: Sequence[int]) -> IntArray:
    """A number a day as a number a reading; one for all where the days have the same, as they nearly always do."""
    days = np.array(numbers, np.int64)
    return days[:1] if (days == days[0]).all() else np.repeat(days, counts)


def _sum_by_day(steps: IntArray, firsts: Sequence[int], counts: Sequence[int]) -> None:
    """Running sums in place, each day beginning at its own first number."""
    begins = np.cumsum(counts) - counts
    np.cumsum(steps, out=steps)
    steps += np.repeat(np.array(firsts, np.int64) - steps[begins], counts)


def _on_a_grid(values: FloatArray) -> tuple[int, IntArray | None]:
    """The fewest decimals that give every value back to the bit, and the values as whole numbers of the last one."""
    largest = float(np.abs(values).max())
    bits = values.view(np.int64)
    for decimals in range(_MOST_DECIMALS + 1):
        if largest * _POWERS[decimals] >= _LARGEST_WHOLE:
            break
        few = np.rint(values[:8] * _POWERS[decimals]) / _POWERS[decimals]
        if not np.array_equal(few, values[:8]):
            continue
        whole = np.rint(values * _POWERS[decimals]).astype(np.int64)
        if np.array_equal((whole / _POWERS[decimals]).view(np.int64), bits):
            return decimals, whole
    return _OFF_GRID, None


def _shuffled(steps: IntArray) -> tuple[int, bytes]:
    """The narrowest width that holds every step (as a power of two), and the steps' bytes shuffled."""
    low, high = (int(steps.min()), int(steps.max())) if steps.size else (0, 0)
    for power, width in enumerate(_WIDTHS):
        bound = np.iinfo(width)
        if bound.min <= low and high <= bound.max:
            return power, _planes(steps.astype(width))
    raise AssertionError(f"{low} to {high} exceeds 64 bits")


def _planes(steps: npt.NDArray[np.integer]) -> bytes:
    size = steps.dtype.itemsize
    little = steps.astype(steps.dtype.newbyteorder("<"), copy=False)
    return np.ascontiguousarray(little.view(np.uint8).reshape(-1, size).T).tobytes()


def _checksum(key: int, rest: bytes) -> int:
    return zlib.crc32(rest, zlib.crc32(key.to_bytes(8, "little")))


def _folded(number: int) -> int:
    """Signed to unsigned, small staying small."""
    return number << 1 if number >= 0 else (-number << 1) - 1


def _unfolded(number: int) -> int:
    return number >> 1 if number & 1 == 0 else -((number + 1) >> 1)


def _varint(number: int) -> bytes:
    """Seven bits a byte, lowest first; the eighth bit says that more follow."""
    packed = bytearray()
    while number > 0x7F:
        packed.append(number & 0x7F | 0x80)
        number >>= 7
    packed.append(number)
    return bytes(packed)


def _read_varints(packed: bytes, count: int) -> tuple[list[int], int]:
    """So many numbers from the beginning, and the position after them."""
    numbers: list[int] = []
    number = shift = 0
    for at, byte in enumerate(packed, 1):
        if byte > 0x7F:
            number |= (byte & 0x7F) << shift
            shift += 7
            continue
        numbers.append(number | byte << shift)
        if len(numbers) == count:
            return numbers, at
        number = shift = 0
    raise AssertionError("a chunk with the right checksum ends within its head")
