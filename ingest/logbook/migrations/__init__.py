"""How a database gets from an earlier schema to today's: one file a step, run by `ingest.logbook.schema`."""
