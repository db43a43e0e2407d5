"""Files for other programs, written as one output."""
