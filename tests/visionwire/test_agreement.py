"""Agreement of repeated readings, beside the worked study of the AIAG and a simulated one."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from visionwire.agreement import agreement
from visionwire.cli import app
from visionwire.errors import ExitCode
from visionwire.reading import Reading, Refusal

# The worked study of ten parts, three people and three trials: AIAG, Measurement Systems Analysis, chapter III (from
# memory, as are its results by analysis of variance).
STUDY = {
    "A": [
        [0.29, -0.56, 1.34, 0.47, -0.80, 0.02, 0.59, -0.31, 2.26, -1.36],
        [0.41, -0.68, 1.17, 0.50, -0.92, -0.11, 0.75, -0.20, 1.99, -1.25],
        [0.64, -0.58, 1.27, 0.64, -0.84, -0.21, 0.66, -0.17, 2.01, -1.31],
    ],
    "B": [
        [0.08, -0.47, 1.19, 0.01, -0.56, -0.20, 0.47, -0.63, 1.80, -1.68],
        [0.25, -1.22, 0.94, 1.03, -1.20, 0.22, 0.55, 0.08, 2.12, -1.62],
        [0.07, -0.68, 1.34, 0.20, -1.28, 0.06, 0.83, -0.34, 2.19, -1.50],
    ],
    "C": [
        [0.04, -1.38, 0.88, 0.14, -1.46, -0.29, 0.02, -0.46, 1.77, -1.49],
        [-0.11, -1.13, 1.09, 0.20, -1.07, -0.67, 0.01, -0.56, 1.45, -1.77],
        [-0.15, -0.96, 0.67, 0.11, -1.45, -0.49, 0.21, -0.49, 1.87, -2.16],
    ],
}
VALUES = [
    (f"part {part}", person, value)
    for person, trials in STUDY.items()
    for trial in trials
    for part, value in enumerate(trial)
]
# Two safeties that differ by a little more than what each is read with.
ONE_CLASS = [(part, person, 7 + k * 0.1 + d) for k, part in enumerate("ab") for person in "xy" for d in (-0.05, 0.05)]


def test_the_worked_study() -> None:
    found = agreement(VALUES, tolerance=8.0)
    assert found.repeatability == pytest.approx(0.199933, abs=1e-4)
    assert found.reproducibility == pytest.approx(0.226838, abs=1e-4)
    assert found.both == pytest.approx(0.302373, abs=1e-4)
    assert found.between_parts == pytest.approx(1.042327, abs=1e-4)
    assert 100 * found.both / found.total == pytest.approx(27.86, abs=0.02)
    assert found.categories == 4
    assert found.share_of_tolerance == pytest.approx(6 * 0.302373 / 8, abs=1e-4)


def test_what_a_simulated_study_was_made_of_comes_out() -> None:
    rng = np.random.default_rng(2)
    parts, people = rng.normal(0, 1.0, 60), rng.normal(0, 0.4, 40)
    values = [
        (str(p), str(q), parts[p] + people[q] + rng.normal(0, 0.2))
        for p in range(60)
        for q in range(40)
        for _ in range(3)
    ]
    found = agreement(values)
    assert found.repeatability == pytest.approx(0.2, rel=0.03)
    assert found.reproducibility == pytest.approx(people.std(ddof=1), rel=0.03)
    assert found.between_parts == pytest.approx(parts.std(ddof=1), rel=0.03)
    assert found.share_of_tolerance is None


@pytest.mark.parametrize("values", [[], VALUES[:10], VALUES[:-1], VALUES[::3]])
def test_a_study_that_is_not_whole(values: list[tuple[str, str, float]]) -> None:
    with pytest.raises(ValueError, match=r"needs at least 2 safeties, 2 people and 2 readings .*; complete the study"):
        agreement(values)


def test_who_falls_short_is_named() -> None:
    with pytest.raises(ValueError, match="needs 3 readings of each safety, but C has 2 of part 9; complete the"):
        agreement(VALUES[:-1])
    with pytest.raises(ValueError, match=r"B has 1 of part 0.* and 4 more fall short; complete"):
        agreement([*VALUES[:40], *VALUES[60:]])
    with pytest.raises(ValueError, match="and 1 more falls short; complete"):
        agreement([*VALUES[:20], *VALUES[27:]])
    with pytest.raises(ValueError, match=r"2 readings of each .*; here each person has 1 of each safety; comp"):
        agreement([one for k, one in enumerate(VALUES) if k % 30 < 10])


@pytest.mark.parametrize("whole", [True, False])
def test_a_picture_that_was_not_read_is_named_with_the_reason(
    tmp_path: Path, reading: Reading, refusal: Refusal, monkeypatch: pytest.MonkeyPatch, whole: bool
) -> None:
    for safety in ("s1", "s2"):
        for person in ("ann", "bob"):
            (tmp_path / safety / person).mkdir(parents=True)
            for take in range(2):
                (tmp_path / safety / person / f"{take}.jpg").touch()
    lost = tmp_path / "s1" / "bob" / ("2.jpg" if whole else "1.jpg")
    lost.touch()
    measured = import_module("visionwire.measure")
    monkeypatch.setattr(measured, "measure", lambda path, *_: refusal if path == lost else reading)
    result = CliRunner().invoke(app, ["agreement", str(tmp_path)])
    (line,) = [line for line in result.output.splitlines() if "not read" in line]
    assert line == f"  not read: {lost} (of s1, by bob): no twisted pair was found"
    assert result.exit_code == (0 if whole else ExitCode.FILE)
    assert ("8 readings" in result.stdout) if whole else ("bob has 1 of s1; complete" in result.stderr)
    assert whole or result.stderr.endswith("; left out for want of a reading: 1 photograph, named above\n")


@pytest.mark.parametrize("whole", [True, False])
def test_a_file_that_cannot_be_read_is_left_out_and_named_and_the_others_go_on(
    tmp_path: Path, reading: Reading, monkeypatch: pytest.MonkeyPatch, whole: bool
) -> None:
    for safety in ("s1", "s2"):
        for person in ("ann", "bob"):
            (tmp_path / safety / person).mkdir(parents=True)
            for take in range(2):
                (tmp_path / safety / person / f"{take}.jpg").write_bytes(b"good")
    first = tmp_path / "s1" / "ann" / ("00.jpg" if whole else "0.jpg")  # before all others
    first.write_bytes(b"")
    measured = import_module("visionwire.measure")
    truly = measured.measure
    monkeypatch.setattr(measured, "measure", lambda path, *a: reading if path.read_bytes() else truly(path, *a))
    result = CliRunner().invoke(app, ["agreement", str(tmp_path)])
    (line,) = [line for line in result.output.splitlines() if "not read" in line]
    assert line == f"  not read: {first} (of s1, by ann): the file is empty; copy it from the camera again"
    assert result.exit_code == ExitCode.FILE
    if whole:
        assert "8 readings, twists per inch, 1 photograph left out" in result.stdout
        assert "distinct categories" in result.stdout and result.stdout.splitlines()[-1] == line
    else:
        assert "ann has 1 of s1; complete" in result.stderr
        assert result.stderr.endswith("; left out for want of a reading: 1 photograph, named above\n")


def test_a_study_that_is_not_there_is_said_to_be_so(tmp_path: Path) -> None:
    off = CliRunner().invoke(app, ["agreement", str(tmp_path / "none.csv")])
    assert off.stderr == f"visionwire: the study {tmp_path / 'none.csv'} does not exist; check the path\n"


def test_a_photograph_of_a_study_is_found_whichever_way_its_slashes_lean(
    tmp_path: Path, reading: Reading, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[Path] = []
    measured = import_module("visionwire.measure")
    monkeypatch.setattr(measured, "measure", lambda path, *_: read.append(path) or reading)
    (tmp_path / "study.csv").write_text("safety,person,photo\ns1,ann,in\\a.jpg\n")
    CliRunner().invoke(app, ["agreement", str(tmp_path / "study.csv")])
    assert read == [tmp_path / "in" / "a.jpg"]


def test_columns_of_a_study_that_are_not_known_are_named_once(tmp_path: Path) -> None:
    table = tmp_path / "study.csv"
    rows = [f"{part},{person},{7 + 0.2 * value:.4f},,A,1,1" for part, person, value in VALUES]
    table.write_text("safety,person,twists_per_inch,,photos,day,day\n" + "\n".join(rows))
    result = CliRunner().invoke(app, ["agreement", str(table)])
    assert result.exit_code == 0 and "distinct categories" in result.stdout
    assert result.stderr.splitlines() == [
        f"{table}: its column photos (did you mean photo?) is not known and left out",
        f"{table}: its column day is not known and left out",
    ]


def test_the_command_reads_a_table(tmp_path: Path) -> None:
    table = tmp_path / "study.csv"
    rows = [f"{part},{person},{7 + 0.2 * value:.4f}" for part, person, value in VALUES]
    table.write_text("safety,person,twists_per_inch\n" + "\n".join(rows))
    result = CliRunner().invoke(app, ["agreement", str(table)])
    assert result.exit_code == 0
    assert "4 distinct categories" in result.stdout and "18.1 % of the width of the band" in result.stdout
    assert "these shares do not add up to 100 %" in result.stdout and "wider than the band" not in result.stdout
    table.write_text("safety,person,twists_per_inch\n" + "\n".join(f"{a},{b},{7 + 2 * c}" for a, b, c in VALUES))
    wide = CliRunner().invoke(app, ["agreement", str(table)]).stdout
    assert "181.4 % of the width" in wide and "over 100 %, the readings scatter wider than the band itself" in wide
    table.write_text("safety,person,twists_per_inch\n" + "\n".join(f"{a},{b},{c}" for a, b, c in ONE_CLASS))
    assert "1 distinct category; 5 or more" in CliRunner().invoke(app, ["agreement", str(table)]).stdout
    as_in_europe = "\n".join(row.replace(",", ";").replace(".", ",") for row in rows)
    table.write_text(f"Safety;Person;Twists_per_inch\n{as_in_europe}\n;;\n")
    assert CliRunner().invoke(app, ["agreement", str(table)]).stdout == result.stdout
    table.write_text("safety,person,twists_per_inch,photo\ns,a,nan,\ns,a,seven,\ns,,7.1,\ns,a,,b.jpg\ns,a,,\n")
    off = CliRunner().invoke(app, ["agreement", str(table)])
    assert off.exit_code == ExitCode.FILE
    assert [line.partition(";")[0] for line in off.stderr.splitlines()] == [
        f"visionwire: the study {table} is off in 4 places:",
        "  line 2: twists_per_inch is 'nan'",
        "  line 3: twists_per_inch is 'seven'",
        "  line 4: a cell is empty",
        "  line 6: a cell is empty",
    ]
    odd = tmp_path / "study\n  line 7: b.csv"
    odd.write_text(table.read_text())
    off = CliRunner().invoke(app, ["agreement", str(odd)]).stderr.splitlines()
    assert len(off) == 5 and "study\\n  line 7: b.csv is off in 4 places:" in off[0], "a name fakes none of them"
    table.write_text("safety,person,twists_per_inch\ns,a,-7\ns,a,0\ns,a,1e308\n")
    off = CliRunner().invoke(app, ["agreement", str(table)])
    assert off.exit_code == ExitCode.FILE and off.stderr.count("a number above 0 and under 1000, such as 7.2") == 3
    table.write_text("safety,person,twists_per_inch\n" + "\n".join(f"{a},{b},7" for a, b, _ in ONE_CLASS))
    assert "  0 distinct categories;" in CliRunner().invoke(app, ["agreement", str(table)]).stdout
    table.write_text("")
    assert f"the study {table} is empty; give" in CliRunner().invoke(app, ["agreement", str(table)]).stderr
    table.write_text("a,b\n1,2\n")
    assert "has no column safety; give a CSV" in CliRunner().invoke(app, ["agreement", str(table)]).stderr
    assert CliRunner().invoke(app, ["agreement", str(table)]).exit_code == ExitCode.FILE
    assert CliRunner().invoke(app, ["agreement", str(tmp_path / "none.csv")]).exit_code == ExitCode.FILE
    thick = CliRunner().invoke(app, ["agreement", str(table), "--wire", "32"])
    assert thick.exit_code == ExitCode.USAGE and "for 32 thousandths give --wire 0.032" in thick.stderr
