"""Papers and files of the comparison after the cut."""
