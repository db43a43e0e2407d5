"""Layers of many stands kept on the disk until they are written: memory holds a share of them."""

import pickle
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from glademark.contracts.layers import PARAMETERS, Units
from glademark.export.joined import Part, alike
from glademark.export.stands import StandTables


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Spool:
    """
    Layers of stands in a folder of our own.

    Attributes
    ----------
    folder
        Private, and gone at the end of the run.
    units
        What the project shows.
    """

    folder: Path
    units: Units
    _files: dict[str, list[Path]] = field(default_factory=dict)

    @property
    def names(self) -> list[str]:
        """
        Layers and tables kept, and the table of parameters.

        Returns
        -------
        names
            In the order in which the stands first have them.
        """
        return list(self._files)

    def keep(self, stands: Sequence[StandTables], *, first: int) -> list[StandTables]:
        """
        Put the layers of some stands away.

        Parameters
        ----------
        stands
            Laid out, or refused.
        first
            Place of the first among all stands.

        Returns
        -------
        stands
            Without their layers.
        """
        by_layer: dict[str, list[tuple[int, str, Any]]] = {}
        for place, stand in enumerate(stands, start=first):
            for name, frame in stand.frames.items():
                self._files.setdefault(name, [])
                by_layer.setdefault(name, []).append((place, str(stand.row["stand_id"]), frame))
            if stand.frames:
                self._files.setdefault(PARAMETERS.name, [])
        for name, mine in by_layer.items():
            path = self.folder / f"{name}-{len(self._files[name])}"
            with path.open("wb") as file:
                pickle.dump(alike(mine, name, self.units), file, protocol=pickle.HIGHEST_PROTOCOL)
            self._files[name].append(path)
        return [replace(stand, frames={}) for stand in stands]

    def parts(self, name: str) -> Iterator[Part]:
        """
        What was kept of a layer.

        Parameters
        ----------
        name
            Of the declaration.

        Yields
        ------
        part
            In the order in which they were kept.
        """
        for path in self._files.get(name, ()):
            with path.open("rb") as file:
                yield from pickle.load(file)  # noqa: S301 - written above, in a private folder
