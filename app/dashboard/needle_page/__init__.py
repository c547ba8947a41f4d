"""The needle's page and its instruments."""
