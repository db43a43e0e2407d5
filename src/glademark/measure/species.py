"""Species that are not known, told once a stand with those that look most like them."""

from collections.abc import Iterable

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.forestry import SpeciesNames, nearest_species
from glademark.measure.tables import rows_by

NAMED = 3
"""Unknown species named in a notice; the rest are counted."""


def unknown_species_notices(frames: Iterable[pd.DataFrame], names: SpeciesNames) -> dict[int, str]:
    """One sentence a stand about species that are not known, from trees of every input."""
    unknown = pd.concat([_unknown(frame, names) for frame in frames])
    trees = unknown.groupby([STAND, "species"], as_index=False)["count"].sum()
    return {
        stand: _unknown_species_notice(trees.iloc[rows].set_index("species")["count"])
        for stand, rows in rows_by(trees[STAND]).items()
    }


def _unknown(trees: pd.DataFrame, names: SpeciesNames) -> pd.DataFrame:
    """Trees of species that are not known, by the one name of each."""
    species = trees["species"].to_numpy(dtype=object)
    unknown = ~names.known(species)
    counted = trees["count"].to_numpy() if "count" in trees else np.ones(len(trees), dtype=int)
    columns = {
        STAND: trees[STAND].to_numpy(dtype=np.int64)[unknown],
        "species": names.fold(species[unknown]),
        "count": counted[unknown].astype(np.int64),
    }
    return pd.DataFrame(columns)


def _unknown_species_notice(trees: pd.Series) -> str:
    """One sentence about trees by the name of a species that is not known."""
    some = trees.sort_values(ascending=False, kind="stable")
    told = [f"{name!r}, {number:,}{_nearest(str(name))}" for name, number in some.items()][:NAMED]
    more = f"; and {len(some) - NAMED:,} more species" if len(some) > NAMED else ""
    return (
        f"{int(some.sum()):,} trees are of species that are not known: {'; '.join(told)}{more}. "
        "They keep their name and have no published volume or crown width; a table [species.NAME] "
        "in the project file can give them those of another species."
    )


def _nearest(name: str) -> str:
    """What a name may have been meant for."""
    near = nearest_species(name, count=2)
    return f" (nearest: {', '.join(near)})" if near else ""
