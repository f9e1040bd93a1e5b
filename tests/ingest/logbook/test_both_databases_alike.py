"""SQLite and PostgreSQL give the same answers to the same doings."""

import pytest

from ingest.logbook import Logbook
from tests.ingest.logbook.programs import do_at_random, everything, furnish_all


@pytest.mark.xdist_group("postgresql")
@pytest.mark.parametrize("seed", [1, 2])
def test_the_same_doings_lead_to_the_same_logbook(fresh, postgres_url, seed):
    on_file, on_server = fresh(), Logbook(postgres_url)
    try:
        refused = []
        for logbook in (on_file, on_server):
            furnish_all(logbook)
            refused.append(do_at_random(logbook, seed, 60))
        assert refused[0] == refused[1]
        assert len(refused[0]) < 45  # most of it was done, not refused
        assert everything(on_file) == everything(on_server)
        assert len(on_file.notes(withdrawn=True)) > 5
    finally:
        on_server.close()
