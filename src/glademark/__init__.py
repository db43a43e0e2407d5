"""Glademark lays out a marked partial harvest: corridors, openings, zones, volumes, limits."""

__version__ = "0.1.0"
