"""Glademark in the desktop GIS: starts the command of that name and shows what it wrote."""


def classFactory(iface):
    """The plug-in for a running desktop."""
    from .plugin import GlademarkPlugin

    return GlademarkPlugin(iface)
