"""Marks against stumps."""
