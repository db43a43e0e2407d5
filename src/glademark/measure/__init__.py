"""What is measured: corridors, openings, zones, tally. Frames in, frames out."""
