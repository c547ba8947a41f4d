"""Probes that anybody can build: their circuits, what they give, and their drawings."""
