"""Glademark in the desktop GIS: starts the command of that name and shows what it wrote."""


def classFactory(iface):  # noqa: ANN001, ANN201, N802 - the name that the desktop asks for
    """The plug-in for a running desktop."""
    from .plugin import GlademarkPlugin  # noqa: PLC0415 - loaded with the desktop only

    return GlademarkPlugin(iface)
