"""Names of species in a project: its own, those of its volume table, then the package's."""

from collections.abc import Iterable, Iterator, Mapping

import numpy as np
import pandas as pd

from glademark.contracts.frames import STAND
from glademark.errors import InputError
from glademark.forestry import (
    UNKNOWN_SPECIES,
    OwnSpecies,
    SpeciesNames,
    find_species,
    nearest_species,
)
from glademark.forestry.volume_table_rows import species_in
from glademark.measure.tables import rows_by
from glademark.project.model import Project, SpeciesSettings

NAMED = 3
"""Unknown species named in a notice; the rest are counted."""


def project_species(project: Project, table: pd.DataFrame | None) -> SpeciesNames:
    """Names of species by the tables ``[species.KEY]``, then by the rows of the volume table."""
    faults: list[str] = []
    stated = list(_stated(project.species, faults))
    if faults:
        raise InputError(*faults)
    own = SpeciesNames.of(stated)
    if table is None:
        return own
    rows = [{str(name): cell for name, cell in row.items()} for row in table.to_dict("records")]
    named = species_in(rows, species=own, products=project.volume.products)
    local = [name for name in named if not own.known([name])[0]]
    return SpeciesNames.of([*stated, *((name, OwnSpecies(name=name)) for name in local)])


def _stated(
    settings: Mapping[str, SpeciesSettings], faults: list[str]
) -> Iterator[tuple[str, OwnSpecies]]:
    """Each table of the project file under its key; faults are noted."""
    for key, one in settings.items():
        code = int(find_species([one.name])[0])
        crown = _code(one.crown, f"[species.{key}] crown", faults) if one.crown else code
        volume = (
            _code(one.volume_as, f"[species.{key}] volume_as", faults) if one.volume_as else code
        )
        yield key, OwnSpecies(name=one.name, group=one.group, crown=crown, volume=volume)


def _code(name: str, where: str, faults: list[str]) -> int:
    """FIA code of a species whose equations are to be taken."""
    code = int(find_species([name])[0])
    if code == UNKNOWN_SPECIES:
        near = nearest_species(name)
        mend = (
            f"Did you mean {' or '.join(near)}?" if near else "Use a FIA code or a PLANTS symbol."
        )
        faults.append(f"{where}: no equations are known for {name!r}. {mend}")
    return code


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
