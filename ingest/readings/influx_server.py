"""Words with an InfluxDB server: lines written, ranges read, its answers in plain words.

Speaks the two endpoints of the 1.x line, `/write` and `/query`, through influxdb-client's connection; 2.x and 3
serve them too by their documentation, but only 1.6.7 was tried here. Signs in with "user:secret" as HTTP basic
authentication; for 2.x and 3 any user will do, and the secret is the token.

One measurement, `reading`, one tag, `source`, one field, `value`. Sources are percent-encoded in the tag, so that
neither line protocol nor the query language ever meets a character that it would read otherwise.
"""

import io
import re
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote, unquote

import numpy as np

from ingest.readings import HOUR_MS, IntArray, Series, StoreAway, StoreError

# Times that the server can hold: 64 bits of nanoseconds, the years 1677 to 2262.
_EARLIEST_MS, _LATEST_MS = -9_223_372_036_854, 9_223_372_036_854
_SOURCES_A_QUERY = 10
_ALL_DROPPED = re.compile(r"partial write: (?!unable to parse).*dropped=(\d+)")


class InfluxServer:
    """One database on one server. Opened lazily: a server that is away is met when something is asked of it."""

    def __init__(self, url: str, database: str, secret: str | None = None, *, timeout_s: float = 10.0) -> None:
        """`secret` is "user:password" (1.x) or "anything:token" (2.x, 3); None for a server that asks for none."""
        try:
            # Only those who use a server need the library.
            from influxdb_client.client.influxdb_client import InfluxDBClient
        except ImportError as missing:
            raise StoreError('InfluxDB needs influxdb-client: install dryline with its extra "nursery".') from missing
        self.url = url
        self._database = database
        self._client: Any = InfluxDBClient(
            url, token=secret or "nobody:", auth_basic=bool(secret), timeout=round(timeout_s * 1000), retries=False
        )
        self._ready = False

    def write(self, rows: Sequence[tuple[str, int, float]]) -> list[tuple[int, str]]:
        """Write rows (source, time, value); returns (position, reason) of those that the server refuses for good.

        Raises `StoreAway` when it is not known whether all others arrived; writing them again does no harm.
        """
        self._make_ready()
        return self._write_lines([_line(*row) for row in rows], 0)

    def _write_lines(self, lines: list[str], first: int) -> list[tuple[int, str]]:
        if not lines:
            return []
        status, body = self._call(
            "/write",
            [("db", self._database), ("precision", "ms")],
            {"Content-Type": "text/plain; charset=utf-8"},
            "\n".join(lines).encode(),
        )
        if status < 300:
            return []
        reason = _reason(body)
        if status not in (400, 413, 422):
            raise self._away(status, reason)
        dropped = _ALL_DROPPED.search(reason)
        if len(lines) == 1 or (dropped and int(dropped[1]) == len(lines)):
            return [(first + position, reason) for position in range(len(lines))]
        # The good lines of a refused batch may or may not have been stored: find the bad ones by halving.
        middle = len(lines) // 2
        return self._write_lines(lines[:middle], first) + self._write_lines(lines[middle:], first + middle)

    def read(self, sources: Sequence[str], start_ms: int, end_ms: int) -> dict[str, Series]:
        """Times and values of each source in [start, end), sorted; sources without any are left out."""
        found: dict[str, Series] = {}
        for begin in range(0, len(sources), _SOURCES_A_QUERY):
            some = " OR ".join(f"source = '{_tag(source)}'" for source in sources[begin : begin + _SOURCES_A_QUERY])
            found |= self._series(
                f"SELECT value FROM reading WHERE ({some}) AND {_within(start_ms, end_ms)} GROUP BY source"
            )
        return found

    def last_before(self, source: str, time_ms: int) -> tuple[int, float] | None:
        """The last reading of a source strictly before a moment."""
        found = self._series(
            f"""SELECT value FROM reading WHERE source = '{_tag(source)}' AND {_within(_EARLIEST_MS, time_ms)}
                GROUP BY source ORDER BY time DESC LIMIT 1"""
        )
        for times, values in found.values():
            return int(times[0]), float(values[0])
        return None

    def first_ms(self, since_ms: int, sources: Sequence[str]) -> int | None:
        """When the first reading of these sources since a moment was taken."""
        span = _within(since_ms, _LATEST_MS)
        found: dict[str, Series] = {}
        for begin in range(0, len(sources), _SOURCES_A_QUERY):
            some = " OR ".join(f"source = '{_tag(source)}'" for source in sources[begin : begin + _SOURCES_A_QUERY])
            found |= self._series(f"SELECT FIRST(value) FROM reading WHERE ({some}) AND {span} GROUP BY source")
        return min((int(times[0]) for times, _ in found.values()), default=None)

    def hours(self, source: str, before_ms: int) -> IntArray:
        """Hours before a moment in which a source has readings."""
        found = self._series(
            f"""SELECT COUNT(value) FROM reading WHERE source = '{_tag(source)}' AND {_within(_EARLIEST_MS, before_ms)}
                GROUP BY source, time({HOUR_MS}ms) fill(none)"""
        )
        return found[source][0] if source in found else np.empty(0, np.int64)

    def close(self) -> None:
        """Let go of the connection."""
        self._client.close()

    def _make_ready(self) -> None:
        """Make the database where it is missing: a read from a missing one says "nothing" instead of failing."""
        if self._ready:
            return
        if f'["{self._database}"]' not in self._ask("SHOW DATABASES").replace(" ", ""):
            self._ask(f'CREATE DATABASE "{self._database}"')
        self._ready = True

    def _ask(self, query: str) -> str:
        status, body = self._call("/query", [("q", query)], {"Accept": "application/json"})
        answer = body.decode(errors="replace")
        if status >= 300 or '"error"' in answer:
            raise self._away(status, _reason(body))
        return answer

    def _series(self, query: str) -> dict[str, Series]:
        """The answer to a query grouped by source. `chunked` so that the server's limit on rows does not cut it."""
        # Reading is the dashboard's work; the ingester, which only writes, stays small without pandas.
        import pandas as pd

        self._make_ready()
        asked = [("db", self._database), ("q", query), ("epoch", "ms"), ("chunked", "true")]
        status, body = self._call("/query", asked, {"Accept": "application/csv"})
        if status >= 300 or (body and not body.startswith(b"name,tags,time,")):
            raise self._away(status, _reason(body))
        if not body.strip():
            return {}
        # A value's column is named after the function that was asked for; 60.0 is printed as 60, 5e-324 as 324 digits.
        kinds: dict[str, Any] = {"name": "category", "tags": "category", "time": np.int64, "value": np.float64}
        try:
            answer = pd.read_csv(io.BytesIO(body), header=0, names=list(kinds), dtype=kinds)
        except ValueError as odd:
            # An error met half way comes as a line among the rows.
            raise StoreAway(f"InfluxDB at {self.url} broke off an answer: {odd}.") from odd
        codes = answer["tags"].cat.codes.to_numpy()
        begins = np.flatnonzero(np.diff(codes, prepend=-1))
        times, values = answer["time"].to_numpy(), answer["value"].to_numpy()
        labels = answer["tags"].iloc[begins].astype(str).str.removeprefix("source=").map(unquote)
        parts = zip(labels, np.split(times, begins[1:]), np.split(values, begins[1:]), strict=True)
        return {label: (part_times, part_values) for label, part_times, part_values in parts}

    def _call(
        self, path: str, query: list[tuple[str, str]], headers: dict[str, str], body: bytes | None = None
    ) -> tuple[int, bytes]:
        from influxdb_client.rest import ApiException
        from urllib3.exceptions import HTTPError

        try:
            answer = self._client.api_client.call_api(
                path, "POST", query_params=query, header_params=headers, body=body, _preload_content=False
            )
            response = answer[0] if isinstance(answer, tuple) else answer
            with response:
                return int(response.status), bytes(response.read())
        except ApiException as refusal:
            return int(refusal.status or 0), _bytes(refusal.body)
        except (HTTPError, OSError) as trouble:
            # A stopped server shows as urllib3's error, not as the client's.
            raise StoreAway(f"InfluxDB at {self.url} does not answer ({type(trouble).__name__}).") from trouble

    def _away(self, status: int, reason: str) -> StoreAway:
        self._ready = False
        if status in (401, 403):
            return StoreAway(f"InfluxDB at {self.url} does not let us in; is the secret in its token file right?")
        return StoreAway(f"InfluxDB at {self.url} answered {status}: {reason}.")


def _tag(source: str) -> str:
    return quote(source, safe="/#:@+~")


def _line(source: str, time_ms: int, value: float) -> str:
    return f"reading,source={_tag(source)} value={value!r} {time_ms}"


def _within(start_ms: int, end_ms: int) -> str:
    start_ms, end_ms = (min(max(moment, _EARLIEST_MS), _LATEST_MS) for moment in (start_ms, end_ms))
    return f"time >= {start_ms}ms AND time < {end_ms}ms"


def _bytes(body: object) -> bytes:
    return body if isinstance(body, bytes) else str(body or "").encode()


def _reason(body: bytes) -> str:
    """The server's own words: from JSON, or from the two lines that a CSV answer has instead."""
    words = body.decode(errors="replace").strip()
    quoted = re.search(r'"(?:error|message)"\s*:\s*"((?:[^"\\]|\\.)*)"', words)
    return (quoted[1].replace('\\"', '"') if quoted else words.removeprefix("error\n").strip('"'))[:300]
