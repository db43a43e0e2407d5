"""Species that the package does not know, told with those that look most like them."""

import pandas as pd

from glademark.forestry import find_species, nearest_species
from glademark.intake.columns.fields import Fields
from glademark.intake.wording import NAMED_MAX, counted, shown


def note_unknown_species(fields: Fields) -> None:
    """One notice about species names that are not known, each with its nearest matches."""
    if not fields.has("species"):
        return
    cells = fields.cells("species")
    names = pd.Series(cells[cells != ""].unique(), dtype="str")
    unknown = names[find_species(names.to_numpy(dtype=object)) == 0].tolist()
    if not unknown:
        return
    for stand, places in fields.reading.split(cells.isin(unknown)):
        here = cells.iloc[places].unique().tolist()
        told = "; ".join(_with_nearest(name) for name in here[:NAMED_MAX])
        more = len(here) - NAMED_MAX
        fields.log.notice(
            f"{fields.reading.file.name}: {counted(len(places), 'record')} of species that are not "
            f"known: {told}{f'; and {more:,} more' if more > 0 else ''}. They are kept as written, "
            "without volume or crown width from published equations.",
            stand=stand,
        )


def _with_nearest(name: str) -> str:
    """A name with what it may have been meant for."""
    near = nearest_species(name, count=2)
    return f"'{shown(name)}'" + (f" (nearest: {', '.join(near)})" if near else "")
