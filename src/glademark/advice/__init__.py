"""Advice: the smallest set of marks to leave standing that brings a layout inside its limits."""
