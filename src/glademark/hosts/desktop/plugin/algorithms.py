"""Algorithms: each hands its parameters to one command and loads what that wrote."""

import re
import tempfile
from pathlib import Path

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingOutputNumber,
    QgsProcessingOutputString,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
)
from qgis.PyQt.QtGui import QIcon

from .inputs import PROJECT, sent_to, write_layer, write_request
from .results import counts, load, project_of, summary_of
from .run import run
from .settings import INPUTS, SETTINGS
from .sheet import show_sheet

ICON = str(Path(__file__).parent / "icon.svg")
CAUTION = (
    "Positions are approximate, the paint on the tree governs, and nothing here is a legal survey. "
    "Felling kills: local rules and licensed practice come first."
)
SEVERAL = ("CORRIDORS", "MARKS")
VECTORS = (
    "OPENINGS", "EXCLUSIONS", "SETBACKS", "WATER", "LANDINGS", "LEAVE_TREES", "MARKED_GROUND",
    "TALLY", "CRUISE", "VOLUME_TABLE", "STANDING", "FAILING_PATCHES", "CROP_TREES", "REGENERATION",
    "HAZARDS", "PRICES",
)  # fmt: skip
RASTERS = ("TERRAIN", "CANOPY_HEIGHT")
LAST = {}
"""Id and parameters of the last layout."""

VECTORS, RASTERS = (  # those that this version reads
    tuple(name for name in names if name.lower() in {*INPUTS, "volume_table"})
    for names in (VECTORS, RASTERS)
)
AFTER_CUT = ("DRIVEN", "OPENINGS", "POST_CUT_PLOTS", "DAMAGE", "SAMPLED")


class Algorithm(QgsProcessingAlgorithm):
    """What all algorithms have in common: a command, a folder, and figures of its output."""

    command = ""
    title = ""
    says = ""
    gpkg = "layout.gpkg"
    shows = ""

    def createInstance(self):
        return type(self)()

    def name(self):
        """Name of the algorithm in its identifier."""
        return self.command

    def displayName(self):
        return self.title

    def shortHelpString(self):
        return f"{self.says}\n\n{CAUTION}"

    def icon(self):
        """Picture of the algorithm in the toolbox."""
        return QIcon(ICON)

    def initAlgorithm(self, configuration=None):
        self.add_inputs()
        self.addParameter(QgsProcessingParameterFolderDestination("OUTPUT", "Folder for results"))
        self.addOutput(QgsProcessingOutputFile("GPKG", "GeoPackage"))
        self.add_figures()

    def add_inputs(self):
        """The project file."""
        self.addParameter(QgsProcessingParameterFile("PROJECT", "Project file", extension="toml"))

    def add_figures(self):
        """No figures but in the files."""

    def words(self, parameters, context, output):
        """Words of the command for the parameters."""
        return [self.parameterAsFile(parameters, "PROJECT", context), "--out", output]

    def processAlgorithm(self, parameters, context, feedback):
        output = self.parameterAsString(parameters, "OUTPUT", context)
        words = [self.command, *self.words(parameters, context, output), "--progress", "json"]
        if run(words, feedback, output) is None:
            return {}
        for notice in summary_of(output).get("notices", ()):
            feedback.pushWarning(notice)
        return self.found(output)

    def found(self, output):
        """Outputs of a run that went well."""
        gpkg = Path(output) / self.gpkg
        self.written = {"OUTPUT": output, **({"GPKG": str(gpkg)} if gpkg.is_file() else {})}
        return self.written

    def postProcessAlgorithm(self, context, feedback):
        """Load the layers, on the desktop's own thread."""
        written = getattr(self, "written", None) or {}
        if "GPKG" in written and context.project() is not None:
            title = project_of(written["GPKG"]) + self.shows
            shown = load(context.project(), written["GPKG"], title)
            if self.command == "layout":
                show_sheet(context.project(), title, shown, CAUTION)
        return written


