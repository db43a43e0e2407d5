"""The review page: one HTML file that a planner opens by double click, without any network."""
