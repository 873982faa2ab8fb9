"""Lengths and readings: one exact conversion, one kind of interval."""
