"""Reading a project file: what is taken, and what is refused in which words."""

import codecs
import os
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from glademark.errors import InputError, ProjectError
from glademark.project import Project, read_project

ROOT = Path(__file__).resolve().parents[2]
LEAST = """
[project]
name = "Stand 3"
[inputs]
stand = "stand.gpkg"
marks = "marks.csv"
"""


def _file(folder: Path, text: str | bytes) -> Path:
    path = folder / "harvest.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def _read(folder: Path, text: str | bytes) -> Project:
    return read_project(_file(folder, text))


def _faults(folder: Path, text: str | bytes) -> tuple[str, ...]:
    path = _file(folder, text)
    with pytest.raises(ProjectError) as caught:
        read_project(path)
    return tuple(fault.removeprefix(str(path)) for fault in caught.value.faults)


def test_least_project_is_a_name_a_stand_and_marks(tmp_path: Path) -> None:
    """Everything but the name, the boundary and the marks has a default or is left out."""
    project = _read(tmp_path, LEAST)

    assert project.heading.name == "Stand 3"
    assert project.heading.units == "us"
    assert project.inputs.corridors is None
    assert project.openings.min_trees == 4
    assert dict(project.limits) == {}


def test_quantities_come_out_in_si(tmp_path: Path) -> None:
    """A foot is 0.3048 m, an acre 43,560 square feet, an inch 2.54 cm: all exact by definition."""
    project = _read(
        tmp_path,
        LEAST
        + """
        [corridors]
        width = "14 ft"
        [openings]
        min_area = "0.1 acre"
        cleared_to_dbh = "2 in"
        [allowance]
        removal_share_max = "35 %"
        """,
    )

    assert project.corridors.width_m == pytest.approx(14 * 0.3048, rel=1e-15)
    assert project.openings.min_area_m2 == pytest.approx(0.1 * 43_560 * 0.3048**2, rel=1e-14)
    assert project.openings.cleared_to_dbh_cm == pytest.approx(2 * 2.54, rel=1e-15)
    assert project.allowance.removal_share_max == pytest.approx(0.35, rel=1e-15)


def test_sample_project_is_read() -> None:
    """The sample's project file is sound, and names two files of marks."""
    project = read_project(ROOT / "sample_gis" / "harvest.toml")

    assert [source.file.name for source in project.inputs.marks] == [
        "marks_north.csv",
        "marks_south.csv",
    ]
    assert all(source.file.is_file() for source in project.inputs.marks)


def test_paths_start_at_the_project_file(tmp_path: Path) -> None:
    """A path is taken from the project file's folder, wherever the program was started."""
    project = _read(tmp_path, LEAST + '[volume]\ntable = {file = "tables/local.csv"}\n')

    assert project.inputs.stand[0].file == tmp_path / "stand.gpkg"
    assert project.inputs.marks[0].file == tmp_path / "marks.csv"
    assert project.volume.table is not None
    assert project.volume.table.file == tmp_path / "tables" / "local.csv"


def test_absolute_paths_stay(tmp_path: Path) -> None:
    """A path that starts at the root means what it says."""
    elsewhere = (tmp_path / "elsewhere" / "stand.gpkg").as_posix()
    project = _read(tmp_path, LEAST.replace("stand.gpkg", elsewhere))

    assert project.inputs.stand[0].file == Path(elsewhere)


def test_layer_and_crs_stay_with_their_file(tmp_path: Path) -> None:
    """One file may hold several layers, and each may lack its coordinate system."""
    table = '{file = "all.gpkg", layer = "edge", crs = "EPSG:26916"}'
    project = _read(tmp_path, LEAST.replace('"stand.gpkg"', table))

    assert project.inputs.stand[0].layer == "edge"
    assert project.inputs.stand[0].crs == "EPSG:26916"
    assert project.inputs.stand[0].file == tmp_path / "all.gpkg"


