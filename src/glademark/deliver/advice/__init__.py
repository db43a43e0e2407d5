"""Advice as files and on the terminal."""
