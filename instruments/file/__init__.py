"""Capture files: read as a source, and written."""
