"""The floor of a run: its inputs read, and layers and tables of the size of its outputs written."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio


@dataclass(frozen=True, kw_only=True)
class Floor:
    """
    What a run reads and writes, without the work between.

    Attributes
    ----------
    inputs
        Files that the run reads.
    layers, plain
        Layers and tables without geometry of the GeoPackage that the run wrote, loaded already.
    tables
        Tables that the run wrote as CSV, loaded already.
    folder
        Where copies are written.
    """

    inputs: tuple[Path, ...]
    layers: dict[str, gpd.GeoDataFrame]
    plain: dict[str, pd.DataFrame]
    tables: dict[str, pd.DataFrame]
    folder: Path

    def read_and_write(self, *, use_arrow: bool = False) -> None:
        """Read every input with geopandas and write every layer and table."""
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir(parents=True)
        for path in self.inputs:
            gpd.read_file(path, use_arrow=use_arrow)
        package = self.folder / "layout.gpkg"
        for name, frame in self.layers.items():
            frame.to_file(package, layer=name, driver="GPKG", use_arrow=use_arrow)
        for name, table in self.plain.items():
            pyogrio.write_dataframe(table, package, layer=name, driver="GPKG", use_arrow=use_arrow)
        for name, table in self.tables.items():
            table.to_csv(self.folder / name, index=False)

    def size(self) -> int:
        """Bytes of what was written last."""
        return size_of(self.folder)


def floor_of(inputs: Path, outputs: Path, *, folder: Path) -> Floor:
    """The floor of a run that has read and written these folders."""
    package = outputs / "layout.gpkg"
    layers, plain = {}, {}
    for name, kind in pyogrio.list_layers(package):
        if kind is None:
            plain[name] = pyogrio.read_dataframe(package, layer=name)
        else:
            layers[name] = gpd.read_file(package, layer=name)
    return Floor(
        inputs=tuple(sorted(inputs.glob("*.gpkg"))),
        layers=layers,
        plain=plain,
        tables={path.name: pd.read_csv(path) for path in sorted(outputs.glob("*.csv"))},
        folder=folder,
    )


def size_of(folder: Path) -> int:
    """Bytes of the GeoPackage and the CSV tables in a folder."""
    return sum(path.stat().st_size for path in folder.iterdir() if path.suffix in {".gpkg", ".csv"})
