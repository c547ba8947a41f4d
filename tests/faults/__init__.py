"""Faults of what lies outside, at random instants: what the needle said, and what the job did.

The program's own threads run as they are, one at a time and by a clock that nobody waits for
(:mod:`tests.faults.world`). What fails is written from what drivers, cables and systems do
(:mod:`tests.faults.outside`), and knows nothing of how the program takes it.
"""
