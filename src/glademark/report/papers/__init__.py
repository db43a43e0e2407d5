"""Printed papers."""
