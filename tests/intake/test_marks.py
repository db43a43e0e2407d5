"""Marks: what a record of a painted tree means, and what becomes of one that cannot be used."""

from collections.abc import Callable

import numpy as np
import pytest
import shapely

from glademark.contracts.survey import Survey
from glademark.errors import InputError
from glademark.intake.columns.mark_fields import MARK_COLUMNS

Read = Callable[..., Survey]
HERE = "500050,5000050"
PAINT = {"pink": "corridor", "White": "cut", "orange": "group_boundary", "red": "danger"}


def table(head: str, *lines: str) -> str:
    """Text of a CSV file with positions in the middle of the stand."""
    return "\n".join([f"{head},x,y", *(f"{line},{HERE}" for line in lines)]) + "\n"


def reason(survey: Survey, tree: str) -> str:
    """Why a tree was rejected."""
    return str(survey.rejected.set_index("tree_id").loc[tree, "reason"])


def noticed(survey: Survey, part: str) -> bool:
    """Whether a notice holds a text."""
    return any(part in notice for notice in survey.notices)


def test_a_mark_has_every_declared_column_in_its_order(survey: Read) -> None:
    """Everything after intake can rely on the columns of a mark."""
    marks = survey().marks

    assert tuple(marks.columns[: len(MARK_COLUMNS)]) == MARK_COLUMNS
    assert list(marks.index) == [0, 1, 2]


@pytest.mark.parametrize(
    ("header", "cell", "cm", "unit"),
    [
        ("DBH", "12", 12 * 2.54, "in"),
        ("dbh_cm", "31.5", 31.5, "cm"),
        ("DBH (cm)", "31.5", 31.5, "cm"),
        ("Diam. [inches]", "12", 12 * 2.54, "in"),
        ("Diameter, mm", "315", 31.5, "cm"),
        ("d_m", "0.315", 31.5, "cm"),
        ("DBH", "31.5 cm", 31.5, "cm"),
        ("DBH cm", '12.5"', 12.5 * 2.54, "in"),
    ],
)
def test_the_nearest_unit_that_is_said_binds(
    survey: Read, header: str, cell: str, cm: float, unit: str
) -> None:
    """A unit in the cell binds before the header's, and the header's before the project's."""
    quoted = ['"' + part.replace('"', '""') + '"' for part in (header, cell)]
    marks = survey(table(f"tree,{quoted[0]}", f"1,{quoted[1]}"), marks={"dbh_unit": "in"}).marks

    assert marks["dbh_cm"].item() == pytest.approx(cm)
    assert marks["dbh_unit"].item() == unit


def test_a_column_of_units_binds_before_the_project(survey: Read) -> None:
    """Two markers may write inches and centimetres into one column with the unit beside it."""
    text = table("tree,dbh,unit", "1,12,in", "2,30,cm")
    marks = survey(text, marks={"dbh_unit": "cm"}).marks

    assert marks["dbh_cm"].tolist() == pytest.approx([12 * 2.54, 30.0])


def test_a_diameter_without_any_unit_is_refused(survey: Read) -> None:
    """Inches taken for centimetres would make less than a sixth of the basal area."""
    with pytest.raises(InputError, match=r"'DBH' have no unit.*'DBH_in', 'DBH_cm'.*dbh_unit"):
        survey(table("tree,DBH", "1,12"))


@pytest.mark.parametrize(
    ("cell", "flag"),
    [
        ("see photo", "unreadable"),
        ("3O", "unreadable"),
        ("12 %", "unreadable"),
        ("0", "impossible"),
        ("-3", "impossible"),
        ("1200", "impossible"),
    ],
)
def test_no_painted_tree_is_lost_for_its_diameter(survey: Read, cell: str, flag: str) -> None:
    """A slip of the pen costs one diameter, which is named, and not the tree."""
    result = survey(table("tree,dbh_in", "1,12", f"7,{cell}"))

    assert result.marks["tree_id"].tolist() == ["1", "7"]
    assert result.marks["dbh_flag"].tolist() == ["", flag]
    assert np.isnan(result.marks["dbh_cm"][1])
    assert noticed(result, f'1 mark cannot be used; counted without a diameter: 7 "{cell}".')


