"""Glademark lays out a marked partial harvest: corridors, openings, zones, volumes, limits."""

from glademark.offline import stay_offline

__version__ = "0.1.0"

stay_offline()
