"""Pieces that several pages share."""
