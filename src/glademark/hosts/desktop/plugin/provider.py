"""The algorithms of Glademark in the desktop's toolbox."""

from pathlib import Path

from qgis.core import QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithms import Advise, Compare, Inspect, Layout, LayoutFromLayers, Papers, Propose

ICON = str(Path(__file__).parent / "icon.svg")


class GlademarkProvider(QgsProcessingProvider):
    """Layout, propose, advise, compare, papers, inspect."""

    def id(self):
        """Name of the provider in identifiers of algorithms."""
        return "glademark"

    def name(self):
        """Name of the provider in the toolbox."""
        return "Glademark"

    def longName(self):
        return "Glademark: layout of marked partial harvests"

    def icon(self):
        """Picture of the provider in the toolbox."""
        return QIcon(ICON)

    def loadAlgorithms(self):
        for kind in (Layout, LayoutFromLayers, Propose, Advise, Compare, Papers, Inspect):
            self.addAlgorithm(kind())
