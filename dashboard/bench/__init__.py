"""The pages measured in a real browser."""
