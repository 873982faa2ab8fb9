"""Distributions and dependence, fitted to interval readings."""
