"""What an input, and the probe ahead of it, make of a signal: measured from arrays alone."""
