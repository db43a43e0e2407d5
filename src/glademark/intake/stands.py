"""Inputs of many stands taken apart: each stand gets its own records, as if they came alone."""

import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from glademark.contracts.survey import REJECTED_COLUMNS, InputCount
from glademark.errors import InputError
from glademark.intake.opened import Shelf, open_inputs, part_of
from glademark.intake.records import Reading, text_of
from glademark.intake.wording import listed
from glademark.project.model import Project

MUST_NAME_STAND = ("stand", "marks", "tally", "corridors", "cruise", "leave_trees")
"""Inputs in which every record belongs to one stand; others may hold for all stands."""

NEEDED = ("stand", "marks")
"""Inputs without which a stand is refused."""

TOGETHER = ("stand", "corridors")
"""Layers that are read for many stands at once, besides marks."""

_Places = Mapping[str, npt.NDArray[np.intp]]


@dataclass(frozen=True, kw_only=True, slots=True)
class ManyStands:
    """
    Opened inputs of many stands.

    Attributes
    ----------
    names
        The stands, in the order in which their boundaries stand in the file.
    rejected
        Records of no stand, could not be read, or both: `REJECTED_COLUMNS`.
    counts
        Every file, with all its records; those used are the ones handed to a stand.
    """

    names: tuple[str, ...]
    rejected: pd.DataFrame
    counts: tuple[InputCount, ...]
    _shelf: Shelf
    _places: Mapping[int, _Places]
    _column: str

    def of(self, name: str, *, but: Collection[str] = ()) -> Shelf:
        """
        Inputs of one stand.

        Parameters
        ----------
        name
            One of `names`.
        but
            Keys in ``[inputs]`` whose readings are left whole, since they are not looked at.

        Returns
        -------
        shelf
            Its records; inputs that do not name stands are in it whole, those that have no record
            of it are left out, as if they were not given.
        """

        def _change(key: str, reading: Reading) -> Reading | None:
            places = self._places.get(id(reading))
            if places is None or key in but:
                return reading
            if name not in places and key not in NEEDED:
                return None
            mine = part_of(reading, places.get(name, np.empty(0, dtype=np.intp)))
            named = _named(reading, self._column)
            return mine if named is None else replace(mine, rows=mine.rows.drop(columns=named))

        return self._shelf.changed(_change)

    def together(self, names: Sequence[str]) -> Shelf:
        """
        Boundaries, marks and corridors of several stands, each record with its stand's number.

        Parameters
        ----------
        names
            Some of `names`; the numbers are their places here.

        Returns
        -------
        shelf
            Without all other inputs.
        """

        def _part(reading: Reading) -> Reading:
            places = self._places[id(reading)]
            found = [places.get(name, np.empty(0, dtype=np.intp)) for name in names]
            owner = np.repeat(np.arange(len(names)), [len(one) for one in found])
            mine = part_of(reading, np.concatenate(found))
            named = _named(reading, self._column)
            return replace(mine, rows=mine.rows.drop(columns=named), stand=owner)

        layers = {key: self._shelf.layers[key] for key in TOGETHER}
        of_many = {key: None if one is None else _part(one) for key, one in layers.items()}
        return Shelf(
            layers={**dict.fromkeys(self._shelf.layers), **of_many},
            marks=tuple(None if one is None else _part(one) for one in self._shelf.marks),
            tally=None,
            volume_table=None,
            terrain=None,
        )

    def part(self, names: Sequence[str]) -> Shelf:
        """
        All inputs of several stands, to be carried to another process.

        Parameters
        ----------
        names
            Some of `names`.

        Returns
        -------
        shelf
            Their records, which still name their stands; inputs that do not are in it whole.
        """

        def _part(_: str, reading: Reading) -> Reading:
            places = self._places.get(id(reading))
            if places is None:
                return reading
            mine = [places[name] for name in names if name in places]
            return part_of(reading, np.concatenate([np.empty(0, dtype=np.intp), *mine]))

        return self._shelf.changed(_part)

    @property
    def others(self) -> bool:
        """
        Whether there are inputs that are not read together.

        Returns
        -------
        others
            True if any is given besides boundaries, marks and corridors.
        """
        shelf = self._shelf
        more = [reading for key, reading in shelf.layers.items() if key not in TOGETHER]
        return any(
            one is not None for one in (*more, shelf.tally, shelf.volume_table, shelf.terrain)
        )


@contextmanager
def open_stands(project: Project, *, folder: Path) -> Iterator[ManyStands]:
    """
    Inputs of many stands, opened once.

    Parameters
    ----------
    project
        Its heading names the column of the stand.
    folder
        Where relative paths start.

    Yields
    ------
    stands
        To be used inside the ``with`` statement: private copies of files go with its end.

    Raises
    ------
    InputError
        If any input is refused, or does not say which stand a record belongs to.
    """
    with TemporaryDirectory(prefix="glademark-", ignore_cleanup_errors=True) as temporary:
        shelf = open_inputs(project, folder=folder, temporary=Path(temporary))
        if shelf.faults:
            raise InputError(*shelf.faults)
        yield stands_in(shelf, project)


