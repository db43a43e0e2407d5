"""Field files in, one Survey out."""
