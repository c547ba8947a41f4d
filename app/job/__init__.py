"""The alignment job from the shelf to the record: checks, their order, verdicts. No Qt in here."""
