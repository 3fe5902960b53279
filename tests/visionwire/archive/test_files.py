"""Which photographs an archive reads, and what folders and tables tell of them: who, where, when, of what wire."""

from __future__ import annotations

import os
import shutil
import unicodedata
from pathlib import Path
from typing import Literal

import pytest
from typer.testing import CliRunner, Result

from tests.visionwire.archive.small import RUN, all_rows, folder_of, in_this_process
from visionwire.archive import Ledger, Settings, listed, run
from visionwire.archive.decisions import decide
from visionwire.archive.files import from_path, from_table, gone, name_of, pattern_of
from visionwire.archive.ledger import Entry, Job
from visionwire.cli import app
from visionwire.cli.numbers import wire_diameter_in
from visionwire.errors import ArchiveError, ExitCode, UsageError
from visionwire.limits import limits_toml, load_limits


def test_words_name_files(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "photos", 2)
    names = {name_of(path) for path in listed([str(folder)])}
    assert names == {"00.png", "01.png", "copy.png", "broken.jpg"}
    assert [name_of(path) for path in listed([str(folder / "0*.png")])] == ["00.png", "01.png"]
    for encoding in ("utf-8", "utf-8-sig"):  # some editors begin a text with a mark
        (tmp_path / "list.txt").write_text(f"{folder / '01.png'}\n\n", encoding=encoding)
        assert listed([f"@{tmp_path / 'list.txt'}", str(folder / "01.png")]) == [str(folder / "01.png")]
    (tmp_path / "list.txt").write_bytes(b"\xff\xfe")
    with pytest.raises(ArchiveError, match="is not text in UTF-8; give a text file in UTF-8 with one path a line"):
        listed([f"@{tmp_path / 'list.txt'}"])
    for nothing in ("", "@"):
        with pytest.raises(ArchiveError, match="a name is empty; give a folder"):
            listed([nothing])
    for pattern, says in (("**x.png", "is no pattern"), ("*.jgp", "matches no file; check the pattern")):
        for word in (pattern, str(folder / pattern)):
            with pytest.raises(ArchiveError, match=says):
                listed([str(folder), word])
    for name in (b"\xe9.png", b"\xfc.png"):
        (folder / os.fsdecode(name)).touch()
    with pytest.raises(ArchiveError, match="and 1 more is not text in UTF-8, which a ledger keeps; rename such files"):
        listed([str(folder)])
    with pytest.raises(ArchiveError, match="no folder and no file"):
        listed([str(tmp_path / "none")])


def test_what_is_there_is_no_pattern_whatever_its_name(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "bay[2]", 2)
    copy = shutil.copy(folder / "00.png", folder / "00[1].png")
    assert listed([str(copy)]) == [str(copy)] and copy in map(Path, listed([str(folder)]))
    assert gone([str(folder / "x.png")], [str(folder)], []) == [str(folder / "x.png")]


def test_folders_and_tables_say_who_and_where(tmp_path: Path) -> None:
    pattern = pattern_of("{station}/{technician}/*")
    assert from_path("/x/bay 3/T. One/a.jpg", pattern) == {"station": "bay 3", "technician": "T. One"}
    assert from_path("a.jpg", pattern) == {}
    with pytest.raises(UsageError, match="it knows"):
        pattern_of("{boss}/*")
    assert from_path("/x/bay 3/T. One - 7.jpg", pattern_of("{station}/{technician} - *")) == from_path(
        "/x/bay 3/T. One/7.jpg", pattern
    )
    assert from_path("/x/2031-05-06.jpg", pattern_of("{taken}.jpg")) == {"taken": "2031-05-06"}
    table = tmp_path / "who.csv"
    table.write_text("photo,technician,taken\na.jpg,T. Two,\n", encoding="utf-8-sig")
    assert from_table(table).rows == {"a.jpg": {"technician": "T. Two"}}
    table.write_text("photo,colour\na.jpg,red\n")
    with pytest.raises(ArchiveError, match=r"none of the columns .*, and should be such as photo, technician, taken"):
        from_table(table)


