"""Truth tables from CSV: what is read, and each refusal with its place."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import FileError
from harness.panel.parts import Coil, Device, DeviceContact, Diagram, Load, Panel, Relay, Span, Supply
from harness.panel.stop_patterns import states_match
from harness.panel.table_cells import read_records
from harness.panel.table_file import load_table, panel_named_in, read_table


def coil(tag: str, a: str, b: str) -> Coil:
    return Coil(
        terminals=(f"{tag}:{a}", f"{tag}:{b}"), resistance_ohm=900, inductance_h=4, pick_up_v=36, drop_out_v=8
    )


def device(tag: str, *positions: str) -> Device:
    contact = DeviceContact(
        name="13-14", terminals=(f"{tag}:13", f"{tag}:14"), closed_in=frozenset(positions[1:])
    )
    return Device(tag=tag, positions=positions, contacts=(contact,))


PANEL = Panel(
    tag="XP-1",
    title="",
    diagram=Diagram(number="XD-1", revision="A"),
    supplies=(Supply(tag="main", positive="L+", negative="L-", nominal_v=72, range_v=Span(50, 90)),),
    devices=(device("S1", "released", "pressed"), device("S2", "idle", "1", "2")),
    relays=(
        Relay(
            tag="K1",
            coils=(coil("K1", "A1", "A2"),),
            operate_s=Span(0.015, 0.035),
            release_s=Span(0.02, 0.05),
            contacts=(),
        ),
    ),
    loads=(Load(tag="Y1", coil=coil("Y1", "1", "2")), Load(tag="Y4", coil=coil("Y4", "1", "2"))),
    stopped=({"Y4": True, "Y1": False},),
)

GOOD = """# panel: xp-1.panel.yaml
row,      S1,      S2, K1, Y1, Y4, stop from, after, note
at rest,  ,        ,   off, off, off, ,        ,
notch 1,  ,        1,  on,  on,  off, ,        ,     "loaded, low"
# a remark between rows
stop at 1, pressed, 1,  off, off, on,  notch 1, at rest,
stop at 0, pressed, ,   -,   off, on,  none,    ,
"""


def test_reads_rows_with_the_rest_filled_in() -> None:
    table = read_table(GOOD, "t.csv", PANEL)
    assert [row.name for row in table.rows] == ["at rest", "notch 1", "stop at 1", "stop at 0"]
    notch = table.row("notch 1")
    assert notch.positions == {"S1": "released", "S2": "1", "main": "nominal"}
    assert notch.states == {"K1": True, "Y1": True, "Y4": False}
    assert (notch.note, notch.stop_from, notch.after, notch.line) == ("loaded, low", "", "", 4)
    stop = table.row("stop at 1")
    assert (stop.stop_from, stop.after, stop.line) == ("notch 1", "at rest", 6)
    assert table.row("stop at 0").states == {"Y1": False, "Y4": True}
    assert table.row("stop at 0").stop_from == ""
    assert table.columns["Y4"] == (2, 32)


def test_after_is_the_running_row_where_it_is_left_empty() -> None:
    text = "row,S1,S2,Y1,Y4,stop from\nrun,,1,on,off,\nstop,pressed,1,off,on,run\n"
    assert read_table(text, "t.csv", PANEL).row("stop").after == "run"


def test_supply_level_is_a_column_like_a_device() -> None:
    table = read_table("row,main,Y4\nweak,lowest,off\n", "t.csv", PANEL)
    assert table.rows[0].positions == {"S1": "released", "S2": "idle", "main": "lowest"}


def test_row_at_finds_complete_positions_only() -> None:
    table = read_table(GOOD, "t.csv", PANEL)
    at = table.row_at({"S1": "released", "S2": "1", "main": "nominal"})
    assert at is table.row("notch 1")
    assert table.row_at({"S1": "released", "S2": "2", "main": "nominal"}) is None
    assert table.row_at({"S2": "1"}) is None


def test_unknown_row_name_raises_key_error() -> None:
    with pytest.raises(KeyError):
        read_table(GOOD, "t.csv", PANEL).row("notch 9")


def test_same_row_twice_with_the_same_states_is_no_contradiction() -> None:
    assert len(read_table("row,S1,Y4\na,pressed,off\nb,pressed,off\n", "t.csv", PANEL).rows) == 2


@pytest.mark.parametrize(
    ("states", "pattern", "expected"),
    [
        pytest.param({"Y4": True, "Y1": False, "K1": True}, {"Y4": True, "Y1": False}, True, id="all stated"),
        pytest.param({"Y4": True}, {"Y4": True, "Y1": False}, False, id="one not stated"),
        pytest.param({"Y4": True, "Y1": True}, {"Y4": True, "Y1": False}, False, id="one differs"),
        pytest.param({"Y4": True}, {}, False, id="no pattern matches nothing"),
    ],
)
def test_states_match(states: dict[str, bool], pattern: dict[str, bool], expected: bool) -> None:
    assert states_match(states, pattern) is expected


WITHOUT = (
    "row 'stop' is stopped (Y4 on and Y1 off): a stop row without its running state; "
    "put the running row's name in 'stop from', or 'none' if nothing ran before"
)
AFTER_QUOTES = "text after a closing quote; expected a comma, or a doubled quote for a quote inside the cell"
EMPTY = "1:1: no rows; expected a header line with 'row', devices and outputs, then rows"
STOP = "row,S1,S2,Y1,Y4,stop from,after\nrun,,1,on,off,,\n"


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        pytest.param(
            "",
            [
                EMPTY,
            ],
            id="empty",
        ),
        pytest.param(
            "# only a remark\n",
            [
                EMPTY,
            ],
            id="only a remark",
        ),
        pytest.param(
            "row,S1,Y4\n",
            [
                "1:1: no rows under the header; expected at least one",
            ],
            id="no rows",
        ),
        pytest.param(
            "name,S1,Y4\nr,,off\n",
            [
                "1:1: 'name' is no device, supply, relay or load of XP-1",
            ],
            id="unknown header, nothing near",
        ),
        pytest.param(
            "row, s1,Y4\nr,,off\n",
            [
                "1:6: 's1' is no device, supply, relay or load of XP-1; did you mean S1?",
            ],
            id="unknown header, near",
        ),
        pytest.param(
            "row,stop form,Y4\nr,,off\n",
            [
                "1:5: 'stop form' is no device, supply, relay or load of XP-1; did you mean stop from?",
            ],
            id="own column misspelt",
        ),
        pytest.param(
            "row;S1;Y4\nr;;off\n",
            [
                "1:1: 'row;S1;Y4' is not a column; separate cells with commas",
            ],
            id="semicolons",
        ),
        pytest.param(
            "row\tS1\tY4\nr\t\toff\n",
            [
                r"1:1: 'row\tS1\tY4' is not a column; separate cells with commas",
            ],
            id="tabs",
        ),
        pytest.param(
            "row,S1,,Y4\nr,,,off\n",
            [
                "1:8: a column without a name; give it a tag of the panel, or take it out",
            ],
            id="header cell empty",
        ),
        pytest.param(
            "row,S1,Y4,S1\nr,,off,\n",
            [
                "1:11: column 'S1' given twice",
            ],
            id="column twice",
        ),
        pytest.param(
            "S1,Y4\n,off\n",
            [
                "1:1: no column 'row'; expected one that gives each row its name",
            ],
            id="no row column",
        ),
        pytest.param(
            "row,S1\nr,\n",
            [
                "1:1: no column of a relay or load; expected K1, Y1 or Y4",
            ],
            id="no output column",
        ),
        pytest.param(
            "row,S1,Y4\nr,presed,off\n",
            [
                "2:3: 'presed' is no position of S1; expected released or pressed; did you mean pressed?",
            ],
            id="position misspelt",
        ),
        pytest.param(
            "row,S2,Y4\nr,9,off\n",
            [
                "2:3: '9' is no position of S2; expected idle, 1 or 2",
            ],
            id="no such position",
        ),
        pytest.param(
            "row,S2,Y4\nr,-,off\n",
            [
                "2:3: '-' is no position of S2; expected idle, 1 or 2",
            ],
            id="a dash is no position",
        ),
        pytest.param(
            "row,Y4\nr,On\n",
            [
                "2:3: 'On' is no state of Y4; expected on, off or -",
            ],
            id="state in capitals",
        ),
        pytest.param(
            "row,Y1,Y4\nr,on,\n",
            [
                "2:6: '' is no state of Y4; expected on, off or -",
            ],
            id="state empty",
        ),
        pytest.param(
            "row,Y1,Y4\nr,on,yes\ns,1,off\n",
            [
                "2:6: 'yes' is no state of Y4; expected on, off or -",
                "3:3: '1' is no state of Y1; expected on, off or -",
            ],
            id="two problems at once",
        ),
        pytest.param(
            "row,Y1,Y4\nr,-,-\n",
            [
                "2:1: a row that states nothing; expected on or off for a relay or load",
            ],
            id="nothing stated",
        ),
        pytest.param(
            "row,Y4\n,on\n",
            [
                "2:1: a row without a name",
            ],
            id="no name",
        ),
        pytest.param(
            "row,Y4\nnone,on\n",
            [
                "2:1: 'none' cannot be the name of a row; 'stop from' uses it",
            ],
            id="named none",
        ),
        pytest.param(
            "row,S1,Y4\nr,,on\nr,pressed,on\n",
            [
                "3:1: row 'r' given twice (first on line 2)",
            ],
            id="row twice",
        ),
        pytest.param(
            "row,S1,Y4\nr,,on,\n",
            [
                "2:7: 4 cells; the header has 3",
            ],
            id="long line",
        ),
        pytest.param(
            "row,S1,Y4\nr,\n",
            [
                "2:3: 2 cells; the header has 3",
            ],
            id="short line",
        ),
        pytest.param(
            "row,S1,Y1,Y4\na,pressed,on,off\nb,pressed,off,off\n",
            [
                "3:1: same positions as row 'a' (line 2), other states of Y1",
            ],
            id="same positions, other states",
        ),
        pytest.param(
            "row,S1,Y1,Y4\na,,on,on\nb,released,on,-\n",
            [
                "3:1: same positions as row 'a' (line 2), other states of Y4",
            ],
            id="rest and its name are the same position",
        ),
        pytest.param(
            'row,note,Y4\nr,"never closed,on\n',
            [
                "2:1: quotes that are not closed before the end of the file",
            ],
            id="open quotes",
        ),
        pytest.param(
            'row,note,Y4\nr,"a"b,on\n',
            ["2:1: " + AFTER_QUOTES],
            id="text after quotes",
        ),
        pytest.param(
            'row,note,S1,Y4\nr,"two\nlines",other,on\n',
            [
                "3:8: 'other' is no position of S1; expected released or pressed",
            ],
            id="place after a cell of two lines",
        ),
        pytest.param(
            'row,note,S1,Y4\nr,"a ""b"", c",other,on\n',
            [
                "2:16: 'other' is no position of S1; expected released or pressed",
            ],
            id="place after quotes",
        ),
        pytest.param(
            STOP + "stop,pressed,1,off,on,rum,\n",
            [
                "3:23: no row 'rum'; did you mean run?",
            ],
            id="stop from unknown",
        ),
        pytest.param(
            STOP + "stop,pressed,1,off,on,run,rum\n",
            [
                "3:27: no row 'rum'; did you mean run?",
            ],
            id="after unknown",
        ),
        pytest.param(
            STOP + "stop,pressed,1,off,on,stop,run\n",
            [
                "3:23: a stop row that comes from itself; name the row of the running state",
            ],
            id="stop from itself",
        ),
        pytest.param(
            STOP + "stop,pressed,1,off,on,run,\ntwo,pressed,2,off,on,stop,\n",
            [
                "4:22: row 'stop' is a stop row itself; name a row of a running state",
            ],
            id="from a stop row",
        ),
        pytest.param(
            STOP + "dead,,,off,on,none,\nstop,pressed,,off,on,dead,\n",
            [
                "4:22: row 'dead' states nothing that differs from stopped; name a row of a running state",
            ],
            id="from a row that is stopped",
        ),
        pytest.param(
            STOP + "stop,,1,on,off,run,\n",
            [
                "3:1: a stop row that does not state the stop; stopped means Y4 on and Y1 off",
                "3:16: row 'run' has the same positions, so there is no demand; expected another position",
            ],
            id="no demand, no stop",
        ),
        pytest.param(
            STOP + "stop,pressed,1,-,on,run,\n",
            [
                "3:1: a stop row that does not state the stop; stopped means Y4 on and Y1 off",
            ],
            id="stop not stated in full",
        ),
        pytest.param(
            STOP + "stop,pressed,1,off,off,,run\n",
            [
                "3:25: 'after' without 'stop from'; name the running row, or leave 'after' empty",
            ],
            id="after alone",
        ),
        pytest.param(
            STOP + "stop,pressed,1,off,on,,\n",
            ["3:23: " + WITHOUT],
            id="stop row without running state",
        ),
        pytest.param(
            "row,S1,Y1,Y4\nstop,pressed,off,on\n",
            ["2:1: " + WITHOUT],
            id="stop row in a table without the column",
        ),
    ],
)
def test_refuses(text: str, problems: list[str]) -> None:
    with pytest.raises(FileError) as caught:
        read_table(text, "t.csv", PANEL)
    assert [str(problem) for problem in caught.value.problems] == [f"t.csv:{problem}" for problem in problems]


def test_a_panel_that_does_not_say_what_stopped_means_asks_for_no_running_rows() -> None:
    panel = Panel(
        tag="XP-2",
        title="",
        diagram=PANEL.diagram,
        supplies=PANEL.supplies,
        devices=PANEL.devices,
        loads=PANEL.loads,
    )
    assert read_table("row,S1,Y1,Y4\nstop,pressed,off,on\n", "t.csv", panel).rows[0].stop_from == ""


def test_a_table_full_of_mistakes_names_a_hundred_of_them() -> None:
    rows = "".join(f"r{k},yes\n" for k in range(5000))
    with pytest.raises(FileError) as caught:
        read_table("row,Y4\n" + rows, "t.csv", PANEL)
    assert len(caught.value.problems) == 100


@pytest.mark.parametrize(
    ("content", "message"),
    [
        pytest.param(
            b"row,Y4\nr\xe9,on\n", "2:2: byte 0xe9 is not UTF-8; save the file as UTF-8", id="latin 1"
        ),
        pytest.param(
            "row,Y4\nr,on\n".encode("utf-16"), "1:1: text in UTF-16; save the file as UTF-8", id="utf 16"
        ),
        pytest.param(
            b"row,Y4\nr\x1b[2J,on\n", "2:2: control character U+001B in the text; remove it", id="escape"
        ),
        pytest.param(b"", EMPTY, id="empty"),
    ],
)
def test_refuses_bytes(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "t.table.csv"
    path.write_bytes(content)
    with pytest.raises(FileError) as caught:
        load_table(path, PANEL)
    assert str(caught.value) == f"{path}:{message}"


def test_a_byte_order_mark_from_a_spreadsheet_shifts_no_column(tmp_path: Path) -> None:
    path = tmp_path / "t.table.csv"
    path.write_bytes(b"\xef\xbb\xbf" + b"rov,Y4\r\nr,on\r\n")
    with pytest.raises(FileError) as caught:
        load_table(path, PANEL)
    assert (caught.value.problems[0].line, caught.value.problems[0].column) == (1, 1)
    path.write_bytes(b"\xef\xbb\xbf" + b"row,Y4\r\nr,on\r\n")
    assert load_table(path, PANEL).rows[0].states == {"Y4": True}


@pytest.mark.parametrize(
    ("first", "named"),
    [
        pytest.param("# panel: xp-1.panel.yaml\n", "xp-1.panel.yaml", id="named"),
        pytest.param("#panel:  xp-1.panel.yaml \r\n", "xp-1.panel.yaml", id="other blanks"),
        pytest.param("# a remark\n# panel: late.panel.yaml\n", None, id="first line only"),
        pytest.param("row,Y4\n", None, id="no remark"),
    ],
)
def test_panel_named_in(tmp_path: Path, first: str, named: str | None) -> None:
    path = tmp_path / "t.table.csv"
    path.write_text(first + "row,Y4\nr,on\n", newline="")
    assert panel_named_in(path) == (None if named is None else tmp_path / named)


def test_one_enormous_record_is_read_in_one_pass() -> None:
    record = next(read_records("," * 200_000, "t.csv"))
    assert (len(record), record[-1].column) == (200_001, 200_001)


BYTES = st.binary(max_size=200) | st.text(alphabet='rowY4,S1"\n\r#on f-', max_size=80).map(str.encode)
PLAIN = st.text(alphabet="abc \"',\n\r#-", max_size=8)


@given(st.lists(st.lists(PLAIN, min_size=1, max_size=4), min_size=1, max_size=4))
def test_each_cell_is_found_at_its_place(rows: list[list[str]]) -> None:
    written = ['"' + '","'.join(cell.replace('"', '""') for cell in row) + '"' for row in rows]
    records = list(read_records("\n".join(written), "t.csv"))
    assert [[cell.text for cell in record] for record in records] == [
        [c.strip() for c in row] for row in rows
    ]
    lines = "\n".join(written).replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for record in records:
        for cell in record:
            assert lines[cell.line - 1][cell.column - 1] == '"'


@given(BYTES)
def test_random_bytes_raise_nothing_but_file_errors(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "random.table.csv"
    path.write_bytes(content)
    try:
        table = load_table(path, PANEL)
    except FileError as error:
        found = error.problems
    else:
        found = ()
        assert table.rows
    assert all(problem.file == str(path) and problem.line >= 1 for problem in found)
