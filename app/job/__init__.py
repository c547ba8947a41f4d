"""The alignment job: checks, their order, their outcomes and verdicts. No Qt in here."""
