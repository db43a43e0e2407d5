"""What has to be said wherever results are shown: people get hurt in this trade."""

CAUTIONS = (
    "Positions under a canopy are approximate: the paint on the tree governs, not the map.",
    "This is no legal survey of any boundary; line trees are co-owned.",
    (
        "Felling and extraction kill: local rules, licensed practice and the crew's judgement "
        "come first."
    ),
)
"""One sentence each, in the order in which they are shown."""