class Layout(Algorithm):
    """The layout of a project file."""

    command, title = "layout", "Layout from project file"
    says = "Corridors, openings, zones, volumes and limits of the harvest that a file describes."

    def add_figures(self):
        """Declare whether papers are made, and the figures that the algorithm hands on."""
        self.addParameter(
            QgsProcessingParameterBoolean("LAYERS_ONLY", "Layers and verdicts, no papers", False)
        )
        self.addOutput(QgsProcessingOutputFile("SUMMARY", "Summary"))
        self.addOutput(QgsProcessingOutputString("EDITION", "Edition"))
        for verdict in ("EXCEEDED", "NEAR", "MET", "NOT_CHECKED"):
            words = verdict.lower().replace("_", " ")
            self.addOutput(QgsProcessingOutputNumber(verdict, f"Limits {words}"))

    def found(self, output):
        """Figures of an output's summary."""
        self.written = {**super().found(output), **counts(output)}
        return self.written

    def words(self, parameters, context, output):
        """Words of the command line after the name of the command."""
        only_layers = self.parameterAsBool(parameters, "LAYERS_ONLY", context)
        more = ["--only", "gpkg"] if only_layers else []
        return [*super().words(parameters, context, output), "--json", *more]

    def prepareAlgorithm(self, parameters, context, feedback):
        """Keep what a layout was made of, so that it can be made again."""
        LAST.update(id=self.id(), parameters=dict(parameters))
        return True


class LayoutFromLayers(Layout):
    """The layout of loaded layers, edited, filtered or in memory, or of files."""

    title = "Layout from loaded layers"
    says = (
        "The layout of loaded layers, with unsaved edits and filters. Settings are text as in a "
        'project file, such as 0.5 acre, [5, 9, 12] or {pink = "corridor"}; they and the '
        "layers take the place of what PROJECT says. What was sent stays in the folder 'inputs' of "
        "the results."
    )

    def name(self):
        """Name of the algorithm in its identifier."""
        return "layout_from_layers"

    def add_inputs(self):
        """Declare the inputs of the algorithm."""
        optional = QgsProcessingParameterDefinition.Flag.FlagOptional
        project = QgsProcessingParameterFile("PROJECT", "Project file", extension="toml")
        project.setFlags(project.flags() | optional)
        self.addParameter(project)
        kind = QgsProcessing.SourceType
        self.addParameter(
            QgsProcessingParameterVectorLayer(
                "STAND", "Stand", [kind.TypeVectorPolygon], optional=True
            )
        )
        for name, one in (("CORRIDORS", kind.TypeVectorAnyGeometry), ("MARKS", kind.TypeVector)):
            self.addParameter(
                QgsProcessingParameterMultipleLayers(name, title(name), one, optional=True)
            )
        for name in VECTORS:
            self.addParameter(
                QgsProcessingParameterVectorLayer(
                    name, title(name), [kind.TypeVector], optional=True
                )
            )
        for name in RASTERS:
            self.addParameter(QgsProcessingParameterRasterLayer(name, title(name), optional=True))
        advanced = QgsProcessingParameterDefinition.Flag.FlagAdvanced
        for name, _, _, meaning in SETTINGS:
            setting = QgsProcessingParameterString(name, meaning, optional=True)
            setting.setFlags(setting.flags() | advanced)
            self.addParameter(setting)

    def prepareAlgorithm(self, parameters, context, feedback):
        """Write the layers, on the thread that they belong to."""
        super().prepareAlgorithm(parameters, context, feedback)
        self.sending = tempfile.TemporaryDirectory(prefix="glademark-layers-")
        folder, self.sent = Path(self.sending.name), {}
        for name in ("STAND", *VECTORS):
            one = self._one(parameters, name, context, folder, name.lower())
            if one is not None:
                self.sent[name.lower()] = one
        for name in SEVERAL:
            given = parameters.get(name) or []
            given = given if isinstance(given, (list, tuple)) else [given]
            found = [
                self._one({name: one}, name, context, folder, f"{name.lower()}_{number}", one)
                for number, one in enumerate(given, 1)
            ]
            if found:
                self.sent[name.lower()] = found
        for name in RASTERS:
            layer = self.parameterAsRasterLayer(parameters, name, context)
            if layer is not None:
                self.sent[name.lower()] = {"file": layer.source()}
        return True

    def _one(self, parameters, name, context, folder, file, value=None):
        """Words for one layer or path; None where none was given."""
        is_one_of_several = value is not None
        value = parameters.get(name) if value is None else value
        if value in (None, ""):
            return None
        if isinstance(value, str) and Path(value).is_file():
            return {"file": str(Path(value).resolve())}
        layer = context.getMapLayer(value) if isinstance(value, str) else value
        if layer is None and isinstance(value, str):
            layer = self.parameterAsVectorLayer({"STAND": value}, "STAND", context)
        if layer is None or not layer.isValid():
            raise QgsProcessingException(f"{name}: {value} is no layer that can be read")
        if is_one_of_several:  # notices name the file
            file = f"{file}_{re.sub(r'[^0-9A-Za-z]+', '_', layer.name())[:40]}"
        return write_layer(layer, file, folder)

    def words(self, parameters, context, output):
        """Words of the command line after the name of the command."""
        return [*super().words(parameters, context, output), "--request", parameters["REQUEST"]]

    def processAlgorithm(self, parameters, context, feedback):
        output = self.parameterAsString(parameters, "OUTPUT", context)
        settings = {}
        for name, table, key, _ in SETTINGS:
            text = self.parameterAsString(parameters, name, context).strip()
            if text:
                settings.setdefault(table, {})[key] = text
        project = self.parameterAsFile(parameters, "PROJECT", context) or None
        with sent_to(output) as (folder, done), self.sending:
            inputs = {name: _moved(one, folder) for name, one in self.sent.items()}
            request = write_request(folder, project, inputs, settings)
            made = {**parameters, "PROJECT": str(folder / PROJECT), "REQUEST": str(request)}
            found = super().processAlgorithm(made, context, feedback)
            done.extend(found)
        return found


