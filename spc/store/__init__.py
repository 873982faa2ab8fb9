"""The store of record: one SQLite file."""
