"""What became of every record: read = used + rejected, file by file and stand by stand."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from typing import cast

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import STAND, no_rows
from glademark.contracts.survey import REFUSED_COLUMNS, REJECTED_COLUMNS, InputCount, Notice
from glademark.errors import InputError, counted, listed
from glademark.intake.formats.files import FieldFile
from glademark.intake.records import Reading, split_by_stand

NEEDED = ("stand", "marks")
"""Inputs without which a stand is refused: each is given for every stand."""

_Key = tuple[str, str, str]


@dataclass(kw_only=True, slots=True)
class _FileRecords:
    """Records of one file so far, by stand."""

    file: FieldFile
    given: npt.NDArray[np.bool_]
    read: npt.NDArray[np.intp]
    used: npt.NDArray[np.intp]
    rejected: npt.NDArray[np.intp]
    refused: npt.NDArray[np.bool_]


@dataclass(kw_only=True, slots=True)
class RecordLog:
    """What became of every record: the one thing that intake writes on as it goes."""

    stands: int = 1
    _faults: dict[Notice, None] = field(default_factory=dict)
    _notices: dict[Notice, None] = field(default_factory=dict)
    _rejected: list[pd.DataFrame] = field(default_factory=list)
    _files: dict[_Key, _FileRecords] = field(default_factory=dict)
    _outside: dict[int, list[tuple[Reading, str]]] = field(default_factory=dict)

    def open(self, reading: Reading, *, needed: Collection[str] = NEEDED) -> None:
        """Begin with a file: all its records, and those that could not even be read."""
        spoiled = reading.spoiled
        read = self._by_stand(reading) + len(spoiled)
        given = (read > 0) | (reading.file.input in needed) | (reading.key is None)
        self._files[_key(reading)] = self._file(reading.file, read=read, given=given)
        for text in reading.notices:
            self.notice(text, of=reading)
        if spoiled:
            numbers, reasons = zip(*spoiled, strict=True)
            for stand in range(self.stands):
                rows = {"record": numbers, "reason": reasons, STAND: stand, "tree_id": ""}
                self._add(reading, pd.DataFrame(rows))
            names = listed(f"{reading.noun} {number}" for number in numbers)
            what = counted(len(spoiled), "record")
            text = f"{reading.file.name}: {what} could not be read and rejected: {names}."
            self.notice(text, of=reading)

    def _file(
        self, file: FieldFile, *, read: npt.NDArray[np.intp], given: npt.NDArray[np.bool_]
    ) -> _FileRecords:
        """A file none of whose records is used or rejected yet."""
        return _FileRecords(
            file=file,
            given=given,
            read=read,
            used=np.zeros(self.stands, dtype=np.intp),
            rejected=np.zeros(self.stands, dtype=np.intp),
            refused=np.zeros(self.stands, dtype=bool),
        )

    def _by_stand(self, reading: Reading) -> npt.NDArray[np.intp]:
        """Number of records of each stand."""
        if reading.key is None:
            return np.full(self.stands, len(reading), dtype=np.intp)
        return np.bincount(reading.stand, minlength=self.stands)

    def notice(self, text: str, *, stand: int | None = None, of: Reading | None = None) -> None:
        """One more sentence for the reader: on one stand, on all, or on those that have a file."""
        for number in [stand] if of is None else self._stands_of(of):
            self._notices[Notice(number, text)] = None

    def _stands_of(self, reading: Reading) -> list[int | None]:
        """Stands for which a file is given; None alone for all."""
        given = self._files[_key(reading)].given
        return [None] if given.all() else [*np.flatnonzero(given).tolist()]

    def fault(self, text: str, *, stand: int | None = None) -> None:
        """One more reason to refuse a stand, or all of them."""
        self._faults[Notice(stand, text)] = None

    def gathering(self, of: Reading | None = None) -> AbstractContextManager[None, bool]:
        """Faults of a file as a whole are noted, and the other inputs are still looked at."""
        return cast("AbstractContextManager[None, bool]", self._noting(of))

    @contextmanager
    def _noting(self, of: Reading | None) -> Iterator[None]:
        """As `gathering`, whose type says that it may keep an error to itself."""
        try:
            yield
        except InputError as error:
            for number in [None] if of is None else self._open_stands(of):
                for text in error.faults:
                    self.fault(text, stand=number)
            if of is not None:
                self._files[_key(of)].refused |= self._files[_key(of)].given

    def _open_stands(self, reading: Reading) -> list[int | None]:
        """Stands for which a file is given and not refused yet; None alone for all."""
        stands = self.still_to_read(reading)
        return [None] if len(stands) == self.stands else [*stands]

    def refuse(self, reading: Reading, faults: Iterable[tuple[int, str]]) -> Reading:
        """
        Refuse stands on account of a file, and go on with the other stands of that file.

        A stand that was refused before on account of it is not told more.
        """
        file = self._files[_key(reading)]
        before = file.refused.copy()
        for stand, text in faults:
            if not before[stand]:
                file.refused[stand] = True
                self.fault(text, stand=stand)
        if (file.refused != before).any() and not self.still_to_read(reading):
            raise InputError
        return self.left(reading)

    def refuse_outside(self, reading: Reading, faults: Iterable[tuple[int, str]]) -> Reading:
        """Refuse stands outside of which a file lies; `outside` has what is refused so."""
        told = list(faults)
        for stand, text in told:
            self._outside.setdefault(stand, []).append((reading, text))
        return self.refuse(reading, told)

    @property
    def outside(self) -> Mapping[int, list[tuple[Reading, str]]]:
        """Files that lie outside a stand, by its number, with the sentence on each."""
        return self._outside

    def blame_boundary(self, stand: int, text: str) -> None:
        """Put one sentence on the boundary in the place of those on the files outside of it."""
        gone = {Notice(stand, told) for _, told in self._outside[stand]}
        left = [fault for fault in self._faults if fault not in gone]
        self._faults = dict.fromkeys([Notice(stand, text), *left])

    def left(self, reading: Reading) -> Reading:
        """Records of the stands that are not refused on account of their file."""
        refused = self._files[_key(reading)].refused
        return reading.only(~refused[reading.stand]) if refused.any() else reading

    def refused_by(self, readings: Iterable[Reading]) -> npt.NDArray[np.bool_]:
        """Which stands are refused on account of any of some files, by number."""
        refused = np.zeros(self.stands, dtype=bool)
        for reading in readings:
            refused |= self._files[_key(reading)].refused
        return refused

    def still_to_read(self, reading: Reading) -> list[int]:
        """Stands for which a file is given and which were not refused on its account."""
        file = self._files[_key(reading)]
        return np.flatnonzero(file.given & ~file.refused).tolist()

    def split_records(self, reading: Reading, more: npt.NDArray[np.intp]) -> None:
        """Note how many records more a file has, by stand, since records of it were split."""
        self._files[_key(reading)].read += more

    def reject(
        self,
        reading: Reading,
        bad: pd.Series | npt.NDArray[np.bool_],
        *,
        reason: str | pd.Series,
        what: str,
    ) -> Reading:
        """
        Take records out, with the reason, and say so in one notice a stand.

        `bad` is on the records in use; `reason` is one for all, or on their index; `what` is the
        group in a few words: ``outside the stand``.
        """
        bad = np.asarray(bad, dtype=bool)
        if not bad.any():
            return reading
        out = reading.only(bad)
        rows = {
            "record": out.record.to_numpy(),
            "reason": reason if isinstance(reason, str) else reason[out.index].to_numpy(),
            STAND: out.stand,
            "tree_id": "" if out.ids is None else out.ids.to_numpy(),
        }
        self._add(reading, pd.DataFrame(rows))
        for stand, places in split_by_stand(reading.stand, np.flatnonzero(bad)):
            number, names = counted(len(places), "record"), listed(reading.called(places))
            self.notice(f"{reading.file.name}: {number} rejected, {what}: {names}.", stand=stand)
        return reading.only(~bad)

    def _add(self, reading: Reading, rows: pd.DataFrame) -> None:
        """Enter records as rejected."""
        file = self._files[_key(reading)]
        file.rejected += np.bincount(rows[STAND], minlength=self.stands)
        self._rejected.append(rows.assign(input=reading.file.input, file=reading.file.name))

    def use(self, reading: Reading) -> None:
        """Close a file, what is left of which is used; `RuntimeError` if records were lost."""
        file = self._files[_key(reading)]
        file.used += self._by_stand(reading)
        lost = (file.read != file.used + file.rejected) & ~file.refused
        lost[self.refused] = False
        if lost.any():
            at = int(np.argmax(lost))
            msg = (
                f"{file.file.name}: {file.read[at]} records read, but {file.used[at]} used and "
                f"{file.rejected[at]} rejected. This is a fault of the program; please report it."
            )
            raise RuntimeError(msg)

    def use_whole(self, file: FieldFile) -> None:
        """Enter a file that is used as a whole, as a raster is: it counts as one record."""
        one = np.ones(self.stands, dtype=np.intp)
        entry = self._file(file, read=one, given=one > 0)
        entry.used = one
        self._files[file.input, str(file.path), ""] = entry

    @property
    def refused(self) -> list[int]:
        """Numbers of the stands that cannot be used."""
        if any(fault.stand is None for fault in self._faults):
            return list(range(self.stands))
        return sorted({fault.stand for fault in self._faults if fault.stand is not None})

    def faults_of(self, stand: int) -> tuple[str, ...]:
        """Why a stand is refused, each reason once."""
        mine = (fault.text for fault in self._faults if fault.stand in {stand, None})
        return tuple(dict.fromkeys(mine))

    def refused_stands(self, number: Mapping[int, int], names: tuple[str, ...]) -> pd.DataFrame:
        """Columns `REFUSED_COLUMNS`: a row a fault, the stands under their new numbers."""
        rows = [
            (number[stand], names[stand], text)
            for stand in self.refused
            for text in self.faults_of(stand)
        ]
        if not rows:
            return no_rows(REFUSED_COLUMNS, {STAND: "int64"})
        return pd.DataFrame(rows, columns=list(REFUSED_COLUMNS))

    def notices(self, number: Mapping[int, int]) -> tuple[Notice, ...]:
        """All notices in the order in which they came up, on the stands that have a new number."""
        everywhere = 0 if self.stands == 1 else None
        found = (
            Notice(everywhere if stand is None else number[stand], text)
            for stand, text in self._notices
            if (stand is None or stand in number)
            and (stand is None or Notice(None, text) not in self._notices)
        )
        return tuple(dict.fromkeys(found))

    def rejected_records(self, number: Mapping[int, int]) -> pd.DataFrame:
        """All records rejected: by stand, by input and file in the order read, then by record."""
        columns = (*REJECTED_COLUMNS, STAND)
        if not self._rejected:
            return no_rows(columns, {"record": "int64", STAND: "int64"})
        rows = pd.concat(self._rejected, ignore_index=True)[list(columns)]
        rows[STAND] = rows[STAND].map(dict(number))
        rows = rows[rows[STAND].notna()].astype({STAND: "int64"})
        files = {one.file.name: place for place, one in enumerate(self._files.values())}
        order = np.lexsort((rows["record"], rows["file"].map(files), rows[STAND]))
        return rows.iloc[order].reset_index(drop=True)

    def counts(self, number: Mapping[int, int]) -> tuple[InputCount, ...]:
        """Records of each file and stand, stand by stand, files in the order read."""
        return tuple(
            InputCount(
                input=one.file.input,
                file=one.file.name,
                sha256=one.file.sha256,
                read=int(one.read[stand]),
                used=int(one.used[stand]),
                rejected=int(one.rejected[stand]),
                stand=new,
            )
            for stand, new in number.items()
            for one in self._files.values()
            if one.given[stand]
        )


def _key(reading: Reading) -> _Key:
    """Input, file and layer of a reading."""
    return reading.file.input, str(reading.file.path), reading.layer


def refuse_if_none_left(reading: Reading, log: RecordLog, text: str) -> Reading:
    """Refuse the stands for which a file is given and none of whose records is left."""
    lost = set(log.still_to_read(reading)) - set(reading.stand.tolist())
    return log.refuse(reading, ((stand, text) for stand in sorted(lost)))
