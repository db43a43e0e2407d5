"""How sure the measured figures are: position error carried through to every verdict."""