def test_no_field_file_is_opened(tmp_path: Path) -> None:
    """A project can be read before its field files exist."""
    project = _read(tmp_path, LEAST)

    assert not project.inputs.stand[0].file.exists()


def test_mark_of_the_encoding_does_no_harm(tmp_path: Path) -> None:
    """Some editors put a byte order mark before UTF-8."""
    project = _read(tmp_path, codecs.BOM_UTF8 + LEAST.replace("Stand 3", "Höhe").encode())

    assert project.heading.name == "Höhe"


@pytest.mark.parametrize(
    ("encoding", "named"),
    [
        ("utf-16", "UTF-16"),
        ("utf-32", "UTF-32"),
        ("utf-16-le", "UTF-16 without a byte order mark"),
        ("cp1252", "not UTF-8 (line 3), probably Windows-1252"),
    ],
)
def test_other_encodings_are_named(tmp_path: Path, encoding: str, named: str) -> None:
    """A file in another encoding is refused with the name of that encoding."""
    path = _file(tmp_path, LEAST.replace("Stand 3", "Höhe").encode(encoding))

    with pytest.raises(ProjectError, match=re.escape(f"the text is {named}")):
        read_project(path)


def test_missing_file_is_told_plainly(tmp_path: Path) -> None:
    """Who names a file that is not there learns how to start one."""
    with pytest.raises(ProjectError, match=r"no such file; expected a project file.*glademark new"):
        read_project(tmp_path / "harvest.toml")


def test_folder_leads_to_the_file_in_it(tmp_path: Path) -> None:
    """Who names the folder is pointed to the project file in it."""
    path = _file(tmp_path, LEAST)

    with pytest.raises(ProjectError, match=rf"this is a folder.*mean {re.escape(str(path))}\?"):
        read_project(tmp_path)


def test_folder_without_project_is_told_plainly(tmp_path: Path) -> None:
    """A folder that holds no project file is refused as a folder."""
    with pytest.raises(ProjectError, match=r"this is a folder; expected .* Name the file in it\."):
        read_project(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """A named pipe would block for ever, so it is not opened."""
    os.mkfifo(tmp_path / "harvest.toml")

    with pytest.raises(ProjectError, match="this is a pipe or device"):
        read_project(tmp_path / "harvest.toml")


def test_link_that_leads_to_itself_is_told_plainly(tmp_path: Path) -> None:
    """A loop of links has no end and no content."""
    path = tmp_path / "harvest.toml"
    path.symlink_to(path)

    with pytest.raises(ProjectError, match="the file cannot be read"):
        read_project(path)


def test_name_that_no_file_can_have_is_told_plainly() -> None:
    """A name with a NUL in it is refused like any other unreadable file."""
    with pytest.raises(ProjectError, match="the file cannot be read"):
        read_project(Path("a\0b.toml"))


def test_huge_file_is_not_read(tmp_path: Path) -> None:
    """A raster named as the project file is told by its size."""
    path = _file(tmp_path, b"#" * 1_048_577)

    with pytest.raises(ProjectError, match=r"1,048,577 bytes; expected .* at most 1,048,576 bytes"):
        read_project(path)


def test_empty_file_lacks_its_tables(tmp_path: Path) -> None:
    """An empty file is told what a project needs."""
    faults = _faults(tmp_path, "")

    assert faults == (
        ": the table [project] is missing; it has no default. Add it.",
        ": the table [inputs] is missing; it has no default. Add it.",
    )


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ("[project]\nname = Stand", "line 2, column 8", "invalid value"),
        ("a b", "line 1, column 3", "expected '=' after a key"),
        ("x = 1\nx = 2", "at the end", "cannot overwrite a value"),
        ("x = " + "9" * 5000, "at the end", "a number has too many digits"),
    ],
)
def test_fault_of_the_language_has_its_place(
    tmp_path: Path, text: str, where: str, what: str
) -> None:
    """A slip in the language is told with line and column as editors count them."""
    (fault,) = _faults(tmp_path, text)

    assert fault.startswith(f", {where}: the file is not valid TOML: {what}")
    assert fault.endswith("Correct the line.")


