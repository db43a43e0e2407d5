"""Names of species in a project: its own, those of its volume table, then the package's."""

from collections.abc import Iterator, Mapping

import pandas as pd

from glademark.errors import InputError
from glademark.forestry import (
    UNKNOWN_SPECIES,
    OwnSpecies,
    SpeciesNames,
    find_species,
    nearest_species,
)
from glademark.forestry.volume_table_rows import species_in
from glademark.project.model import Project, SpeciesSettings


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
