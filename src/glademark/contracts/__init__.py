"""Tables and results that the packages hand on, declared once."""
