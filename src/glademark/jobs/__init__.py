"""The jobs, each in its order."""