def stands_in(shelf: Shelf, project: Project) -> ManyStands:
    """
    The stands of a shelf that `ManyStands.part` gave.

    Parameters
    ----------
    shelf
        Inputs of some stands, each record with the name of its stand.
    project
        Its heading names the column of the stand.

    Returns
    -------
    stands
        As if the files held these stands only.
    """
    return _taken_apart(shelf, project.heading.stand_id or "")


def _taken_apart(shelf: Shelf, column: str) -> ManyStands:
    """Every reading by stand."""
    missing = [
        f"{reading.file.name}: no column is called {column!r}, and [project] stand_id says that "
        "it names the stand of each record. Add it, or correct the name."
        for reading in shelf.readings()
        if reading.file.input in MUST_NAME_STAND and _named(reading, column) is None
    ]
    boundary = shelf.layers["stand"]
    if missing or boundary is None:
        raise InputError(*missing)
    texts = {id(one): _stand_of(one, column) for one in shelf.readings()}
    by_stand = texts[id(boundary)]
    names = tuple(name for name in dict.fromkeys(by_stand or ()) if name)
    if not names:
        msg = f"{boundary.file.name}: no record names its stand in {column!r}. Fill it in."
        raise InputError(msg)
    aside, counts = _accounts(shelf.readings(), texts, names)
    return ManyStands(
        names=names,
        rejected=aside,
        counts=counts,
        _shelf=shelf,
        _places={
            id(one): _places(texts[id(one)] or [])
            for one in shelf.readings()
            if texts[id(one)] is not None
        },
        _column=column,
    )


def _named(reading: Reading, column: str) -> str | None:
    """Column of a reading under this name, whatever its letter case."""
    wanted = column.strip().casefold()
    found = [name for name in reading.rows.columns if str(name).strip().casefold() == wanted]
    return found[0] if found else None


def _stand_of(reading: Reading, column: str) -> list[str] | None:
    """Stand of every record; None where the file does not name stands."""
    named = _named(reading, column)
    return None if named is None else text_of(reading.rows[named]).str.strip().tolist()


def _places(names: list[str]) -> _Places:
    """Positions of the records of each stand, rising."""
    codes, found = pd.factorize(np.asarray(names, dtype=object))
    order = np.argsort(codes, kind="stable")
    ends = np.cumsum(np.bincount(codes, minlength=len(found)))[:-1]
    return dict(zip(found.tolist(), np.split(order, ends), strict=True))


def _accounts(
    readings: tuple[Reading, ...], texts: Mapping[int, list[str] | None], names: tuple[str, ...]
) -> tuple[pd.DataFrame, tuple[InputCount, ...]]:
    """Records that go to no stand, and how many of each file do."""
    known, aside, counts = set(names), [], []
    for reading in readings:  # a file each
        stands = texts[id(reading)]
        lost = np.array([name not in known for name in stands or ()], dtype=bool)
        reason = [
            f"no stand is called {name!r}" if name else "it does not name its stand"
            for name, out in zip(stands or (), lost, strict=True)
            if out
        ]
        record = reading.record.to_numpy()[lost] if len(lost) else []
        bad = [*zip(record, reason, strict=True), *reading.spoiled]
        aside.append(
            pd.DataFrame(bad, columns=["record", "reason"]).assign(
                input=reading.file.input, file=reading.file.name, tree_id=""
            )
        )
        read = len(reading.rows) + len(reading.spoiled)
        counts.append(
            InputCount(
                input=reading.file.input,
                file=reading.file.name,
                sha256=reading.file.sha256,
                read=read,
                used=read - len(bad),
                rejected=len(bad),
            )
        )
    rows = pd.concat(aside, ignore_index=True)[list(REJECTED_COLUMNS)]
    return rows.astype({"record": "int64"}), tuple(counts)


def digest_of(shelf: Shelf) -> str:
    """
    SHA-256 of the records of a shelf: equal records in equal files give equal digests.

    Parameters
    ----------
    shelf
        Of one stand.

    Returns
    -------
    digest
        Hexadecimal; of names, records, cells and coordinates, and of the terrain's file.
    """
    digest = hashlib.sha256()
    for reading in shelf.readings():
        head = f"{reading.file.input}\n{reading.file.name}\n{listed(map(str, reading.rows))}\n"
        digest.update(head.encode())
        digest.update(str(reading.crs).encode())
        rows = reading.rows.astype("str").assign(**{"record number": reading.record.to_numpy()})
        digest.update(pd.util.hash_pandas_object(rows, index=False).to_numpy().tobytes())
        if reading.geometry is not None:
            for shape in shapely.to_wkb(reading.geometry.to_numpy()):
                digest.update(shape or b"none")
    if shelf.terrain is not None:
        digest.update(shelf.terrain.sha256.encode())
    return digest.hexdigest()