def test_one_bad_cell_leaves_the_decimal_commas_of_the_others(survey: Read) -> None:
    """A column of decimal commas is one still where somebody wrote ca. 35 into it."""
    rows = ["tree;x;y;dbh_cm"]
    rows += [f"{n};500050;5000050;{cell}" for n, cell in enumerate(["38,5", "ca. 35", "36cm"])]
    result = survey("\n".join(rows))

    assert result.marks["dbh_cm"].tolist() == pytest.approx([38.5, np.nan, 36], nan_ok=True)


def test_the_unit_in_a_cell_wins_and_is_flagged_where_it_differs(survey: Read) -> None:
    """15 in in a column of centimetres are 38.1 cm; 35cm say what the column says."""
    result = survey(table("tree,dbh_cm", "1,15 in", "2,35cm", "3,30"))

    assert result.marks["dbh_cm"].tolist() == pytest.approx([38.1, 35, 30])
    assert result.marks["dbh_flag"].tolist() == ["unit_in_cell", "", ""]
    assert noticed(result, 'another unit than the column, and the cell\'s is taken: 1 "15 in"')


def test_a_digit_too_many_is_flagged(survey: Read) -> None:
    """151 beside 51: without its first digit it is like the others, by no factor."""
    usual = [str(cm) for cm in range(40, 57)]
    rows = (f"{tree},{cm}" for tree, cm in enumerate([*usual, "151", "200"], 1))
    flags = survey(table("tree,dbh_cm", *rows)).marks.set_index("dbh_cm")["dbh_flag"]

    assert flags[flags == "doubtful"].index.tolist() == [151]


def test_a_diameter_far_from_the_others_is_flagged_where_a_slip_explains_it(survey: Read) -> None:
    """
    Of 30 to 50 cm the central 90 % are 31 to 49: 3.85 (x 10), 15 (x 2.54) and 115 (/ 2.54) fit.

    The quartiles are 35 and 45, so Tukey's fences of the logarithms are at 35 x (35/45)^1.5 = 24
    and 45 x (45/35)^1.5 = 65.6 cm; 90 lies outside, but 35.4 = 90 / 2.54 fits, and 10 fits nothing.
    """
    usual = 10 * [str(cm) for cm in range(30, 51)]
    odd = ["3.85", "15", "115", "90", "10", "60"]
    rows = (f"{tree},{cm}" for tree, cm in enumerate([*usual, *odd], 1))
    result = survey(table("tree,dbh_cm", *rows))
    flags = result.marks.set_index("dbh_cm")["dbh_flag"]

    assert flags[flags == "doubtful"].index.tolist() == [3.85, 15, 115, 90]
    assert noticed(result, "211 3.85 cm, 212 15 cm, 213 115 cm, 214 90 cm")


def test_an_empty_diameter_is_counted_and_kept(survey: Read) -> None:
    """A painted tree whose diameter was forgotten is still a painted tree."""
    result = survey(table("tree,dbh_in", "1,12", "2,", "3,n/a"))

    assert np.isnan(result.marks["dbh_cm"][1:]).all()
    assert noticed(result, "2 marks without a diameter: 2, 3")


def test_no_column_of_diameters_is_told_with_the_headers_found(survey: Read) -> None:
    """A misspelt header must not look like unmeasured trees."""
    result = survey(table("tree,girth", "1,90"))

    assert noticed(result, "no column of diameters was recognised among 'tree', 'girth', 'x', 'y'")


@pytest.mark.parametrize("cells", [("0.9", "1.1", "1.4"), ("70", "80", "90")])
def test_an_implausible_median_is_a_wrong_unit(survey: Read, cells: tuple[str, ...]) -> None:
    """No marked stand has a median below 4 cm or above 150 cm (70 in are 178 cm)."""
    text = table("tree,dbh_in", *(f"{n},{cell}" for n, cell in enumerate(cells)))

    with pytest.raises(InputError, match=r"median diameter is .* The unit is probably wrong"):
        survey(text)


