"""The plug-in: its provider, and a panel with the verdicts of a layout."""

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import Qt

from .provider import GlademarkProvider
from .run import LASTING, end_ready


class GlademarkPlugin:
    """Registers the provider; the panel only where there is a window."""

    def __init__(self, iface):
        self.iface = iface
        self.provider = None
        self.panel = None

    def initProcessing(self):
        """All that a run without a window needs."""
        self.provider = GlademarkProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self):
        from .panel import VerdictPanel

        LASTING.set()
        self.initProcessing()
        self.panel = VerdictPanel(self.iface)
        self.iface.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, self.panel)

    def unload(self):
        """Take the provider and the panel away again."""
        end_ready()
        if self.panel is not None:
            self.panel.close_down()
            self.iface.removeDockWidget(self.panel)
            self.panel = None
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
