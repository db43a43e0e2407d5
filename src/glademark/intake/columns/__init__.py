"""Columns recognised by meaning and read as values."""
