"""Uncertainty, fits, and verdicts between limits."""