def test_stump_diameters_are_not_mixed_with_breast_height(survey: Read) -> None:
    """The project says where diameters are taken, and the header must agree."""
    text = table("tree,stump_diameter_in", "1,14")

    with pytest.raises(InputError, match="stump diameter, and the project says breast height"):
        survey(text)
    assert survey(text, marks={"diameter_at": "stump"}).marks["dbh"].item() == 14


@pytest.mark.parametrize("header", ["dbh_in,dbh_cm", "Diameter,DIAMETER"])
def test_two_columns_of_one_meaning_are_refused(survey: Read, header: str) -> None:
    """Which of two diameters counts is for the forester to say."""
    with pytest.raises(InputError, match=r"could each be the dbh|two columns are called"):
        survey(table(f"tree,{header}", "1,12,30"), marks={"dbh_unit": "in"})


def test_the_project_says_which_column_counts(survey: Read) -> None:
    """A stated column wins over recognition, and its unit still binds."""
    text = table("tree,dbh_in,my_tape_cm", "1,12,33")
    marks = survey(text, marks={"columns": {"dbh": "my_tape_cm"}}).marks

    assert marks["dbh_cm"].item() == 33
    assert marks["dbh_in"].item() == "12"


def test_a_stated_column_that_is_not_there_is_refused(survey: Read) -> None:
    """A misspelt name in the project file is told with the names that there are."""
    with pytest.raises(InputError, match=r"no column 'DHB'.*the columns are 'tree', 'dbh_in'"):
        survey(table("tree,dbh_in", "1,12"), marks={"columns": {"dbh": "DHB"}})


def test_a_stated_meaning_that_does_not_exist_is_refused(survey: Read) -> None:
    """A misspelt meaning is told with the meanings that there are."""
    with pytest.raises(InputError, match=r"\[marks\] columns: 'girth' is no meaning.*expected one"):
        survey(marks={"columns": {"girth": "tree"}})


def test_paint_says_kind_and_meaning(survey: Read) -> None:
    """Colours are compared without regard to case; what they mean stands in the project file."""
    text = table(
        "tree,dbh_in,colour", "1,12,PINK", "2,12, white ", "3,12,blue", "4,12,", "5,12,red"
    )
    result = survey(text, marks={"paint": PAINT})

    assert result.marks["kind"].tolist() == ["cut", "cut", "unconfirmed", "unconfirmed", "danger"]
    assert result.marks["paint"].tolist() == ["pink", "white", "blue", "", "red"]
    assert result.marks["paint_meaning"].tolist() == ["corridor", "cut", "", "", ""]
    assert noticed(result, "1 mark without paint and 1 mark with paint that [marks.paint] does not")


def test_paint_without_a_key_is_refused_with_its_colours(survey: Read) -> None:
    """What blue means is for the forester to say, unless each tree has a kind."""
    text = table("tree,dbh_in,paint,kind", "1,12,blue,", "2,12,Blue,cut", "3,12,pink,")

    with pytest.raises(InputError, match=r"painted blue \(1\), pink \(1\).*\[marks\.paint\]"):
        survey(text, marks={"paint": {}})
    assert survey(text.replace(",,", ",leave,"), marks={"paint": {}}).marks["kind"].tolist() == [
        "leave", "cut", "leave",
    ]  # fmt: skip


def test_an_own_kind_wins_over_paint(survey: Read) -> None:
    """A leave tree stays one though it was painted in a cutting colour."""
    text = table(
        "tree,dbh_in,paint,kind",
        "1,12,white,Leave Tree", "2,12,orange,", "3,12,white,danger-tree", "4,12,white,line_tree",
    )  # fmt: skip
    marks = survey(text, marks={"paint": PAINT}).marks

    assert marks["kind"].tolist() == ["leave", "group_boundary", "danger", "line_tree"]


def test_an_unknown_kind_is_rejected(survey: Read) -> None:
    """A tree of which nobody knows whether it is to be cut is not cut."""
    result = survey(table("tree,dbh_in,kind", "1,12,cut", "2,12,boundary"))

    assert reason(result, "2").startswith('kind is "boundary"; expected one of cut, leave')


