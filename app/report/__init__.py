"""The report of a job: its content, its figures, and its faces as HTML and as PDF."""
