"""After the cut: stumps matched to marks, findings, driven ground, sample checks.."""
