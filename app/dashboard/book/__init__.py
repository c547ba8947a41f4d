"""The job book's pages: drives, their history, the report before it is written."""
