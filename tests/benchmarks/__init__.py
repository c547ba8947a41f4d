"""Figures: ``python -m tests.benchmarks [accuracy] [lag] [throughput] [load]`` prints the tables."""
