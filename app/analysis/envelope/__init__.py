"""From samples to an envelope: carrier, demodulation, noise, clipping."""