def test_what_is_off_in_a_table_is_said(tmp_path: Path) -> None:
    table = tmp_path / "who.csv"
    table.write_text("photo;name;technician\na.jpg;T. Two;T. Two\nx.jpg;;T. Two\n")
    read = from_table(table)
    assert read.rows["a.jpg"] == {"technician": "T. Two"} and read.unused == ("name",)
    places = ["in/a.jpg", "in/b.jpg"]
    assert read.without_photograph(places) == ["x.jpg"] and read.without_row(places) == ["in/b.jpg"]
    for wrong in ("11.03.2031", "2031-13-01", "20310311"):
        table.write_text(f"photo,taken\na.jpg,2031-03-10T09:40\nb.jpg,{wrong}\n")
        with pytest.raises(ArchiveError, match=f"off in line 3: taken is '{wrong}'; write it as 2031-03-10"):
            from_table(table)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("{station}/{technician}", "end it with /*, such as {station}/{technician}/*"),
        ("{station}/", "such as {station}/*"),
        ("", "such as {station}/*"),
        ("{technician}*", "put a / or other letters between"),
        ("{station}{technician}/*", "put a / or other letters between"),
        ("{technician/*", "a brace too many or too few; write each part as {station}"),
        ("{station}}/*", "a brace too many or too few"),
        ("{station}/{station}/*", "has a part twice; put * in the place of one of them"),
    ],
)
def test_a_pattern_that_would_take_a_name_for_a_person_is_refused(text: str, says: str) -> None:
    with pytest.raises(UsageError) as caught:
        pattern_of(text)
    assert says in str(caught.value)


def test_what_was_told_of_a_file_stays_until_something_else_is_told(tmp_path: Path) -> None:
    book = Ledger(tmp_path / "l.db")
    book.put_files([("a.jpg", "1" * 64, 1, "", "T. One", "bay 3", None, None, None)])
    book.put_files([("a.jpg", "2" * 64, 2, "", None, "bay 4", None, None, None)])
    found = book.base.execute("SELECT sha256, bytes, technician, station, aircraft FROM files").fetchall()
    assert found == [("2" * 64, 2, "T. One", "bay 4", None)]
    book.close()


def wires_told(path: Path, **wires: str) -> Path:
    path.write_text("photograph,wire_in\n" + "".join(f"{name}.png,{wire}\n" for name, wire in wires.items()))
    return path


def test_every_photograph_is_read_by_the_wire_that_a_table_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: dict[str, float | None] = {}

    def reading(todo: list[Job], settings: Settings, *_: object) -> object:
        for sha256, path, wire_in in todo:
            read[Path(path).stem] = settings.of_wire(wire_in).wire_in
            yield Entry(sha256, "refusal", "no-scale", "none", None, {"code": "no-scale"})

    monkeypatch.setattr(RUN, "_entries", reading)
    folder, told = folder_of(tmp_path / "photos", 3), tmp_path / "wires.csv"
    for name in ("copy.png", "broken.jpg", "empty.png"):
        (folder / name).unlink(missing_ok=True)
    book, settings = Ledger(tmp_path / "a.db"), Settings(load_limits("common"), 0.032)
    places = listed([str(folder)])
    progress: list[tuple[int, int]] = []

    def again(table: Path | None = None) -> dict[str, float | None]:
        read.clear()
        known = None if table is None else from_table(table)
        run(places, book, settings, table=known, tell=lambda one: progress.append((one.kept, one.anew)))
        return dict(read)

    assert again(wires_told(told, **{"00": "0.020", "01": "0.041"})) == {"00": 0.020, "01": 0.041, "02": 0.032}
    columns, rows = all_rows(book)
    assert [row[columns.index("wire_in")] for row in rows] == [0.020, 0.041, None]
    assert {row[columns.index("state")] for row in rows} == {"refusal"}
    # What was told stays, and of what is told otherwise that alone is read anew.
    assert again() == {}
    (first, *_), sha256 = places, str(rows[0][columns.index("sha256")])
    decide(book, sha256, "accept", "counted by eye", "A. Person", "2031-01-01T00:00:00")
    assert again(wires_told(told, **{"00": "0.025"})) == {"00": 0.025} and progress[-2] == (2, 1)
    (row,) = book.rows_of([first])
    assert (row["wire_in"], row["decision"], row["decided_on"]) == (0.025, "accept", "an earlier reading")
    # Told as before, it is the reading of before that a person decided on.
    assert again(wires_told(told, **{"00": "0.020"})) == {}
    assert book.rows_of([first])[0]["decided_on"] == "this reading"
    # A cell that is empty says nothing, and one that takes it back leaves the wire of the command.
    assert again(wires_told(told, **{"00": ""})) == {} and again(wires_told(told, **{"00": "none"})) == {"00": 0.032}
    assert book.rows_of([first])[0]["wire_in"] is None
    # A wire told by the table goes before that of the command.
    settings = Settings(load_limits("common"), 0.041)
    assert again() == {"00": 0.041, "02": 0.041}


