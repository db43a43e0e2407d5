"""The ledger of what became of every record: read = used + rejected."""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from glademark.contracts.frames import no_rows
from glademark.contracts.survey import REJECTED_COLUMNS, InputCount
from glademark.intake.formats.files import FieldFile
from glademark.intake.records import Reading, by_stand
from glademark.intake.wording import counted, listed


@dataclass(kw_only=True, slots=True)
class _Account:
    """Records of one file so far."""

    file: FieldFile
    read: int
    used: int = 0
    rejected: int = 0
    of_stand: npt.NDArray[np.intp] = field(default_factory=lambda: np.zeros(0, dtype=np.intp))


@dataclass(kw_only=True, slots=True)
class Ledger:
    """
    What became of every record: the one thing that intake writes on as it goes.

    Attributes
    ----------
    faults
        Why the input is refused, if it is.
    alone
        Stands, by number, that cannot be read together with others.
    """

    faults: list[str] = field(default_factory=list)
    alone: set[int] = field(default_factory=set)
    _notices: dict[tuple[str, int | None], None] = field(default_factory=dict)
    _aside: list[pd.DataFrame] = field(default_factory=list)
    _accounts: dict[int, _Account] = field(default_factory=dict)

    def notice(self, text: str, *, stand: int | None = None) -> None:
        """
        One more thing that the user should know, once.

        Parameters
        ----------
        text
            A sentence.
        stand
            Number of the stand for which it holds; None where it holds for all.
        """
        self._notices[text, stand] = None

    def open(self, reading: Reading) -> None:
        """
        Begin the account of a file: its records, and those that could not even be read.

        Parameters
        ----------
        reading
            All records of the file.
        """
        spoiled = reading.spoiled
        read = len(reading.rows) + len(spoiled)
        self._accounts[id(reading.file)] = _Account(
            file=reading.file, read=read, of_stand=np.bincount(reading.owner)
        )
        for text in reading.notices:
            self.notice(text)
        if spoiled:
            numbers, reasons = zip(*spoiled, strict=True)
            rows = pd.DataFrame({"record": numbers, "reason": reasons, "stand": 0})
            self._add(reading, rows.assign(tree_id=""))
            names = listed(f"{reading.noun} {number}" for number in numbers)
            what = counted(len(spoiled), "record")
            self.notice(f"{reading.file.name}: {what} could not be read and rejected: {names}.")

    def split(self, reading: Reading, *, more: int, stand: int) -> None:
        """
        Note that records of a file were taken apart into several.

        Parameters
        ----------
        reading
            Of that file.
        more
            How many records there are more than were read at first.
        stand
            Number of their stand.
        """
        account = self._accounts[id(reading.file)]
        account.read += more
        account.of_stand[stand] += more

    def reject(
        self, reading: Reading, bad: pd.Series, *, reason: str | pd.Series, what: str
    ) -> Reading:
        """
        Take records out, with the reason, and say so in one notice.

        Parameters
        ----------
        reading
            Records still in use.
        bad
            Boolean, on the index of `reading.rows`: those to take out.
        reason
            Why, and the mend: one for all, or one a record.
        what
            The group in a few words: ``outside the stand``.

        Returns
        -------
        reading
            Those left.
        """
        if not bad.any():
            return reading
        out = reading.only(bad)
        reasons = reason if isinstance(reason, str) else reason[bad[bad].index].to_numpy()
        rows = pd.DataFrame(
            {"record": out.record.to_numpy(), "reason": reasons, "stand": out.owner}
        )
        self._add(reading, rows.assign(tree_id="" if out.ids is None else out.ids.to_numpy()))
        for stand, places in reading.parts(bad):
            number, names = counted(len(places), "record"), listed(reading.called_at(places))
            self.notice(f"{reading.file.name}: {number} rejected, {what}: {names}.", stand=stand)
        return reading.only(~bad)

    def _add(self, reading: Reading, rows: pd.DataFrame) -> None:
        """Enter records as rejected."""
        self._accounts[id(reading.file)].rejected += len(rows)
        rows = rows.assign(
            input=reading.file.input, file=reading.file.name, account=id(reading.file)
        )
        self._aside.append(rows)

    def use(self, reading: Reading) -> None:
        """
        Close the account of a file: these records are used.

        Parameters
        ----------
        reading
            What is left of it.

        Raises
        ------
        RuntimeError
            If records were lost, which would be a fault of this program.
        """
        account = self._accounts[id(reading.file)]
        account.used += len(reading.rows)
        if account.read != account.used + account.rejected:
            msg = (
                f"{account.file.name}: {account.read} records read, but {account.used} used and "
                f"{account.rejected} rejected. This is a fault of the program; please report it."
            )
            raise RuntimeError(msg)

    def use_whole(self, file: FieldFile) -> None:
        """
        Enter a file that is used as a whole, as a raster is.

        Parameters
        ----------
        file
            It counts as one record.
        """
        self._accounts[id(file)] = _Account(file=file, read=1, used=1)

    @property
    def notices(self) -> tuple[str, ...]:
        """
        All notices.

        Returns
        -------
        notices
            In the order in which they came up.
        """
        return tuple(dict.fromkeys(text for text, _ in self._notices))

    @property
    def rejected_records(self) -> pd.DataFrame:
        """
        All records rejected.

        Returns
        -------
        records
            By input and file in the order read, then by record.
        """
        if not self._aside:
            return no_rows(REJECTED_COLUMNS, {"record": "int64"})
        rows = pd.concat(self._aside, ignore_index=True)
        files = {account.file.name: n for n, account in enumerate(self._accounts.values())}
        place = rows["file"].map(files)
        order = np.lexsort((rows["record"], place))
        return rows[list(REJECTED_COLUMNS)].iloc[order].reset_index(drop=True)

    @property
    def counts(self) -> tuple[InputCount, ...]:
        """
        Records of each file.

        Returns
        -------
        counts
            In the order read.
        """
        return tuple(
            InputCount(
                input=account.file.input,
                file=account.file.name,
                sha256=account.file.sha256,
                read=account.read,
                used=account.used,
                rejected=account.rejected,
            )
            for account in self._accounts.values()
        )

    def taken_apart(self, stands: int) -> list["Ledger"]:
        """
        The pages of each stand out of a ledger of many.

        Parameters
        ----------
        stands
            Number of stands.

        Returns
        -------
        ledgers
            Each as if its stand had been read alone; without faults.
        """
        notices: list[dict[tuple[str, int | None], None]] = [{} for _ in range(stands)]
        for text, stand in self._notices:
            for mine in notices if stand is None else [notices[stand]]:
                mine[text, None] = None
        aside: list[list[pd.DataFrame]] = [[] for _ in range(stands)]
        out = {key: np.zeros(stands, dtype=np.intp) for key in self._accounts}
        for rows in self._aside:
            owner, key = rows["stand"].to_numpy(), int(rows["account"].iloc[0])
            out[key] += np.bincount(owner, minlength=stands)
            for stand, places in by_stand(owner, np.arange(len(rows))):
                aside[stand].append(rows.iloc[places])
        pages = [_pages(account, out[key], stands) for key, account in self._accounts.items()]
        return [
            Ledger(
                _notices=notices[stand],
                _aside=aside[stand],
                _accounts={id(page[stand].file): page[stand] for page in pages},
            )
            for stand in range(stands)
        ]

    def begin_others(self, readings: Iterable[Reading]) -> None:
        """
        Open the accounts of the files that were not read together with those of other stands.

        Parameters
        ----------
        readings
            All of the stand, in the order in which they were opened.
        """
        accounts, notices = self._accounts, self._notices
        self._accounts, self._notices = {}, {}
        for reading in readings:
            done = accounts.get(id(reading.file))
            if done is None:
                self.open(reading)
            else:
                self._accounts[id(reading.file)] = done
        self._notices |= notices


def _pages(account: _Account, out: npt.NDArray[np.intp], stands: int) -> list[_Account]:
    """Account of each stand's records of one file, of which some were rejected."""
    read = np.pad(account.of_stand, (0, stands - len(account.of_stand)))
    return [
        _Account(file=account.file, read=every, used=every - lost, rejected=lost)
        for every, lost in zip(read.tolist(), out.tolist(), strict=True)
    ]
