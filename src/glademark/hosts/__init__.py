"""Hosts of the jobs."""
