"""The command line: its grammar, and what each command does."""
