"""Pictures of every page of the window, to be looked at: ``python -m tests.pages``."""
