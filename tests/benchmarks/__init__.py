"""Figures: ``python -m tests.benchmarks [NAME …]`` prints the tables, all where none is named."""
