"""The site of these pages: ``python -m sphinx -W docs site``."""

project = "Glademark"
extensions = ["myst_parser"]
html_theme = "alabaster"
html_theme_options = {"page_width": "75rem", "description": "Layout of partial timber harvests"}
html_show_sourcelink = False
myst_heading_anchors = 3
suppress_warnings = ["misc.highlighting_failure"]  # csv has no colours
