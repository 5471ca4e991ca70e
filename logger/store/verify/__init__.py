"""Verification: what entries claim against what is stored."""
