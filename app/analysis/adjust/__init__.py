"""What several measurements come to, and what follows from them for the hand."""