def test_a_table_takes_a_diameter_as_the_command_line_does(tmp_path: Path) -> None:
    told = tmp_path / "wires.csv"
    told.write_text('photo,wire_in\na,0.8mm\nb, .8 MM\nc,.032\nd,0.032in\ne,"0.032"""\nf, None \ng,\n')
    mm = pytest.approx(0.0314961, abs=1e-7)
    assert from_table(told).wires_in == {"a": mm, "b": mm, "c": 0.032, "d": 0.032, "e": 0.032, "f": None}
    # The same wire told either way is read by the same settings: nothing is read anew between them.
    assert from_table(told).wire_in("a") == wire_diameter_in("0.8mm")


@pytest.mark.parametrize(
    ("wire", "says"),
    [
        ("32", "wire_in is 32 in; it must be 0.005 to 0.1 in; for 32 thousandths give wire_in 0.032"),
        ("0.8", "wire_in is 0.8 in; it must be 0.005 to 0.1 in; for 0.8 mm give wire_in 0.8mm"),
        ("0.032mm", "wire_in is 0.032mm; it must be 0.005 to 0.1 in; for 0.032 in leave out mm: wire_in 0.032"),
        ("thick", "wire_in is 'thick'; it must be a diameter in inches, such as 0.032, or 0.8mm"),
        ("0", "wire_in is 0 in; it must be 0.005 to 0.1 in; a diameter is above zero"),
        ("nan", "wire_in is 'nan'; it must be a diameter in inches, such as 0.032, or 0.8mm"),
    ],
)
def test_a_diameter_that_no_wire_has_is_said_with_its_line(tmp_path: Path, wire: str, says: str) -> None:
    told = wires_told(tmp_path / "wires.csv", a="0.032", b=wire)
    with pytest.raises(ArchiveError) as caught:
        from_table(told)
    assert str(caught.value) == f"the table {told} is off in line 3: {says}, or none to take back one told before"


@pytest.mark.parametrize("form", ["NFC", "NFD"])
def test_a_name_with_an_accent_is_found_however_a_system_writes_it(tmp_path: Path, form: Literal["NFC", "NFD"]) -> None:
    table = tmp_path / "who.csv"
    places = [unicodedata.normalize(form, place) for place in ("in/é.jpg", "bay/ü.jpg", "in/ü.jpg")]
    for written in ("NFC", "NFD"):
        names = [unicodedata.normalize(written, name) for name in ("é.jpg", "bay/ü.jpg")]
        table.write_text("photo,technician,wire_in\n{},Zoë,0.032\n{},Zoë,none\n".format(*names))
        read = from_table(table)
        assert [read.of(place) for place in places] == [{"technician": "Zoë"}] * 2 + [{}]
        assert [read.wire_in(place) for place in places] == [0.032, None, None]
        assert [read.takes_back_wire(place) for place in places] == [False, True, False]
        assert read.without_photograph(places) == [] and read.without_row(places) == places[2:]


def test_a_name_is_found_whichever_way_its_slashes_lean(tmp_path: Path) -> None:
    table = tmp_path / "who.csv"
    table.write_text("photo,technician\nin\\bay1\\a.jpg,Ann\n./in/b.jpg,Bob\n")
    read = from_table(table)
    assert [read.of(place) for place in ("in/bay1/a.jpg", r"in\bay1\a.jpg", "in/b.jpg", "in/bay2/a.jpg")] == [
        {"technician": "Ann"},
        {"technician": "Ann"},
        {"technician": "Bob"},
        {},
    ]


