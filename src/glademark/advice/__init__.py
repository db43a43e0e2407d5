"""Which marks to leave standing."""