class Propose(Algorithm):
    """Group openings proposed."""

    command, title, gpkg = "propose", "Propose group openings", "proposals.gpkg"
    shows = ": proposed groups"
    says = "Group openings to walk, inside the limits, best value first. Proposals are not marks."


class Advise(Algorithm):
    """Which marks to leave standing."""

    command, title, gpkg = "advise", "Advise which marks to leave standing", "advice.gpkg"
    shows = ": leave standing"
    says = "The fewest marks to leave standing so that the limits are kept."


class Papers(Algorithm):
    """The papers made again."""

    command, title = "papers", "Papers from a layout"
    says = "Maps, guide and files for the crew, made again from a layout.gpkg alone."

    def add_inputs(self):
        """Declare the inputs of the algorithm."""
        self.addParameter(
            QgsProcessingParameterFile("GPKG", "layout.gpkg of a layout", extension="gpkg")
        )

    def words(self, parameters, context, output):
        """Words of the command line after the name of the command."""
        return [self.parameterAsFile(parameters, "GPKG", context), "--out", output]


class Compare(Algorithm):
    """Stumps against marks."""

    command, title, gpkg = "compare", "Compare stumps with marks", "compare.gpkg"
    shows = ": after the cut"
    says = "What was cut, left and cut unmarked, held against the layout. Findings to be looked at."

    def add_inputs(self):
        """Declare the inputs of the algorithm."""
        super().add_inputs()
        for name in ("STUMPS", *AFTER_CUT):
            self.addParameter(QgsProcessingParameterFile(name, title(name), optional=True))

    def words(self, parameters, context, output):
        """Words of the command line after the name of the command."""
        words = super().words(parameters, context, output)
        for name in ("STUMPS", *AFTER_CUT):
            path = self.parameterAsFile(parameters, name, context)
            if path:
                words += [f"--{name.lower().replace('_', '-')}", path]
        return words


class Inspect(Algorithm):
    """What is in field files."""

    command, title = "inspect", "Inspect field files"
    says = "What is in files and how they would be read, before there is a project."

    def initAlgorithm(self, configuration=None):
        self.addParameter(
            QgsProcessingParameterMultipleLayers(
                "FILES", "Files", QgsProcessing.SourceType.TypeFile
            )
        )
        self.addOutput(QgsProcessingOutputString("REPORT", "Report"))

    def processAlgorithm(self, parameters, context, feedback):
        files = self.parameterAsFileList(parameters, "FILES", context)
        printed = run(["inspect", *files], feedback)
        if printed is None:
            return {}
        feedback.pushInfo(printed)
        return {"REPORT": printed}


def title(name):
    """Words for a parameter."""
    return name.replace("_", " ").capitalize()


def _moved(sent, folder):
    """The same words with files of layers moved to where they stay, beside the project file."""
    if isinstance(sent, list):
        return [_moved(one, folder) for one in sent]
    path = Path(sent["file"])
    if not path.parent.name.startswith("glademark-layers-"):
        return sent
    target = folder / path.name
    target.write_bytes(path.read_bytes())
    return {**sent, "file": path.name}
