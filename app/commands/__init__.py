"""What the command line does, and its grammar; :mod:`app.cli` puts them together."""
