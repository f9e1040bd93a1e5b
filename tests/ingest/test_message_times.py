"""How messages say a time, and which times are believed."""

from datetime import UTC, datetime

import pytest

from ingest.message_times import (
    AHEAD_MS,
    BUILT_MS,
    EARLIEST_MS,
    LATEST_MS,
    UnreadableError,
    host_clock_is_sane,
    times_ms,
    why_implausible,
)

NOW = 1_800_000_000_000


def ms(*moment):
    return round(datetime(*moment, tzinfo=UTC).timestamp() * 1000)


@pytest.mark.parametrize(
    ("written", "time_format", "zone", "expected"),
    [
        ("2026-03-01T09:00:00Z", None, None, ms(2026, 3, 1, 9)),
        ("2026-03-01T09:00:00.250+02:00", "iso", None, ms(2026, 3, 1, 7) + 250),
        ("2026-03-01 09:00:00", "iso", "Europe/Vienna", ms(2026, 3, 1, 8)),
        ("2026-07-01 09:00:00", "iso", "Europe/Vienna", ms(2026, 7, 1, 7)),
        ("01.07.2026 09:00", "%d.%m.%Y %H:%M", "Europe/Vienna", ms(2026, 7, 1, 7)),
        ("2026-07-01 09:00 +0000", "%Y-%m-%d %H:%M %z", "Europe/Vienna", ms(2026, 7, 1, 9)),
        (1_772_355_600, None, None, ms(2026, 3, 1, 9)),
        (1_772_355_600_000, None, None, ms(2026, 3, 1, 9)),
        (1_772_355_600.5, "unix_s", None, ms(2026, 3, 1, 9) + 500),
        ("1772355600000", "unix_ms", None, ms(2026, 3, 1, 9)),
    ],
)
def test_a_written_time_is_read(written, time_format, zone, expected):
    assert times_ms([written], time_format, zone, NOW) == [expected]


@pytest.mark.parametrize(
    ("written", "time_format", "zone", "part"),
    [
        ("2026-03-01T09:00:00", None, None, "has no zone: give its sensor a time_zone"),
        ("2026-03-01", None, "UTC", "a date without a time of day"),
        ("yesterday", None, None, "does not follow ISO 8601"),
        ("09:00", "%d.%m.%Y", None, "does not follow the form %d.%m.%Y"),
        ("soon", "unix_s", None, "is not a Unix time"),
        (10**400, "unix_s", None, "is not a Unix time"),
        (float("nan"), "unix_s", None, "is not a Unix time"),
        (True, None, None, "neither text nor a number"),
        (None, None, None, "neither text nor a number"),
    ],
)
def test_what_is_no_time_is_refused_in_one_sentence(written, time_format, zone, part):
    with pytest.raises(UnreadableError) as refusal:
        times_ms([written], time_format, zone, NOW)
    assert part in str(refusal.value)
    assert len(str(refusal.value)) < 150


def test_a_time_of_the_first_year_is_read_and_then_not_believed():
    (time_ms,) = times_ms(["0001-01-01T00:00:00+23:59"], None, None, NOW)
    assert "before 2000" in why_implausible(time_ms, NOW)


# Europe/Vienna leaves summer time on 2026-10-25 at 03:00 local = 01:00 UTC (EU directive 2000/84/EC: last Sunday of
# October, 01:00 UTC): 02:00 to 03:00 happens twice.
FIRST, SECOND = ms(2026, 10, 25, 0, 30), ms(2026, 10, 25, 1, 30)


def test_in_the_hour_that_happens_twice_a_time_is_the_latest_that_is_not_after_its_arrival():
    written = ["2026-10-25 02:30:00"]
    assert times_ms(written, None, "Europe/Vienna", FIRST + 1000) == [FIRST]
    assert times_ms(written, None, "Europe/Vienna", SECOND + 1000) == [SECOND]


def test_a_batch_over_the_hour_that_happens_twice_keeps_its_order():
    written = [f"2026-10-25 {clock}:00" for clock in ("01:30", "02:00", "02:30", "02:00", "02:30", "03:00")]
    expected = [ms(2026, 10, 24, 23, 30) + 1_800_000 * n for n in range(6)]
    assert times_ms(written, None, "Europe/Vienna", NOW) == expected
    assert times_ms(written[::-1], None, "Europe/Vienna", NOW) == expected[::-1]


def test_the_hour_that_spring_leaves_out_is_read_as_the_clock_that_was_not_put_forward():
    # 2026-03-29 02:30 does not exist in Vienna; by the clock of winter (UTC+1) it is 01:30 UTC.
    assert times_ms(["2026-03-29 02:30:00"], None, "Europe/Vienna", NOW) == [ms(2026, 3, 29, 1, 30)]


def test_the_bounds_of_belief():
    assert (ms(2000, 1, 1), ms(2026, 1, 1), ms(2100, 1, 1)) == (EARLIEST_MS, BUILT_MS, LATEST_MS)
    assert why_implausible(NOW + AHEAD_MS, NOW) is None
    assert "in the future" in why_implausible(NOW + AHEAD_MS + 1, NOW)
    assert "2199" in why_implausible(ms(2199, 1, 1), NOW)
    assert "before 2000" in why_implausible(0, NOW)
    assert "before 2000" in why_implausible(-(10**18), NOW)
    # While the host's clock is unset, the future cannot be judged by it.
    assert why_implausible(NOW, 1000) is None
    assert "in the future" in why_implausible(ms(2199, 1, 1), 1000)


def test_a_host_clock_before_this_program_or_after_2100_is_not_sane():
    assert [host_clock_is_sane(one) for one in (0, BUILT_MS - 1, BUILT_MS, NOW, LATEST_MS)] == [
        False,
        False,
        True,
        True,
        False,
    ]
