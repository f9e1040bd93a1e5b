"""Hourly climate facts and daily pot facts in the SQLite store.

Owns how a table of facts is kept and handed back. What the facts mean, and how they follow from
readings, their writer knows. Functions here run inside the caller's transaction. pandas is imported
when facts are read: the ingester, which never does, stays small.
"""

import sqlite3
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ingest.readings import DAILY_COLUMNS, HOURLY_COLUMNS

if TYPE_CHECKING:
    import pandas as pd


class FactTable(NamedTuple):
    """A table of facts: whose, when, and what."""

    name: str
    owner: str
    time: str
    columns: tuple[str, ...]


HOURLY = FactTable("hourly", "place", "hour_ms", HOURLY_COLUMNS)
DAILY = FactTable("daily", "pot", "day_ms", DAILY_COLUMNS)


def write(db: sqlite3.Connection, table: FactTable, facts: "pd.DataFrame") -> None:
    """Replace rows of the same keys; a row without a single value removes its key. Absent columns become unknown."""
    odd = [str(column) for column in facts.columns if column not in (table.owner, table.time, *table.columns)]
    if odd:
        raise ValueError(f"{table.name} facts have no column named {odd[0]}; they have {', '.join(table.columns)}")
    values = np.full((len(facts), len(table.columns)), np.nan)
    for position, column in enumerate(table.columns):
        if column in facts.columns:
            values[:, position] = facts[column].to_numpy(dtype=float, na_value=np.nan)
    empty = np.isnan(values).all(axis=1)
    keys = list(zip(facts[table.owner].astype(str).tolist(), facts[table.time].astype("int64").tolist(), strict=True))
    marks = ", ".join("?" * (2 + len(table.columns)))
    # SQLite keeps NaN as NULL by itself.
    db.executemany(
        f"INSERT OR REPLACE INTO {table.name} VALUES ({marks})",
        ((*key, *row) for key, row, gone in zip(keys, values.tolist(), empty, strict=True) if not gone),
    )
    db.executemany(
        f"DELETE FROM {table.name} WHERE {table.owner} = ? AND {table.time} = ?",
        (key for key, gone in zip(keys, empty, strict=True) if gone),
    )


def read(db: sqlite3.Connection, table: FactTable, owner: str, start_ms: int, end_ms: int) -> "pd.DataFrame":
    """One owner's facts in [start, end), sorted, NaN where unknown."""
    import pandas as pd

    rows = db.execute(
        f"""SELECT {table.time}, {", ".join(table.columns)} FROM {table.name}
            WHERE {table.owner} = ? AND {table.time} >= ? AND {table.time} < ? ORDER BY {table.time}""",
        (owner, start_ms, end_ms),
    ).fetchall()
    facts = pd.DataFrame(rows, columns=[table.time, *table.columns])
    return facts.astype({table.time: "int64", **dict.fromkeys(table.columns, "float64")})
