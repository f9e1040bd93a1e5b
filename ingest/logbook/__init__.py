"""Where shelves, pots, dated set-ups, sensors, notes and photos are kept.

`Logbook(url)` is the way in; `records.py` has the vocabulary, `refusals.py` the words for what cannot be taken.
"""

from ingest.logbook.logbook import Imported, Logbook
from ingest.logbook.refusals import Changed, Fault, Overlap, Refused, Unknown, Unreachable

__all__ = ["Changed", "Fault", "Imported", "Logbook", "Overlap", "Refused", "Unknown", "Unreachable"]
