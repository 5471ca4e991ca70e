"""To be described."""
