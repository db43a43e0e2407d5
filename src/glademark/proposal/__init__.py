"""Group openings proposed by optimisation: candidates, the program that chooses, alternatives."""