@pytest.mark.parametrize("written", [r"C:\Users\pat\stand.gpkg", r"D:\wood\stand.gpkg", r"a\xyz"])
def test_backslash_in_a_path_has_a_hint(tmp_path: Path, written: str) -> None:
    """A path pasted from a file window ends in escapes: the hint says what to write instead."""
    (fault,) = _faults(tmp_path, LEAST.replace("stand.gpkg", written))

    assert fault.startswith(", line 5, column ")
    assert fault.endswith("For a path, use single quotes or forward slashes.")


@pytest.mark.parametrize("written", [r"data\new.gpkg", r"data\top.gpkg"])
def test_escape_that_hides_in_a_path_is_found(tmp_path: Path, written: str) -> None:
    r"""``\n`` and ``\t`` are valid escapes, but no path is meant to hold them."""
    faults = _faults(tmp_path, LEAST.replace("stand.gpkg", written) + "[water]\nwidht = 1\n")

    assert faults[0].startswith(", [inputs] stand: the path 'data\\")
    assert "use single quotes or forward slashes" in faults[0]
    assert len(faults) == 2


def test_single_quotes_take_a_path_as_it_is(tmp_path: Path) -> None:
    """What the hint recommends works."""
    project = _read(tmp_path, LEAST.replace('"stand.gpkg"', r"'data\new.gpkg'"))

    assert str(project.inputs.stand[0].file).endswith(r"data\new.gpkg")


def test_too_deep_nesting_is_refused(tmp_path: Path) -> None:
    """A file of nothing but brackets ends in a sentence."""
    faults = _faults(tmp_path, "x = " + "[" * 5000)

    assert faults == (": lists or tables are nested too deep; expected a project file.",)


