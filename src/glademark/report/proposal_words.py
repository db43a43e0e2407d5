"""Words that every output of a proposal carries."""

HEADING = "PROPOSAL, NOT MARKED, NOT FOR CUTTING"
"""Head of every output that rests on proposed marks."""
