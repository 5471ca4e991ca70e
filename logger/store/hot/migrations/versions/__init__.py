"""The schema of the hot tier, step by step."""