def test_a_type_that_says_no_kinds_stays_a_column(survey: Read) -> None:
    """A column called type may hold anything."""
    marks = survey(table("tree,dbh_in,type", "1,12,hardwood", "2,12,softwood")).marks

    assert marks["kind"].tolist() == ["cut", "cut"]
    assert marks["type"].tolist() == ["hardwood", "softwood"]


def test_a_type_that_says_kinds_is_the_kind(survey: Read) -> None:
    """Where most entries are kinds, so is the column."""
    marks = survey(table("tree,dbh_in,type", "1,12,cut", "2,12,leave tree")).marks

    assert marks["kind"].tolist() == ["cut", "leave"]
    assert "type" not in marks


def test_a_record_may_stand_for_several_trees(survey: Read) -> None:
    """A blank count is one tree; a count that is no whole number of trees is rejected."""
    result = survey(table("tree,dbh_in,count", "1,12,", "2,12,3", "3,12,2.5", "4,12,0", "5,12,x"))

    assert result.marks["count"].tolist() == [1, 3]
    assert reason(result, "3").startswith('count is "2.5"; expected a whole number from 1')
    assert noticed(result, "3 records rejected, with a count that is no number of trees: 3, 4, 5")


def test_sizes_come_to_metres(survey: Read) -> None:
    """Feet are 0.3048 m; a crown width is twice the radius; a figure may carry its unit."""
    text = table(
        "tree,dbh_in,ht_ft,crown_width_ft,accuracy_m", "1,12,70,20,2.5", "2,12,21 m,,", "3,12,,,"
    )
    marks = survey(text).marks

    assert marks["height_m"].tolist() == pytest.approx([21.336, 21.0, np.nan], nan_ok=True)
    assert marks["crown_radius_m"].tolist() == pytest.approx([3.048, np.nan, np.nan], nan_ok=True)
    assert marks["position_error_m"].tolist() == [2.5, 4.0, 4.0]


def test_heights_without_a_unit_are_refused(survey: Read) -> None:
    """70 may be feet or decimetres, but never is it guessed."""
    with pytest.raises(InputError, match=r"'height' does not say its unit.*\[marks\] height_unit"):
        survey(table("tree,dbh_in,height", "1,12,70"))


def test_the_project_says_the_unit_of_heights(survey: Read) -> None:
    """Where header and cell are silent, the project speaks."""
    text = table("tree,dbh_in,height", "1,12,70")

    assert survey(text, marks={"height_unit": "ft"}).marks["height_m"].item() == 70 * 0.3048


def test_an_impossible_height_leaves_the_tree_in_use(survey: Read) -> None:
    """A wrong height is no reason to lose a painted tree, but it is told."""
    result = survey(table("tree,dbh_in,height_ft", "1,12,70", "2,12,7000", "3,12,tall"))

    assert np.isnan(result.marks["height_m"][1:]).all()
    assert noticed(result, "height of 2 records is impossible and taken as not measured: 2, 3 (the")


def test_a_crown_that_may_be_radius_or_width_is_not_used(survey: Read) -> None:
    """Taken wrongly, it would make four times the opening."""
    result = survey(table("tree,dbh_in,crown", "1,12,20"))

    assert np.isnan(result.marks["crown_radius_m"].item())
    assert result.marks["crown"].item() == "20"
    assert noticed(result, "'crown' may be the radius or the width")


def test_position_errors_without_a_unit_are_metres_and_told(survey: Read) -> None:
    """Receivers give their accuracy in metres; that this was assumed is told."""
    result = survey(table("tree,dbh_in,accuracy", "1,12,3", "2,12,bad"))

    assert result.marks["position_error_m"].tolist() == [3.0, 4.0]
    assert noticed(result, "position errors in 'accuracy' are taken as metres")
    assert noticed(result, "position error of 1 record is impossible")


def test_position_errors_are_brought_to_the_root_mean_square(survey: Read) -> None:
    """A 95 % radius is 1.7308 times the error (FGDC-STD-007.3-1998); the default stays as it is."""
    text = table("tree,dbh_in,accuracy_m", "1,12,1.7308", "2,12,")
    marks = survey(text, marks={"position_error_column": "ce95"}).marks

    assert marks["position_error_m"].tolist() == pytest.approx([1.0, 4.0], rel=1e-4)


