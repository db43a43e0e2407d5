"""The comparison after the cut, as people read it."""
