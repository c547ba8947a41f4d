"""Frames as other programs write them: piped in, or of a program that is started for them."""
