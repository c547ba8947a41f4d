"""The black box: the last minute of envelope and state, kept when something went wrong."""
