"""Measurements of speed on made records. They print ratios of one run; nothing here is a test."""
