"""The plug-in for the open desktop GIS: written into a profile, or as an archive."""