def test_a_file_may_have_its_own_position_error(survey: Read) -> None:
    """Two receivers are as good as each is; a mark's own figure still wins."""
    text = table("tree,dbh_in,accuracy_m", "1,12,2.5", "2,12,")
    errors = {"position_error_by_file": {"marks.csv": "3 m"}}
    marks = survey(text, marks=errors).marks

    assert marks["position_error_m"].tolist() == [2.5, 3.0]


def test_day_and_time_in_two_columns_are_one_time(survey: Read) -> None:
    """Two marks of one number on two days are no repeat."""
    marks = survey(table("tree,dbh_in,date,time", "1,12,2025-10-06,08:15")).marks

    assert marks["time"].item() == "2025-10-06 08:15"


def test_other_columns_stay_as_text(survey: Read) -> None:
    """Nothing that came in is lost; a name that the output needs gets a suffix."""
    text = table("tree,dbh_in,Zone,remark,zone_in", "1,12,A,007,B")
    marks = survey(text).marks

    assert marks[["Zone_in", "remark", "zone_in_in"]].iloc[0].tolist() == ["A", "007", "B"]


def test_ids_keep_their_zeros(survey: Read) -> None:
    """A tree number is a name, and 1E5 is none of the program's business."""
    marks = survey(table("tag no.,dbh_in", "007,12", "1E5,12")).marks

    assert marks["tree_id"].tolist() == ["007", "1E5"]


def test_a_record_equal_in_marker_number_and_time_counts_once(survey: Read) -> None:
    """A day's export often holds the day before."""
    text = table(
        "tree,by,dbh_in,time", "1,JD,12,08:15", "1,JD,12,08:15", "1,KL,12,08:15", "1,JD,12,08:16"
    )
    result = survey(text)

    assert result.marks["marker"].tolist() == ["JD", "KL", "JD"]
    assert reason(result, "1").startswith("equal to another record in marker, number and time")
    assert noticed(result, "2 marks with the number of another of the same marker")


def test_without_times_only_a_record_equal_in_all_is_a_repeat(survey: Read) -> None:
    """Two trees with one number are a slip to look at, not one tree."""
    result = survey(table("tree,dbh_in", "1,12", "1,12", "1,13"))

    assert result.marks["dbh"].tolist() == [12, 13]
    assert noticed(result, "2 marks with the number of another of the same marker")


def test_equal_rows_without_a_number_stay(survey: Read) -> None:
    """Several trees at one averaged fix are several trees."""
    result = survey(table("dbh_in,spp", "12,SM", "12,SM"))

    assert len(result.marks) == 2
    assert noticed(result, "2 marks without a number, equal to another in everything, kept")


def test_two_markers_may_both_start_at_one(survey: Read, text: Callable[..., str]) -> None:
    """Without a column of markers, the file is the marker."""
    files = [
        text(f"{name}.csv", table("tree,dbh_in", f"1,{dbh}"))
        for name, dbh in (("north", 12), ("south", 14))
    ]
    marks = survey([{"file": file, "crs": "EPSG:32616"} for file in files]).marks

    assert marks["marker"].tolist() == ["north.csv", "south.csv"]


def test_a_repeat_across_files_counts_once(survey: Read, text: Callable[..., str]) -> None:
    """Two exports of one marker may overlap."""
    first = text("monday.csv", table("tree,by,dbh_in,time", "1,JD,12,08:15", "2,JD,12,08:16"))
    second = text("tuesday.csv", table("tree,by,dbh_in,time", "2,JD,12,08:16", "3,JD,12,08:17"))
    result = survey([{"file": file, "crs": "EPSG:32616"} for file in (first, second)])

    assert sorted(result.marks["tree_id"]) == ["1", "2", "3"]
    assert [(c.read, c.used + c.rejected) for c in result.counts if c.input == "marks"] == [
        (2, 2), (2, 2),
    ]  # fmt: skip


def test_one_file_given_twice_is_refused(survey: Read, text: Callable[..., str]) -> None:
    """Else every tree would count twice."""
    content = table("tree,dbh_in", "1,12")
    files = [{"file": text(name, content), "crs": "EPSG:32616"} for name in ("a.csv", "b.csv")]

    with pytest.raises(InputError, match=r"b\.csv: the same marks are given as a\.csv already"):
        survey(files)


