"""Decisions composed from the statistics: lap states, due list, causes."""
