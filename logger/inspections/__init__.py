"""Inspections beside the record: assessment, readiness, impact, lists, revisions, soak clocks."""
