"""Layer styles."""