def test_a_name_that_files_of_different_content_have_tells_of_none_of_them(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    monkeypatch.chdir(tmp_path)
    made = folder_of(tmp_path / "made", 2)
    for place, content in {"x/a.png": "00", "x/b.png": "00", "y/a.png": "01", "y/b.png": "00"}.items():
        Path(place).parent.mkdir(exist_ok=True)
        shutil.copy(made / f"{content}.png", place)
    Path("who.csv").write_text("photo,technician,wire_in\na.png,Ann,0.032\nb.png,Bob,0.041\n")
    words = ["archive", "x", "y", "--ledger", "a.db", "--metadata", "who.csv"]
    said = CliRunner().invoke(app, words).stdout
    line = (
        "--metadata: its row a.png fits files of different content (x/a.png, y/a.png) and tells nothing of these; write"
    )
    assert line in said and "b.png" not in said, "what is alike may share a row"

    def told() -> list[tuple[object, ...]]:
        return list(Ledger(Path("a.db")).ask("SELECT path, technician, wire_in FROM files ORDER BY path"))

    both = [("x/b.png", "Bob", 0.041), ("y/b.png", "Bob", 0.041)]
    assert sorted(told()) == sorted([("x/a.png", None, None), ("y/a.png", None, None), *both])
    with Path("who.csv").open("a") as more:
        more.write("y/a.png,Cy,0.020\n")
    CliRunner().invoke(app, words)
    assert sorted(told(), key=str) == sorted([("x/a.png", None, None), ("y/a.png", "Cy", 0.020), *both], key=str)
    shutil.copy(made / "01.png", "a.png")
    table, several = from_table(Path("who.csv")).unambiguous(["a.png", "x/a.png"])
    assert several == {"a.png": ["x/a.png"]}
    assert (table.of("a.png"), table.of("x/a.png")) == ({"technician": "Ann"}, {}), "the name is the path of one"


def test_a_path_as_seen_from_another_folder_is_guessed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    folder, table = folder_of(tmp_path / "F2" / "x", 2), tmp_path / "who.csv"
    monkeypatch.chdir(tmp_path)
    table.write_text(f"photo,technician\nx/00.png,Ann\n{folder / '01.png'},Bob\nx/0.png,Cy\n")
    said = CliRunner().invoke(app, ["archive", "F2", "--ledger", "a.db", "--metadata", str(table)]).stdout
    meant = f"x/00.png (did you mean F2/x/00.png?), {folder / '01.png'} (did you mean F2/x/01.png?), x/0.png\n"
    assert f"--metadata: 3 rows of it named no photograph: {meant}" in said


def test_a_comma_may_part_a_diameter_where_a_country_writes_it_so(tmp_path: Path) -> None:
    table = tmp_path / "wires.csv"
    for text in ("photo;wire_in\na.jpg;0,032\n", 'photo,wire_in\na.jpg,"0,032"\n'):
        table.write_text(text)
        assert from_table(table).wires_in == {"a.jpg": 0.032}


def test_a_table_that_does_not_begin_with_photographs_says_so(tmp_path: Path) -> None:
    table = tmp_path / "who.csv"
    table.write_text("technician,photo,taken\nAnn,a.jpg,2031-03-10\n")
    with pytest.raises(ArchiveError, match="begins with its column technician; put the one that names photographs fir"):
        from_table(table)
    table.write_text(",colour,\na.jpg,red,\n")
    with pytest.raises(ArchiveError, match="its columns are colour, and should be such as photo"):
        from_table(table)


def test_columns_that_are_not_known_are_named_once(tmp_path: Path) -> None:
    table = tmp_path / "who.csv"
    table.write_text("photo,note,note,technician\na.jpg,x,y,Ann\n")
    assert from_table(table).unused == ("note",) and from_table(table).rows == {"a.jpg": {"technician": "Ann"}}


@pytest.mark.parametrize("more", [0, 9, 30])
def test_all_that_is_off_in_a_table_is_said_at_once(tmp_path: Path, more: int) -> None:
    table = tmp_path / "who.csv"
    bad = "".join(f"{k}.jpg,soon,\n" for k in range(more))
    table.write_text(f"photo,taken,wire_in\na.jpg,2031-03-10,32\nb.jpg,2031-03-11,\nb.jpg,yesterday,\n{bad}")
    off = CliRunner().invoke(
        app, ["archive", str(tmp_path), "--ledger", str(tmp_path / "a.db"), "--metadata", str(table)]
    )
    first, *lines = off.stderr.splitlines()
    assert off.exit_code == ExitCode.FILE and first == f"visionwire: the table {table} is off in {3 + more} places:"
    assert lines[0].startswith("  line 2: wire_in is 32 in; it must be ")
    assert lines[1] == "  line 4: 'b.jpg' is named a second time; keep one row"
    assert lines[2] == "  line 4: taken is 'yesterday'; write it as 2031-03-10 or 2031-03-10T09:40"
    assert lines[10:] == ([f"  and {more - 7} more"] if more > 7 else []) and len(lines) == min(3 + more, 11)


def test_a_row_that_names_no_photograph_is_said_unless_it_is_blank(tmp_path: Path) -> None:
    table = tmp_path / "who.csv"
    table.write_text("photo,technician,wire_in\n,,\na.jpg,Ann,0.032\n,Bob,\n ,,\n,,0.8mm\n")
    with pytest.raises(ArchiveError) as caught:
        from_table(table)
    says = "it names no photograph; write which one it is of, or take the row out"
    assert str(caught.value) == f"the table {table} is off in 2 places:\n  line 4: {says}\n  line 6: {says}"
    table.write_text("photo,technician\n,\na.jpg,Ann\n ,\n")
    assert from_table(table).rows == {"a.jpg": {"technician": "Ann"}}


def test_headers_are_known_however_they_are_written_and_a_slip_is_guessed(tmp_path: Path) -> None:
    told = tmp_path / "wires.csv"
    told.write_text("Photo, Wire_In ,technican\na.png,0.032,T. One\n")
    table = from_table(told)
    assert table.wire_in("a.png") == 0.032 and table.unused == ("technican",)
    folder = folder_of(tmp_path / "photos", 1)
    said = CliRunner().invoke(
        app, ["archive", str(folder), "--ledger", str(tmp_path / "a.db"), "--metadata", str(told)]
    )
    assert "--metadata: its column technican (did you mean technician?) is not known and left out" in said.stdout


def test_a_wire_that_the_limit_set_has_no_band_for_is_said_before_the_work(tmp_path: Path) -> None:
    told = wires_told(tmp_path / "wires.csv", **{"00": "0.09"})
    words = ["archive", str(folder_of(tmp_path / "photos", 1)), "--ledger", str(tmp_path / "a.db")]
    mine = tmp_path / "mine.toml"
    mine.write_bytes(limits_toml("by-diameter").replace(b'name = "by-diameter"', b'name = "ours--wire"'))
    stopped = CliRunner().invoke(app, [*words, "--metadata", str(told), "--limits", str(mine), "--wire", "0.032"])
    assert stopped.exit_code == ExitCode.FILE and not (tmp_path / "a.db").exists()
    assert f"the table {told} tells wire that cannot be judged: " in stopped.stderr
    assert "limit set ours--wire has no band for wire of 0.09 in" in stopped.stderr, "its name stays as it is"
    assert "; check its column wire_in or choose" in stopped.stderr


def test_bands_by_diameter_take_the_wire_of_each_photograph_from_the_table_or_from_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    folder, ledger = folder_of(tmp_path / "photos", 3), tmp_path / "a.db"
    for name in ("copy.png", "broken.jpg"):
        (folder / name).unlink()
    words = ["archive", str(folder), "--ledger", str(ledger), "--limits", "by-diameter"]

    def read(**wires: str) -> Result:
        table = ["--metadata", str(wires_told(tmp_path / "wires.csv", **wires))] if wires else []
        return CliRunner().invoke(app, [*words, *table])

    for said, wires in ((read(), ("00", "01", "02")), (read(**{"00": "0.020"}), ("01", "02"))):
        names = ", ".join(str(folder / f"{name}.png") for name in wires)
        assert said.exit_code == ExitCode.FILE and not ledger.exists()
        assert f"and {len(wires)} photographs have none told: {names}; tell it in a column wire_in of" in said.stderr
    assert "3 photographs read now" in read(**{"00": "0.020", "01": "0.032", "02": "0.032"}).stdout
    assert "3 kept from before" in read().stdout, "what was told before stays"
    taken_back = read(**{"01": "none"})
    assert taken_back.exit_code == ExitCode.FILE and f"1 photograph has none told: {folder / '01.png'};" in (
        taken_back.stderr
    )


def test_a_folder_without_photographs_is_said_and_makes_no_ledger(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    ledger = tmp_path / "e.db"
    off = CliRunner().invoke(app, ["archive", str(tmp_path / "empty"), "--ledger", str(ledger)])
    assert off.exit_code == ExitCode.FILE and off.stderr.count("\n") == 1
    assert f"no photographs are under {tmp_path / 'empty'}" in off.stderr and off.stdout == ""
    assert not ledger.exists()


def test_the_first_words_say_what_a_pattern_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    for k in range(11):
        (tmp_path / f"bay{k:02d}" / "ann").mkdir(parents=True)
        (tmp_path / f"bay{k:02d}" / "ann" / "a.jpg").write_bytes(b"")
    words = ["archive", str(tmp_path), "--ledger", str(tmp_path / "a.db"), "--pattern"]
    said = CliRunner().invoke(app, [*words, "{station}/{technician}/*"]).stdout
    assert "station: bay00, bay01, bay02, bay03, bay04, bay05, bay06, bay07 and 3 more\n" in said
    assert "technician: ann\n" in said and "--pattern" not in said
    said = CliRunner().invoke(app, [*words, "bay03/{technician}/*"]).stdout
    assert "technician: ann\n" in said and "--pattern matches 1 of 11 paths" in said
    (tmp_path / "bay03" / "ann" / "a.jpg").rename(tmp_path / "b.jpg")
    said = CliRunner().invoke(app, [*words, "{technician}/a.jpg"]).stdout
    assert "--pattern matches 10 of 11 paths; the other tells none of that\n" in said
    assert "--pattern matches 0 of 11 paths" in CliRunner().invoke(app, [*words, "x/{station}/*"]).stdout


def test_the_last_words_say_of_how_many_files_a_table_changed_what_was_recorded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(RUN, "_entries", in_this_process)
    monkeypatch.setattr(RUN, "ROWS_AT_ONCE", 2)  # the four files are asked about in two parts
    folder, table = folder_of(tmp_path / "T. One", 2), tmp_path / "who.csv"

    def changed(rows: str, *words: str) -> str:
        table.write_text(f"photo,technician,taken,wire_in\n{rows}")
        words = (*words, "--metadata", str(table), "--ledger", str(tmp_path / "a.db"))
        done = CliRunner().invoke(app, ["archive", str(folder), *words])
        assert done.exit_code == 0, done.stderr
        lines = [line for line in done.stdout.splitlines() if "recorded before" in line]
        return "; ".join(lines)

    def of(files: str) -> str:
        return f"  what --metadata tells differs from what was recorded before: the entries of {files} changed"

    assert changed("00.png,T. One,,\n01.png,,,0.032\n") == ""  # nothing was recorded before
    assert changed("00.png,T. One,2031-03-10,\n01.png,T. Two,,0.8mm\n") == of("1 file")  # what is new changes nothing
    assert changed("00.png,T. One,2031-03-10,\n01.png,T. Two,,0.8mm\n") == ""
    assert changed("00.png,T. Two,2031-03-11,\n01.png,T. Two,,none\n") == of("2 files")
    assert changed("00.png,,,\n01.png,T. Two,,none\n") == ""
    # What a folder told before, a table may change too; what another pattern tells is not the table's.
    assert changed("00.png,T. Two,,\n", "--pattern", "{technician}/*") == ""
    assert changed("copy.png,T. Two,,\n") == of("1 file")


def test_stopped_by_hand_it_still_says_what_a_table_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, table = folder_of(tmp_path / "photos", 1), tmp_path / "who.csv"

    def broken_off(*_: object) -> object:
        raise KeyboardInterrupt

    monkeypatch.setattr(RUN, "_entries", broken_off)
    said = []
    for name in ("T. One", "T. Two"):
        table.write_text(f"photo,technician\n00.png,{name}\n")
        words = ["archive", str(folder), "--ledger", str(tmp_path / "a.db"), "--metadata", str(table)]
        said.append(CliRunner().invoke(app, words).stderr.splitlines())
    assert [len(lines) for lines in said] == [1, 2]
    assert said[1][1].endswith("recorded before: the entries of 1 file changed")


@pytest.mark.parametrize("what", ["table", "list"])
def test_a_table_or_list_that_cannot_be_opened_is_not_told_to_be_a_csv(tmp_path: Path, what: str) -> None:
    words = {"table": [str(tmp_path), "--metadata", "{}"], "list": ["@{}"]}[what]
    (tmp_path / "a.png").write_bytes(b"")
    for name, why in (
        ("nosuch.csv", "does not exist; check the path"),
        ("", "cannot be read (Is a directory); check it and its permissions"),
    ):
        place = tmp_path / name
        given = [word.format(place) for word in words]
        off = CliRunner().invoke(app, ["archive", *given, "--ledger", str(tmp_path / "a.db")])
        assert off.exit_code == ExitCode.FILE and off.stderr == f"visionwire: the {what} {place} {why}\n"
    assert not (tmp_path / "a.db").exists()