@pytest.mark.parametrize(
    ("more", "fault"),
    [
        (
            "[corridors]\nwidht = '4 m'",
            ", [corridors]: 'widht' is unknown; the nearest known key is 'width'.",
        ),
        ("[opening]", ": 'opening' is unknown; the nearest known key is 'openings'."),
        ("[zzz]", ": 'zzz' is unknown; expected one of project, inputs, corridors,"),
        (
            "[volume.products.sawlog]\nunit = 'MBF'\nruel = 'doyle'",
            ", [volume.products.sawlog]: 'ruel' is unknown; the nearest known key is 'rule'.",
        ),
        (
            "[limits]\nopening_area_max = {value = '1 acre', authorty = 'law'}",
            ", [limits.opening_area_max]: 'authorty' is unknown; the nearest known key is",
        ),
        ("[corridors]\nwidth = 14", ", [corridors] width: 14 has no unit; expected text with"),
        ("[corridors]\nwidth = '14'", ", [corridors] width: '14' has no unit; expected one of m,"),
        ("[corridors]\nwidth = '2 ha'", ", [corridors] width: '2 ha' has the unit 'ha'; expected"),
        (
            "[corridors]\nwidth = '0 m'",
            ", [corridors] width: '0 m' does not fit; expected more than 0 m.",
        ),
        ("[corridors]\nwidth = nan", ", [corridors] width: nan is no finite number; expected one."),
        (
            "[corridors]\nwidth_unit = 'yd'",
            ", [corridors] width_unit: 'yd' does not fit; expected 'm' or 'ft'.",
        ),
        (
            "[openings]\nmin_area = '-1 m2'",
            ", [openings] min_area: '-1 m2' does not fit; expected at least 0 m2.",
        ),
        (
            "[openings]\ncrown_radius = '99 m'",
            ", [openings] crown_radius: '99 m' does not fit; expected at most 30 m.",
        ),
        (
            "[openings]\nmin_trees = 0",
            ", [openings] min_trees: 0 does not fit; expected at least 1.",
        ),
        (
            "[openings]\nmin_trees = 2.5",
            ", [openings] min_trees: 2.5 does not fit; expected a whole number.",
        ),
        (
            "[openings]\nmin_trees = 'few'",
            ", [openings] min_trees: 'few' does not fit; expected a whole number.",
        ),
        (
            "[openings]\ncleared_to_dbh = nan",
            ", [openings] cleared_to_dbh: nan is no finite number; expected one.",
        ),
        (
            "[marks]\nline_trees_confirmed = 'perhaps'",
            ", [marks] line_trees_confirmed: 'perhaps' does not fit; expected true or false.",
        ),
        ("[marks]\ncolumns = 5", ", [marks] columns: 5 does not fit; expected a table."),
        (
            "[marks]\ncolumns = {dbh = 5}",
            ", [marks.columns] dbh: 5 does not fit; expected text in quotes.",
        ),
        (
            "[marks.paint]\npink = 'coridor'",
            ", [marks.paint] pink: 'coridor' does not fit; expected 'corridor', 'cut', 'leave',",
        ),
        (
            "[volume]\nsize_classes = [9, 5]",
            ", [volume] size_classes: size_classes [9.0, 5.0] do not rise",
        ),
        (
            "[volume]\nsize_classes = 5",
            ", [volume] size_classes: 5 does not fit; expected a rising list of numbers,",
        ),
        (
            "[volume.products.sawlog]\nrule = 'doyle'",
            ", [volume.products.sawlog]: 'unit' is missing; it has no default. Add it.",
        ),
        ("[allowance]\nconfidence = '95'", ", [allowance] confidence: '95' has no per cent sign;"),
        (
            "[allowance]\nconfidence = '195 %'",
            ", [allowance] confidence: '195 %' is outside 0 to 100 %.",
        ),
        (
            "[limits]\nopening_area_max = 0.5",
            ", [limits] opening_area_max: 0.5 does not fit; expected text with its unit,",
        ),
    ],
)
def test_fault_is_one_plain_sentence(tmp_path: Path, more: str, fault: str) -> None:
    """File, table, key, what is wrong and what was expected stand in one sentence."""
    faults = _faults(tmp_path, LEAST + more)

    assert faults[0].startswith(fault)


@pytest.mark.parametrize(
    ("key", "written", "fault"),
    [
        ("name", "7", ", [project] name: 7 does not fit; expected text in quotes."),
        ("stand", "7", ", [inputs] stand: 7 does not fit; expected a path in quotes, or {file ="),
        ("stand", '""', ", [inputs] stand: the path is empty; expected a file."),
        (
            "stand",
            "{file = 7}",
            ", [inputs.stand] file: 7 does not fit; expected a path in quotes.",
        ),
        ("stand", "{layer = 'x'}", ", [inputs.stand]: 'file' is missing; it has no default."),
        ("marks", "[]", ", [inputs] marks: [] does not fit; expected at least one file."),
        (
            "marks",
            "['a.csv', 7]",
            ", [inputs] marks[2]: 7 does not fit; expected a path in quotes,",
        ),
        ("marks", "['a.csv', {fil = 'b'}]", ", [inputs.marks[2]]: 'file' is missing;"),
    ],
)
def test_fault_of_a_needed_key_is_one_plain_sentence(
    tmp_path: Path, key: str, written: str, fault: str
) -> None:
    """The keys that every project needs are held to their kind as well."""
    text = re.sub(rf"(?m)^{key} = .*$", f"{key} = {written}", LEAST)
    faults = _faults(tmp_path, text)

    assert faults[0].startswith(fault)


