"""The bench instrument: stream, analysis, dashboard and commands."""
