"""Changed input, over and over, for whatever reads what others have written.

Each target (:mod:`tests.fuzz.targets`) takes bytes and lets pass the refusals that its reader
promises; anything else that comes out of it is a find. So is what takes longer than five seconds,
or more than 512 MiB.
"""
