"""Limits held against the layout: measured, limit, margin, verdict."""
