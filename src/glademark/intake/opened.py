"""The inputs of a project, opened once, before anything is known of what is in them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

import geopandas as gpd
import numpy as np
import numpy.typing as npt

from glademark.errors import InputError
from glademark.intake.columns import meanings
from glademark.intake.columns.meanings import Meaning
from glademark.intake.formats.files import FieldFile, Snapshots
from glademark.intake.formats.gpx import Want
from glademark.intake.formats.sources import read_source, read_table
from glademark.intake.records import Reading
from glademark.project.model import Project, Source

_T = TypeVar("_T")

LAYERS: Mapping[str, tuple[tuple[Meaning, ...], Want]] = MappingProxyType(
    {
        "stand": (meanings.AREAS, "lines"),
        "corridors": (meanings.CORRIDORS, "lines"),
        "openings": (meanings.WALKED, "lines"),
        "exclusions": (meanings.AREAS, "lines"),
        "setbacks": (meanings.SETBACKS, "lines"),
        "water": (meanings.WATER, "lines"),
        "landings": (meanings.AREAS, "lines"),
        "leave_trees": (meanings.LEAVE_TREES, "points"),
        "marked_ground": (meanings.AREAS, "lines"),
        "cruise": (meanings.CRUISE, "points"),
    }
)
"""Inputs with positions of which there is one file, in the order in which they are opened."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Shelf:
    """
    Opened inputs.

    Attributes
    ----------
    layers
        Reading by key in ``[inputs]``; None where not given or refused.
    marks
        One reading a file, None where refused.
    tally, volume_table
        Tables; None where not given or refused.
    terrain
        The raster's file; None where not given or refused.
    faults
        Why inputs are refused.
    """

    layers: Mapping[str, Reading | None]
    marks: tuple[Reading | None, ...]
    tally: Reading | None
    volume_table: Reading | None
    terrain: FieldFile | None
    faults: tuple[str, ...] = ()

    def readings(self) -> tuple[Reading, ...]:
        """
        All readings that there are.

        Returns
        -------
        readings
            In the order in which they were opened.
        """
        every = (*self.layers.values(), *self.marks, self.tally, self.volume_table)
        return tuple(one for one in every if one is not None)

    def changed(self, change: Callable[[str, Reading], Reading | None]) -> "Shelf":
        """
        Shelf with other readings of the same files.

        Parameters
        ----------
        change
            New reading for the key in ``[inputs]`` and the reading; None to leave it out.

        Returns
        -------
        shelf
            All else is the same.
        """

        def _of(key: str, reading: Reading | None) -> Reading | None:
            return None if reading is None else change(key, reading)

        return replace(
            self,
            layers={key: _of(key, reading) for key, reading in self.layers.items()},
            marks=tuple(_of("marks", reading) for reading in self.marks),
            tally=_of("tally", self.tally),
            volume_table=_of("volume_table", self.volume_table),
        )


def open_inputs(project: Project, *, folder: Path, temporary: Path) -> Shelf:
    """
    All inputs of a project.

    Parameters
    ----------
    project
        What was asked.
    folder
        Where relative paths start.
    temporary
        Empty folder for private copies, which must stay while the shelf is used.

    Returns
    -------
    shelf
        With the faults of all inputs that are refused.
    """
    opener = _Opener(
        snapshots=Snapshots(temporary),
        folder=folder.absolute(),
        faults=[],
    )
    inputs = project.inputs
    layers = {key: opener.layer(key, getattr(inputs, key)) for key in LAYERS}
    marks = tuple(opener.layer("marks", source) for source in inputs.marks)
    tally = opener.table("tally", inputs.tally)
    volume_table = opener.table("volume_table", project.volume.table)
    return Shelf(
        layers=layers,
        marks=marks,
        tally=tally,
        volume_table=volume_table,
        terrain=opener.raster("terrain", inputs.terrain),
        faults=tuple(opener.faults),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Opener:
    """Opens files, and goes on after one that is refused."""

    snapshots: Snapshots
    folder: Path
    faults: list[str]

    def layer(self, key: str, source: Source | None) -> Reading | None:
        """Records with positions."""
        wanted, want = LAYERS.get(key, (meanings.MARKS, "points"))
        return self._attempt(
            key, source, lambda file, stated: read_source(file, stated, wanted, want=want)
        )

    def table(self, key: str, source: Source | None) -> Reading | None:
        """Records of a table."""
        return self._attempt(
            key, source, lambda file, stated: read_table(file, stated, meanings.TALLY)
        )

    def raster(self, key: str, source: Source | None) -> FieldFile | None:
        """A file that is read later, and only in part."""
        return self._attempt(key, source, lambda file, _: file)

    def _attempt(
        self, key: str, source: Source | None, read: Callable[[FieldFile, Source], _T]
    ) -> _T | None:
        """What is read, or None where nothing is given or the file is refused."""
        if source is None:
            return None
        try:
            return read(self.snapshots.take(key, source.file, folder=self.folder), source)
        except InputError as error:
            self.faults.extend(fault for fault in error.faults if fault not in self.faults)
            return None


def part_of(reading: Reading, places: npt.NDArray[np.intp]) -> Reading:
    """
    Some records of a reading.

    Parameters
    ----------
    reading
        Of a file.
    places
        Positions of the records, rising.

    Returns
    -------
    reading
        With an index of its own, as if the file held these records only; what could not be read
        and what was noticed on opening stays with the whole.
    """
    record = reading.record.iloc[places].reset_index(drop=True)
    shapes = None if reading.geometry is None else reading.geometry.iloc[places]
    return replace(
        reading,
        rows=reading.rows.iloc[places].reset_index(drop=True),
        record=record,
        geometry=None if shapes is None else gpd.GeoSeries(shapes.reset_index(drop=True)),
        ids=None if reading.ids is None else reading.ids.iloc[places].reset_index(drop=True),
        spoiled=(),
        notices=(),
    )
