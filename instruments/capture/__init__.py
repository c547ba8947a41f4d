"""Capture files: what their bytes say, and a recorder that writes them."""
