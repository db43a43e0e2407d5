"""One name for each species, however it was written: the project's own, then the package's."""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from glademark.forestry.species import UNKNOWN_SPECIES, common_names, find_species

__all__ = ["PACKAGED_SPECIES", "OwnSpecies", "SpeciesNames", "species_key"]

_SIGNS = re.compile(r"[\W_]+")


def species_key(name: str) -> str:
    """A name in lower case, its signs and gaps as single blanks."""
    return _SIGNS.sub(" ", name.casefold()).strip()


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnSpecies:
    """
    A species as a project names it.

    Parameters
    ----------
    name
        By which it is shown.
    group
        Name in the volume table whose rows it takes where it has none of its own; empty for none.
    crown, volume
        FIA codes whose crown width and volume equations it takes; 0 for none.
    """

    name: str
    group: str = ""
    crown: int = UNKNOWN_SPECIES
    volume: int = UNKNOWN_SPECIES


@dataclass(frozen=True, kw_only=True, slots=True)
class SpeciesNames:
    """Names of species in a project: `own` by the key of each spelling, before the package's."""

    own: Mapping[str, OwnSpecies] = field(default_factory=dict)

    @classmethod
    def of(cls, spellings: Iterable[tuple[str, OwnSpecies]]) -> "SpeciesNames":
        """Names from spellings, the first of two equal ones; a name is a spelling of itself."""
        own: dict[str, OwnSpecies] = {}
        for spelling, species in spellings:
            own.setdefault(species_key(spelling), species)
            own.setdefault(species_key(species.name), species)
        return cls(own=own)

    def fold(self, names: ArrayLike) -> NDArray[np.object_]:
        """One name for each species; lower case for one that is not known, empty for none."""
        return self._each(names, self._name, dtype=object)

    def groups(self, names: ArrayLike) -> NDArray[np.object_]:
        """Group in the volume table of each species; empty for none."""
        return self._each(names, lambda name: self._own(name).group, dtype=object)

    def crown_codes(self, names: ArrayLike) -> NDArray[np.int64]:
        """FIA code whose crown width each species takes; 0 for none."""
        return self._each(names, lambda name: self._own(name).crown, dtype=np.int64)

    def volume_codes(self, names: ArrayLike) -> NDArray[np.int64]:
        """FIA code whose volume equations and green weight each species takes; 0 for none."""
        return self._each(names, lambda name: self._own(name).volume, dtype=np.int64)

    def known(self, names: ArrayLike) -> NDArray[np.bool_]:
        """Which names are known to the project or the package; a blank is."""
        return self._each(names, self._is_known, dtype=np.bool_)

    def _own(self, name: str) -> OwnSpecies:
        """What is known of a name."""
        found = self.own.get(species_key(name))
        if found is not None:
            return found
        code = int(find_species([name])[0])
        written = " ".join(name.casefold().split()).rstrip(" ?")
        called = str(common_names(code)) if code != UNKNOWN_SPECIES else written
        return OwnSpecies(name=called, crown=code, volume=code)

    def _name(self, name: str) -> str:
        """The one name of a species."""
        return self._own(name).name

    def _is_known(self, name: str) -> bool:
        """Whether a name is known."""
        key = species_key(name)
        return not key or key in self.own or int(find_species([name])[0]) != UNKNOWN_SPECIES

    @staticmethod
    def _each(names: ArrayLike, find: Callable[[str], object], *, dtype: object) -> NDArray:  # type: ignore[type-arg] # of the dtype asked for
        """What is found of each different name, in the shape of all."""
        written = np.asarray(names, dtype=object)
        place, distinct = pd.factorize(written.ravel())
        found = [find(str(name)) for name in distinct] + [find("")]
        values = np.empty(len(found), dtype=dtype)  # type: ignore[call-overload] # the same
        values[:] = found
        return np.asarray(values[place]).reshape(written.shape)


PACKAGED_SPECIES = SpeciesNames()
"""Names of the package alone."""