@pytest.mark.parametrize(("limit", "fits"), [("35 %", True), ("35.0%", True), ("9 %", False)])
def test_one_key_in_two_tables_has_one_value(tmp_path: Path, limit: str, *, fits: bool) -> None:
    """The share that may be removed is printed from one table and judged by the other."""
    text = (
        f"{LEAST}[allowance]\nremoval_share_max = '35 %'\n[limits]\nremoval_share_max = '{limit}'"
    )

    if fits:
        assert read_project(_file(tmp_path, text)).limits["removal_share_max"].value == limit
    else:
        (fault,) = _faults(tmp_path, text)
        assert "[limits] removal_share_max is 9 % and [allowance] removal_share_max 35 %" in fault
        assert "expected the same share in both, or in one alone" in fault


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    """A forester mends the file once, not fault by fault."""
    faults = _faults(
        tmp_path,
        """
        [project]
        units = "feet"
        [inputs]
        stand = "a\\new.gpkg"
        [corridors]
        width = 14
        position_error = "4 m"
        """,
    )

    assert [fault.split(":")[0] for fault in faults] == [
        ", [inputs] stand",
        ", [project]",
        ", [project] units",
        ", [inputs]",
        ", [corridors] width",
        ", [corridors]",
    ]


def test_long_values_are_cut(tmp_path: Path) -> None:
    """A page of text in one key does not fill the terminal."""
    (fault,) = _faults(tmp_path, LEAST + f"[openings]\nmeasure = '{'x' * 5000}'")

    assert len(fault) < 200
    assert "…" in fault


def test_control_characters_do_not_reach_the_terminal(tmp_path: Path) -> None:
    """An escape sequence in a value is shown, not obeyed."""
    (fault,) = _faults(tmp_path, LEAST + '[openings]\nmeasure = "\\u001b[2J"')

    assert "\x1b" not in fault
    assert r"'\x1b[2J'" in fault


def test_refusal_is_an_input_error(tmp_path: Path) -> None:
    """Whoever calls the package can catch every refused input in one go."""
    with pytest.raises(InputError, match="no such file"):
        read_project(tmp_path / "none.toml")


@settings(max_examples=60)
@given(content=st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_any_bytes_end_in_a_project_or_in_sentences(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    """No file, however broken, ends in anything but a project or a refusal."""
    path = _file(tmp_path_factory.mktemp("bytes"), content)

    with pytest.raises(ProjectError, match=re.escape(str(path))):
        read_project(path)


_VALUES = st.recursive(
    st.integers(-99, 99).map(str)
    | st.sampled_from(["true", "false", "nan", "-inf", "1.5", "'14 ft'", "'35 %'", "'x'"]),
    lambda inner: (
        st.lists(inner, max_size=2).map(lambda items: f"[{', '.join(items)}]")
        | st.builds("{{{} = {}}}".format, st.sampled_from(["value", "file", "unit", "z"]), inner)
    ),
    max_leaves=4,
)
_KEYS = st.sampled_from(
    [
        "project.season",
        "inputs.water",
        "corridors.width",
        "marks.paint",
        "marks.columns",
        "openings.min_trees",
        "water.setback",
        "volume.table",
        "volume.size_classes",
        "volume.products",
        "allowance.standing",
        "limits.dbh_max",
    ]
)


def _outcome(path: Path) -> tuple[str, ...]:
    try:
        return () if read_project(path).heading.name else ("no name",)
    except ProjectError as refused:
        return refused.faults


@settings(max_examples=80)
@given(key=_KEYS, value=_VALUES)
def test_any_value_ends_in_a_project_or_in_sentences_about_its_key(
    tmp_path_factory: pytest.TempPathFactory, key: str, value: str
) -> None:
    """Whatever stands behind a key, the outcome is a project or a sentence that names the table."""
    table, name = key.split(".")
    text = LEAST.replace(f"[{table}]", f"[{table}]\n{name} = {value}")
    if name not in text:
        text += f"[{table}]\n{name} = {value}\n"
    path = _file(tmp_path_factory.mktemp("value"), text)
    tomllib.loads(text)

    faults = _outcome(path)

    assert all(fault.startswith(f"{path}, [{table}") for fault in faults)
