"""One open source, live: its samples, their analysis, and what screens and jobs see of both."""
