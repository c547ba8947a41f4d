"""The window left running with a monkey at its keys: what it takes up over time."""
