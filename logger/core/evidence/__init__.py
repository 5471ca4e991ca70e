"""Readings become evidence: cells of the grid, quality tests, neighbours, derived quantities."""
