"""What much of the program does as a whole, told in lines of text and held against a record.

A record tells of a change and not of truth: whether what is recorded is right the tests beside the
program say, and whoever reads the record. ``python -m tests.recorded`` makes it anew.
"""