def test_files_of_several_receivers_may_name_columns_differently(
    survey: Read, text: Callable[..., str]
) -> None:
    """A stated column need stand in one of several files only."""
    first = text("a.csv", table("tree,tape_in", "1,12"))
    second = text("b.csv", table("tree,dbh_cm", "1,30"))
    files = [{"file": file, "crs": "EPSG:32616"} for file in (first, second)]
    marks = survey(files, marks={"columns": {"dbh": "tape_in"}}).marks

    assert marks["dbh_cm"].tolist() == pytest.approx([30.48, 30.0])


def test_a_mark_outside_by_less_than_the_position_error_stays(survey: Read) -> None:
    """A tree on the edge plots outside every other time; one 30 m off is not this stand's."""
    text = (
        "tree,dbh_in,x,y\n1,12,500050,5000050\n2,12,500203,5000050\n3,12,500230,5000050\n"
        "4,12,500200,5000200\n"
    )
    result = survey(text)

    assert result.marks["tree_id"].tolist() == ["1", "2", "4"]
    assert result.marks["inside"].tolist() == [True, False, True]
    assert reason(result, "3") == (
        "it lies 30 m outside the stand; correct its position or leave it out"
    )
    assert noticed(result, "1 mark outside the stand kept")
    assert noticed(result, "outside the stand by more than the position error: 3")


def test_a_danger_tree_near_the_stand_stays(survey: Read) -> None:
    """It threatens people at work from outside as well."""
    text = (
        "tree,dbh_in,kind,x,y\n1,12,cut,500050,5000050\n2,12,cut,500050,5000060\n"
        "3,12,danger,500250,5000050\n4,12,danger,500350,5000050\n"
    )
    result = survey(text)

    assert result.marks["tree_id"].tolist() == ["1", "2", "3"]


@pytest.mark.parametrize(
    ("x", "y", "advice"),
    [
        ("5000050", "500050", "if x and y .longitude and latitude. were swapped"),
        ("-500050", "5000050", "if the sign of x .* were the other one"),
        ("500050", "-5000050", "if the sign of y .* were the other one"),
        ("-500050", "-5000050", "if both signs were the other ones"),
        ("5000050", "-500050", "if x and y were swapped and the sign of x were the other one"),
        ("9", "9", "look like degrees"),
        ("700050", "5000050", "Check that the file belongs to this stand"),
    ],
)
def test_marks_that_lie_elsewhere_are_refused_with_advice(
    survey: Read, x: str, y: str, advice: str
) -> None:
    """What would fit is said, never done."""
    text = f"tree,dbh_in,x,y\n1,12,{x},{y}\n2,12,{x},{y}\n"

    with pytest.raises(InputError, match=advice):
        survey(text)


def test_swapped_longitude_and_latitude_are_refused_with_advice(
    survey: Read, text: Callable[..., str]
) -> None:
    """A tree at 45 degrees east, 87 degrees south is a swapped one with the sign lost."""
    swapped = text("m.csv", "tree,dbh_in,lon,lat\n1,12,45.1531,-86.9994\n2,12,45.1532,-86.9993\n")

    with pytest.raises(InputError, match=r"2 of 2 records lie outside the stand\..*were swapped"):
        survey(swapped)


def test_no_usable_mark_is_a_refusal(survey: Read) -> None:
    """Zero used records are no result."""
    with pytest.raises(InputError, match=r"marks\.csv: no mark can be used"):
        survey(table("tree,dbh_in,kind", "1,12,boundary"))


def test_products_take_the_spelling_of_the_project(survey: Read) -> None:
    """Sawlogs and sawlog are one product; what the project does not list is told."""
    result = survey(
        table("tree,dbh_in,prod", "1,12,Sawlogs", "2,12,pulp wood", "3,12,cull", "4,12,veneer"),
        volume={"products": {"sawlog": {"unit": "MBF"}, "pulpwood": {"unit": "cord"}}},
    )

    assert result.marks["product"].tolist() == ["sawlog", "pulpwood", "cull", "veneer"]
    assert result.marks["cull"].tolist() == [False, False, True, False]
    assert noticed(result, "1 record of products that [volume.products] does not list: veneer")


