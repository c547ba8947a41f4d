"""A virtual probe and sound card, made of circuit equations; python -m tests.virtualprobe.

It imports nothing of the analysis, and nothing of the virtual drive. Voltages are followed sample
by sample at eight times the card's rate: capacitors by the trapezoidal rule, diodes by Shockley's
law.
"""
