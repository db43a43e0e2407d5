"""Species that are not known, told with those that look most like them."""

from collections.abc import Sequence

from glademark.forestry import SpeciesNames, nearest_species
from glademark.intake.columns.fields import Fields
from glademark.wording import NAMED_MAX, counted, shown


def note_unknown_species(fields: Fields, names: SpeciesNames) -> None:
    """One notice about species that neither the project nor the package knows."""
    cells = fields.cells("species")
    unknown = ~names.known(cells.to_numpy(dtype=object))
    for stand, places in fields.reading.split(unknown):
        counts = cells.iloc[places].value_counts(sort=False)
        here = [(str(name), int(number)) for name, number in counts.items()]
        fields.log.notice(unknown_species(fields.reading.file.name, here), stand=stand)


def unknown_species(file: str, species: Sequence[tuple[str, int]]) -> str:
    """Sentence about species of a file that are not known, each with its nearest names."""
    told = "; ".join(_with_nearest(name) for name, _ in species[:NAMED_MAX])
    more = len(species) - NAMED_MAX
    return (
        f"{file}: {counted(sum(number for _, number in species), 'record')} of species that are "
        f"not known: {told}{f'; and {more:,} more' if more > 0 else ''}. They are kept as "
        "written, without volume or crown width from published equations."
    )


def _with_nearest(name: str) -> str:
    """A name with what it may have been meant for."""
    near = nearest_species(name, count=2)
    return f"'{shown(name)}'" + (f" (nearest: {', '.join(near)})" if near else "")
