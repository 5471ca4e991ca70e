"""Sealed months as Parquet files, their overviews, and how they are made."""
