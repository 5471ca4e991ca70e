"""Correction of readings and its uncertainty, by certificates and as-found errors."""
