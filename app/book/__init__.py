"""The job book: drives and jobs in one SQLite file, and what is read from it."""
