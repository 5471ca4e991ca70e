"""To be described in one line: what this room holds."""
