"""Paper, text and shapes of a printed sheet."""
