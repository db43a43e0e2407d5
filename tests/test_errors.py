"""Messages of many faults stay short, and lose none of them."""

from glademark.errors import InputError


def test_faults_of_equal_wording_are_one_sentence() -> None:
    """300 rows with one fault are a sentence with the first three and the number of the others."""
    faults = [f"table: row {row}: the size is 'x{row}'; expected a number" for row in range(2, 302)]

    error = InputError(*faults, "table: there is no column 'dbh'. Add it.")

    assert str(error) == (
        "table: row 2: the size is 'x2'; expected a number. Likewise: 3, 'x3'; 4, 'x4'; and 297 "
        "more.\ntable: there is no column 'dbh'. Add it."
    )
    assert len(error.faults) == 301


def test_three_faults_are_three_sentences() -> None:
    """Few faults of equal wording are told as they are."""
    faults = [f"row {row}: no number" for row in (2, 3, 4)]

    assert str(InputError(*faults)) == "\n".join(faults)
