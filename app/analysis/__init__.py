"""From samples to a reading: pure numpy, no I/O, no Qt."""
