"""The review page."""
