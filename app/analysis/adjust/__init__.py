"""What several measurements say together, and what follows from them for the hand."""
