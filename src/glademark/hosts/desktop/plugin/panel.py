"""Verdicts of the layout that is loaded: a click selects what exceeds a limit."""

from pathlib import Path

from qgis.core import QgsProject
from qgis.PyQt.QtWidgets import (
    QDockWidget,
    QLabel,
    QPushButton,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from .results import OUTPUT_KEY, summary_of

COLUMNS = ("Verdict", "What", "Measured", "Limit")
NAMED_BY = {"openings": "opening", "combined_openings": "combined", "corridors": "corridor",
            "corridor_lines": "corridor", "marks": "tree_id"}  # fmt: skip
_WIDEST = 170  # pixels of what is checked, so that its figures are seen
ORDER = ("exceeded", "near", "not_checked", "met")


class VerdictPanel(QDockWidget):
    """A table of limits in the user's units, worst first, and a button to lay out again."""

    def __init__(self, iface):
        super().__init__("Glademark: limits")
        self.setObjectName("glademark_limits")
        self.iface, self.rows, self.gpkg = iface, [], ""
        self.head = QLabel("No layout is loaded.")
        self.head.setWordWrap(True)
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setHorizontalHeaderLabels(COLUMNS)
        self.table.setEditTriggers(QTableWidget.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QTableWidget.SelectionBehavior.SelectRows)
        self.table.verticalHeader().hide()
        self.table.cellClicked.connect(self.select)
        self.again = QPushButton("Layout again")
        self.again.setToolTip(
            "Run the last layout with the layers that were sent as they are now, edits included; "
            "papers of the layout before are taken away"
        )
        self.again.clicked.connect(self.lay_out_again)
        self.papers = QPushButton("Make papers")
        self.papers.setToolTip("Maps, guide and files for the crew, from the layout shown here")
        self.papers.clicked.connect(self.make_papers)
        inside = QWidget()
        column = QVBoxLayout(inside)
        for part in (self.head, self.table, self.again, self.papers):
            column.addWidget(part)
        self.setWidget(inside)
        project = QgsProject.instance()
        project.layersAdded.connect(self.show_latest)
        project.layersRemoved.connect(self.show_latest)
        self.show_latest()

    def close_down(self):
        """Listen no longer."""
        project = QgsProject.instance()
        project.layersAdded.disconnect(self.show_latest)
        project.layersRemoved.disconnect(self.show_latest)

    def show_latest(self, *_):
        """Read the verdicts of the loaded layout that was made last."""
        found = {
            Path(layer.customProperty(OUTPUT_KEY)): layer
            for layer in QgsProject.instance().mapLayers().values()
            if layer.customProperty("glademark/layer") == "checks" and layer.isValid()
        }
        self.rows, self.gpkg = [], ""
        if found:
            latest = max(found, key=lambda path: path.stat().st_mtime)
            self.gpkg = str(latest)
            self.rows = [feature.attributeMap() for feature in found[latest].getFeatures()]
        self.rows.sort(key=lambda row: ORDER.index(row["verdict"]))
        counted = {
            verdict: sum(row["verdict"] == verdict for row in self.rows) for verdict in ORDER
        }
        told = ", ".join(f"{n} {v.replace('_', ' ')}" for v, n in counted.items() if n)
        notices = summary_of(Path(self.gpkg).parent).get("notices", []) if found else []
        more = f". Notices: {len(notices)}, rest the pointer here" if notices else ""
        self.head.setText(f"Limits: {told}{more}" if told else "No layout is loaded.")
        self.head.setToolTip("\n".join(notices))
        self.table.setRowCount(len(self.rows))
        for at, row in enumerate(self.rows):
            self._fill(at, row)
        self.table.resizeColumnsToContents()
        self.table.setColumnWidth(1, min(self.table.columnWidth(1), _WIDEST))

    def _fill(self, at, row):
        """One row of the table."""
        unit = row["unit_shown"] or ""
        side = "at least" if row["limit"].endswith("_min") else "at most"
        cells = (
            row["verdict"].replace("_", " ").upper(),
            row["subject"],
            shown(row["measured_shown"], unit),
            f"{side} {shown(row['limit_shown'], unit)}" if shown(row["limit_shown"], unit) else "",
        )
        for column, text in enumerate(cells):
            item = QTableWidgetItem(str(text))
            if row["verdict"] == "exceeded":
                font = item.font()
                font.setBold(True)
                item.setFont(font)
            item.setToolTip(str(row["reason"] or row["subject"]))
            self.table.setItem(at, column, item)

    def select(self, at, _=0):
        """Select the features of one row on the map."""
        row = self.rows[at]
        for layer in QgsProject.instance().mapLayers().values():
            if layer.customProperty(OUTPUT_KEY) != self.gpkg or not hasattr(layer, "selectByIds"):
                continue
            layer.removeSelection()
            if layer.customProperty("glademark/layer") == row["layer"] and layer.isSpatial():
                names = {str(row["feature"]), *str(row["feature"]).split(", ")}
                column = NAMED_BY.get(row["layer"], "name")
                ids = [f.id() for f in layer.getFeatures() if str(f[column]) in names]
                layer.selectByIds(ids)
                if ids:
                    self.iface.mapCanvas().zoomToSelected(layer)

    def lay_out_again(self):
        """Layers and verdicts of the last layout once more, with the layers as they are now."""
        from .algorithms import LAST

        if not LAST:
            self.head.setText("Nothing to repeat: run a layout from the toolbox first.")
            return
        self._start(LAST["id"], {**LAST["parameters"], "LAYERS_ONLY": True})

    def make_papers(self):
        """Papers of the layout that is shown, beside it."""
        if self.gpkg:
            folder = str(Path(self.gpkg).parent)
            self._start("glademark:papers", {"GPKG": self.gpkg, "OUTPUT": folder})

    def _start(self, algorithm, parameters):
        """Run an algorithm in the background, and no other of this panel meanwhile."""
        from .again import start

        self.again.setEnabled(False)
        self.papers.setEnabled(False)
        self.task = start(algorithm, parameters, self._ended)

    def _ended(self, fault):
        """Show what came of it."""
        self.again.setEnabled(True)
        self.papers.setEnabled(True)
        self.show_latest()
        if fault:
            self.head.setText(fault)


def shown(value, unit):
    """A number with the digits that a table bears, and its unit."""
    try:
        return f"{float(value):,.4g} {unit}".strip()
    except (TypeError, ValueError):
        return ""
