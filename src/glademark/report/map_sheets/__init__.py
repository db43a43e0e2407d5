"""The map sheets."""
