"""What leaves the house besides the record."""
