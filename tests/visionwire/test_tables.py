"""Tables as people and spreadsheets write them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from visionwire.errors import ArchiveError
from visionwire.tables import Written, written_in


def read(folder: Path, text: str, encoding: str = "utf-8") -> Written:
    path = folder / "a.csv"
    path.write_text(text, encoding=encoding, newline="")
    return written_in("table", path, ("photo", "who"))


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_what_spreadsheets_save_is_read_alike(tmp_path: Path, separator: str, end: str, encoding: str) -> None:
    lines = ["Photo,Technician ,", '"a.jpg",José,', "", " b.jpg ,,", "c.jpg", " ,,", ",,,"]
    found = read(tmp_path, end.join(lines).replace(",", separator), encoding)
    assert found.columns == ("photo", "technician", "") and found.faults == ()
    assert found.rows == (
        (2, {"photo": "a.jpg", "technician": "José", "": ""}),
        (4, {"photo": "b.jpg", "technician": "", "": ""}),
        (5, {"photo": "c.jpg", "technician": "", "": ""}),
    )


def test_a_cell_too_many_is_said_with_its_line_and_an_empty_one_is_none(tmp_path: Path) -> None:
    found = read(tmp_path, 'photo,technician\na.jpg,A,,\nb.jpg,One, Two\nc.jpg,"One, Two"\n')
    assert [line for line, _ in found.faults] == [3] and "put a cell that holds a separator" in found.faults[0][1]
    assert found.rows[-1][1]["technician"] == "One, Two"


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("first", ["sep={}", "SEP={}", '"sep={}"', "sep={}{}{}"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_first_line_may_tell_a_spreadsheet_the_separator(
    tmp_path: Path, separator: str, first: str, end: str
) -> None:
    lines = [first.replace("{}", separator), f"photo{separator}who", f"a.jpg{separator}Ann, Bob; or Cy"]
    if separator in ",;":
        lines[2] = lines[2].replace("Ann, Bob; or Cy", '"Ann, Bob; or Cy"')
    found = read(tmp_path, end.join(lines))
    assert found == Written(("photo", "who"), ((3, {"photo": "a.jpg", "who": "Ann, Bob; or Cy"}),), ())
    with pytest.raises(ArchiveError, match="is empty; give"):
        read(tmp_path, lines[0])


@pytest.mark.parametrize("blank", ["", "\n", " \n", ";;\r\n\r\n"])
@pytest.mark.parametrize("header", ["photo;who", '"photo";"who"', '"photo";who;"note, if any, of it"'])
def test_the_first_line_with_a_word_in_it_names_the_columns(tmp_path: Path, blank: str, header: str) -> None:
    found = read(tmp_path, f"{blank}{header}\na.jpg;Ann\n")
    assert found.columns[:2] == ("photo", "who") and found.rows[0][1]["who"] == "Ann" and found.faults == ()


def test_quotes_may_stand_behind_a_blank(tmp_path: Path) -> None:
    found = read(tmp_path, 'photo, who\na.jpg, "One, Two"\n')
    assert found.rows == ((2, {"photo": "a.jpg", "who": "One, Two"}),) and found.faults == ()


def test_columns_that_nobody_asks_for_may_be_named_alike_and_the_first_is_taken(tmp_path: Path) -> None:
    found = read(tmp_path, ",note,who,note,\na.jpg,x,Ann,y,\n")
    assert found.rows == ((2, {"": "a.jpg", "note": "x", "who": "Ann"}),) and found.faults == ()


@pytest.mark.parametrize(
    ("text", "encoding", "says"),
    [
        (
            "photo\na\nJosé.jpg\n",
            "cp1252",
            "is not in UTF-8 (line 3); give a CSV, saved by the spreadsheet as CSV UTF-8",
        ),
        ("photo\na\n", "utf-16", "is not in UTF-8 (line 1); give a CSV"),
        ("photo,who,Who\n", "utf-8", "has its column who twice; keep one of them"),
        (
            'photo,who\na.jpg,"One\nb.jpg,Two\n',
            "utf-8",
            "(unexpected end of data); look for a quote too many or too few",
        ),
    ],
)
def test_what_cannot_be_read_says_where_and_what_to_do(tmp_path: Path, text: str, encoding: str, says: str) -> None:
    with pytest.raises(ArchiveError, match=re.escape(says)) as caught:
        read(tmp_path, text, encoding)
    assert str(caught.value).startswith(f"the table {tmp_path / 'a.csv'} ") and "\n" not in str(caught.value)


@pytest.mark.parametrize("text", ["", "\n \n"])
def test_an_empty_file_is_said_to_be_so(tmp_path: Path, text: str) -> None:
    with pytest.raises(ArchiveError) as caught:
        read(tmp_path, text)
    assert str(caught.value) == (
        f"the table {tmp_path / 'a.csv'} is empty; give a CSV with its columns in the first line"
    )


def test_the_line_of_a_letter_that_is_not_in_utf_8_is_told_behind_a_mark_too(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"\xef\xbb\xbfphoto\n\xe9.jpg\n")
    with pytest.raises(ArchiveError, match=r"is not in UTF-8 \(line 2\)"):
        written_in("table", tmp_path / "a.csv", ())