@pytest.mark.parametrize("products", [{}, {"VENEER Log": {"unit": "m3"}}])
def test_a_product_has_one_name_however_it_is_written(
    survey: Read, products: dict[str, dict[str, str]]
) -> None:
    """Counts by product go by the name that volumes go by: lower case, single spaces."""
    rows = ("1,12,Veneer log", "2,12, VENEER  LOG", "3,12,veneer log")
    marks = survey(table("tree,dbh_in,prod", *rows), volume={"products": products}).marks

    assert marks["product"].unique().tolist() == ["veneer log"]


@pytest.mark.parametrize(
    ("header", "unit"),
    [("volume_bf", "board foot"), ("Vol (MBF)", "MBF"), ("m3", "m3"), ("vol cords", "cord")],
)
def test_a_recorded_volume_has_the_unit_of_its_header(survey: Read, header: str, unit: str) -> None:
    """A volume without its unit is a number."""
    marks = survey(table(f"tree,dbh_in,{header}", "1,12,1.5", "2,12,")).marks

    assert marks["volume"].tolist() == pytest.approx([1.5, np.nan], nan_ok=True)
    assert marks["volume_unit"].tolist() == [unit, ""]


def test_a_recorded_volume_else_has_the_unit_of_its_product(survey: Read) -> None:
    """Sawlogs are sold by the thousand board feet, and so they are noted."""
    text = table("tree,dbh_in,product,volume", "1,12,sawlog,0.2")
    products = {"products": {"sawlog": {"unit": "MBF"}}}

    assert survey(text, volume=products).marks["volume_unit"].item() == "MBF"
    with pytest.raises(InputError, match="volumes in 'volume' have no unit for 1 record"):
        survey(text)


def test_defect_is_per_cent_or_a_share_as_its_header_says(survey: Read) -> None:
    """15 per cent are a share of 0.15."""
    marks = survey(table("tree,dbh_in,cull_pct", "1,12,15", "2,12,")).marks

    assert marks["defect_share"].tolist() == pytest.approx([0.15, np.nan], nan_ok=True)


def test_a_defect_that_may_be_either_is_refused(survey: Read) -> None:
    """0.5 may be half a tree or half a per cent of it."""
    with pytest.raises(InputError, match="'defect' may be per cent or a share"):
        survey(table("tree,dbh_in,defect", "1,12,0.5", "2,12,0"))


@pytest.mark.parametrize(
    ("header", "cell", "why"),
    [
        ("defect_pct", "130", 'defect is "130"; expected 0 to 100 %'),
        ("cull", "maybe", 'cull is "maybe"; expected yes or no'),
        ("volume_bf", "-4", 'volume is "-4"; expected a number from 0'),
    ],
)
def test_wood_that_cannot_be_is_rejected(survey: Read, header: str, cell: str, why: str) -> None:
    """A figure that makes no sense is not worked with."""
    result = survey(table(f"tree,dbh_in,{header}", "1,12,", f"2,12,{cell}"))

    assert reason(result, "2").startswith(why)


def test_points_of_a_group_keep_their_order(survey: Read) -> None:
    """A walked perimeter is known by its points in order, and a centre by its radius."""
    text = table(
        "tree,dbh_in,paint,group,seq,radius_ft",
        "1,12,white,3,,", "2,,orange,3,1,", "3,,orange,3.0,2,", "4,,white,4,,60",
    )  # fmt: skip
    marks = survey(text, marks={"paint": PAINT}).marks

    assert marks["order"].tolist() == pytest.approx([np.nan, 1, 2, np.nan], nan_ok=True)
    assert marks["radius_m"].iloc[3] == pytest.approx(60 * 0.3048)
    assert marks["group"].tolist() == ["3", "3", "3", "4"]


