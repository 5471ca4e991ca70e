"""Backups in a folder: made, read again, compared, restored."""
