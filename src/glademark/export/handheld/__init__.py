"""Files for receivers and phones."""