def test_a_position_of_zero_is_no_fix(survey: Read) -> None:
    """Receivers write 0, 0 where they know nothing."""
    result = survey("tree,dbh_in,x,y\n1,12,500050,5000050\n2,12,0,0\n3,12,,\n")

    assert reason(result, "2").startswith("its position is 0, 0, where a receiver had no fix")
    assert reason(result, "3").startswith("it has no position")


def test_a_record_of_several_points_becomes_several(
    survey: Read, layer: Callable[..., str]
) -> None:
    """Each point is a mark; the file's record number stays."""
    shapes = [
        shapely.MultiPoint([(500_050, 5_000_050), (500_060, 5_000_060)]),
        shapely.MultiPoint([(500_070, 5_000_070)]),
    ]
    result = survey(layer("m.gpkg", shapes, {"tree": ["1", "2"], "dbh_in": [12.0, 13.0]}))

    assert result.marks["tree_id"].tolist() == ["1", "1", "2"]
    assert [c.read for c in result.counts if c.input == "marks"] == [3]
    assert noticed(result, "1 record with several points each")


def test_lines_are_no_marks(survey: Read, layer: Callable[..., str], line: Callable) -> None:
    """A layer of the wrong kind is named as such."""
    name = layer("m.gpkg", [line((10, 10), (20, 20))], {"dbh_in": [12.0]})

    with pytest.raises(InputError, match="points are expected, and these are of type linestring"):
        survey(name)


def test_a_shape_that_is_no_point_is_rejected_among_points(
    survey: Read, layer: Callable[..., str], line: Callable
) -> None:
    """One stray line among the marks is no reason to refuse them."""
    shapes = [shapely.Point(500_050, 5_000_050), line((10, 10), (20, 20))]
    result = survey(layer("m.geojson", shapes, {"tree": ["1", "2"], "dbh_in": [12.0, 12.0]}))

    assert reason(result, "2") == "it is no point; mark trees as points"


def test_logs_of_a_mark_are_read(survey: Read) -> None:
    """A column Logs holds 16-ft logs; said once, and an impossible number is not counted."""
    marks = table("Tag,dbh_in,Logs", "1,14,2.5", "2,14,", "3,14,25")

    found = survey(marks)

    assert found.marks["logs"].tolist() == pytest.approx([2.5, np.nan, np.nan], nan_ok=True)
    assert noticed(found, "'Logs' is read as the number of 16-ft logs")
    assert noticed(found, "the logs of 1 record are no number from 0 to 10")


def test_a_count_at_a_centre_goes_into_the_tally_of_its_group(survey: Read) -> None:
    """Eleven trees counted at a centre are eleven trees of its opening, without positions."""
    text = table(
        "tree,dbh_in,species,kind,group,radius_m,count",
        "1,14,SM,cut,,,", "c,12,RM,centre,7,10,11", "d,,,centre,8,10,", "e,13,,centre,,10,5",
    )  # fmt: skip
    result = survey(text)

    columns = ["zone", "group", "species", "dbh", "count", "source_file", "record"]
    assert result.tally[columns].to_numpy().tolist() == [
        ["opening", "7", "RM", 12.0, 11, "marks.csv", 3],
        ["opening", "centre e", "", 13.0, 5, "marks.csv", 5],
    ]
    assert result.marks["group"].tolist() == ["", "7", "8", "centre e"]
    assert noticed(
        result, "marks.csv: 16 trees counted at 2 group centres (c, e) stand in the tally"
    )


def test_marks_outside_stay_up_to_their_position_error_and_no_further(survey: Read) -> None:
    """Once the error, not twice: 3.9 m with an error of 4 m is kept, 4.1 m and 7.9 m are not."""
    at = [(1, 203.9, ""), (2, 204.1, ""), (3, 207.9, ""), (4, 209.9, 10), (5, 210.1, 10)]
    inside = [f"{n},12,{500_020 + 10 * n},5000050," for n in range(10, 16)]
    rows = [f"{n},12,{500_000 + x},5000050,{error}" for n, x, error in at]
    text = "\n".join(["tree,dbh_in,x,y,accuracy_m", *inside, *rows]) + "\n"
    result = survey(text)

    assert result.marks["tree_id"].tolist()[6:] == ["1", "4"]
    assert result.rejected["tree_id"].tolist() == ["2", "3", "5"]
