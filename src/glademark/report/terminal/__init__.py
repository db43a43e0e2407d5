"""The answer on the terminal."""
