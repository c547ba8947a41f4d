"""The job book, and what is made of it."""
