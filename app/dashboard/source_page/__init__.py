"""The page of sources: what can be opened, and a form for each kind."""
