"""The one handler: whatever goes wrong is one sentence and an exit status."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

import visionwire
from visionwire.archive import Ledger
from visionwire.archive.export import to_csv, to_jsonl
from visionwire.archive.files import from_table
from visionwire.cli import Handled, app
from visionwire.errors import ExitCode, InputError, LimitsError, OutputError, PhotoError, UsageError
from visionwire.limits import known_limits, load_limits
from visionwire.photo import open_photo
from visionwire.plan import load_plan

ROOT = Path(visionwire.__file__).parents[1]


def run(*words: str) -> Result:
    return CliRunner().invoke(app, list(words))


def command(*words: str) -> list[str]:
    return [sys.executable, "-c", "from visionwire.cli import main; main()", *words]


def run_raising(error: BaseException, wrote: str = "") -> Result:
    """Run a command that writes something and then fails, under the handler."""
    failing = typer.Typer(cls=Handled, rich_markup_mode=None, pretty_exceptions_enable=False)

    @failing.command("fail")
    def fail() -> None:
        print(wrote, end="")
        raise error

    failing.callback()(lambda: None)
    return CliRunner().invoke(failing, ["fail"])


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (PhotoError("a.jpg is empty; copy it again"), 4),
        (OutputError("sheets cannot be written; choose another folder"), 4),
        (UsageError("--start is off; give X,Y"), 2),
        (LimitsError("no such limits; choose others"), 2),
    ],
)
def test_an_error_of_ours_is_its_sentence_and_its_status(error: Exception, status: int) -> None:
    result = run_raising(error, wrote="data\n")
    assert result.exit_code == status
    assert result.stderr == f"visionwire: {error}\n" and result.stdout == "data\n"


def test_whatever_is_wrong_with_what_is_read_is_one_kind_of_error_and_with_what_is_written_another(
    tmp_path: Path,
) -> None:
    empty, nowhere = tmp_path / "empty.csv", tmp_path / "none" / "a"
    empty.write_bytes(b"")
    for read in (open_photo, load_plan, from_table, lambda path: load_limits(f"{path}.toml"), Ledger):
        with pytest.raises(InputError):
            read(nowhere)
        if read is not Ledger:  # which is made
            with pytest.raises(InputError):
                read(empty)
    for write in (to_csv, to_jsonl):
        with pytest.raises(OutputError) as caught:
            write(nowhere, ["path"], [("a.jpg",)])
        assert not isinstance(caught.value, InputError)


@pytest.mark.parametrize("error", [RuntimeError("odd\nthing"), KeyError("x"), ZeroDivisionError(), MemoryError()])
def test_any_other_error_is_one_sentence_that_says_how_to_report(
    error: Exception, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("VISIONWIRE_DEBUG", raising=False)
    result = run_raising(error)
    assert result.exit_code == 4 and result.stdout == ""
    assert result.stderr.count("\n") == 1 and "Traceback" not in result.stderr
    assert type(error).__name__ in result.stderr and "run it again with VISIONWIRE_DEBUG=1" in result.stderr


@pytest.mark.parametrize(
    "words",
    [["trends"], ["verify"], ["agreement"], ["archive", "--ledger", "none/a.db"], ["archive", __file__, "--ledger"]],
)
def test_a_path_that_is_out_of_reach_is_named_and_not_sent_to_the_maintainers(words: list[str]) -> None:
    result = run(*words, "n" * 300)
    assert result.exit_code == 4
    assert result.stderr == (
        f"visionwire: {'n' * 300} cannot be reached ({os.strerror(errno.ENAMETOOLONG)}); check its path and the "
        "permissions of its folder\n"
    )
    locked = run_raising(PermissionError(errno.EACCES, "Permission denied", "locked/photos.db"))  # as for root none is
    assert locked.stderr.startswith("visionwire: locked/photos.db cannot be reached (Permission denied); check its")


def test_the_traceback_is_there_for_those_who_ask(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VISIONWIRE_DEBUG", "1")
    stderr = run_raising(RuntimeError("odd")).stderr
    assert "Traceback (most recent call last)" in stderr and stderr.splitlines()[-1].startswith(
        "visionwire: this should"
    )


@pytest.mark.parametrize("library", ["libGL.so.1", "libgthread-2.0.so.0", "libglib-2.0.so.0", "libxcb.so.1"])
def test_a_missing_library_of_the_system_names_both_ways_out(library: str) -> None:
    error = ImportError(f"{library}: cannot open shared object file: No such file or directory")
    result = run_raising(error)
    assert result.exit_code == 4 and result.stderr.count("\n") == 1
    assert library in result.stderr
    assert "apt-get install libgl1 libglib2.0-0 libxcb1" in result.stderr
    assert "pip install opencv-python-headless" in result.stderr


def test_another_import_error_is_not_put_down_to_opencv() -> None:
    assert "libgl1" not in run_raising(ImportError("libgomp.so.1: cannot open shared object file")).stderr


def test_an_interrupt_is_quiet() -> None:
    result = run_raising(KeyboardInterrupt())
    assert result.exit_code == 130 and result.stderr == ""


def test_statuses_and_usage_of_the_commands_pass_through() -> None:
    assert run_raising(typer.Exit(3)).exit_code == 3
    off = run_raising(typer.BadParameter("X is off"))
    assert off.exit_code == 2 and "X is off" in off.stderr and "VISIONWIRE_DEBUG" not in off.stderr


def test_what_the_output_cannot_write_stops_nothing(tmp_path: Path) -> None:
    where = tmp_path / "größe ±.svg"
    done = subprocess.run(
        command("card", "pocket", "--out", str(where)),
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0 and done.stdout.endswith(b"gr??e ?.svg\n") and where.exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["chek"], "did you mean 'check'?); 'visionwire --help' says"),
        (["--no-such"], "no such option: --no-such; 'visionwire --help' says"),
        (["limits", "--no-such"], "no such option: --no-such; 'visionwire limits --help' says"),
        (
            ["plan", "0,0", "-1,0", "--drawin", "a.svg"],
            "no such option: --drawin (did you mean --drawing?); 'visionwire plan",
        ),
        (["card", "--measured", "abc"], "--measured: "),
        (["card", "--out"], "'--out' requires an argument; 'visionwire card --help' says"),
        (["card", "pocket", "lane"], "unexpected extra argument"),
        (["check"], "missing argument 'PHOTO...'; 'visionwire check --help' says"),
        (["archive", "photos"], "missing option '--ledger'; 'visionwire archive --help' says"),
        (["archive", "photos", "--ledger", "a.db", "--jobs", "0"], "--jobs: "),
        (["review", "a.db", "a.jpg"], "missing option '--decision'"),
    ],
)
def test_words_that_are_off_are_one_sentence(words: list[str], says: str) -> None:
    result = run(*words)
    assert result.exit_code == 2 and result.stdout == ""
    assert result.stderr.startswith("visionwire: ") and result.stderr.count("\n") == 1
    assert says in result.stderr and "Usage:" not in result.stderr


def test_no_word_at_all_is_answered_by_the_help() -> None:
    result = run()
    assert result.exit_code == 2 and "Usage:" in result.output and "agreement" in result.output


def test_a_reader_that_leaves_early_is_no_error() -> None:
    # The pipe's read end is closed before the command writes; its status is that of SIGPIPE in a shell.
    code = "import sys; sys.stdin.read(); from visionwire.cli import main; sys.argv = ['visionwire', 'limits']; main()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT
    ) as process:
        assert process.stdout is not None and process.stdin is not None and process.stderr is not None
        process.stdout.close()
        process.stdin.close()
        complaint = process.stderr.read()
        assert process.wait(60) == 128 + 13 and complaint == b""


def test_another_error_of_the_system_is_not_taken_for_a_broken_pipe() -> None:
    result = run_raising(OSError(errno.ENOSPC, "No space left on device"))
    assert result.exit_code == 4 and "No space left on device" in result.stderr


def test_version() -> None:
    result = run("--version")
    assert result.exit_code == 0 and result.stdout == f"visionwire {visionwire.__version__}\n"


def test_help_imports_no_measuring_code() -> None:
    code = (
        "import sys; from visionwire.cli import app; app(['--help'], standalone_mode=False); "
        "print([m for m in ('numpy', 'cv2', 'scipy', 'skimage', 'PIL', 'jinja2') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert all(word in done.stdout for word in ("check", "card", "limits", "Exit status"))
    assert done.stdout.endswith("\n[]\n")


def test_measure_is_the_function_however_it_is_come_by() -> None:
    code = (
        "import visionwire; assert 'numpy' not in __import__('sys').modules; "
        "{}; print(callable(visionwire.measure), callable(visionwire.measure))"
    )
    for first in ("pass", "import visionwire.measure", "from visionwire.measure import measure"):
        done = subprocess.run(
            [sys.executable, "-c", code.format(first)], capture_output=True, text=True, check=True, cwd=ROOT
        )
        assert done.stdout == "True True\n"
    with pytest.raises(AttributeError, match="has no attribute 'measures'"):
        _ = visionwire.measures


def test_limits_lists_every_set() -> None:
    result = run("limits")
    assert result.exit_code == 0
    assert [line.split()[0] for line in result.stdout.splitlines()] == list(known_limits())


@pytest.mark.parametrize("name", known_limits())
def test_limits_shows_every_figure_with_its_source(name: str) -> None:
    limits = load_limits(name)
    shown = run("limits", name).stdout
    for band in limits.density:
        assert f"{band.low:g} to {band.high:g} twists per inch" in shown
    for figure in (*limits.density, limits.pigtail, limits.decision):
        assert figure is None or f"{figure.source} ({figure.status})" in shown
    assert limits.sha256 in shown and "half a turn" in shown


def test_limits_that_are_not_there() -> None:
    result = run("limits", "comon")
    assert result.exit_code == 2 and result.stdout == ""
    assert result.stderr.startswith("visionwire: no limit set is named 'comon'; did you mean common?")


#: A command for every kind of file that it takes, `{}` in the place of the file.
TAKEN = {
    "limits": ["limits {}", "limits {} --toml", "check a.png --limits {}", "plan 0,0 2,0 --hole 0.06 --limits {}"],
    "card": ["card {}", "check a.png --card {}"],
    "plan": ["check a.png --plan {}"],
    "study": ["agreement {}"],
    "table": ["archive a.png --ledger a.db --metadata {}"],
    "ledger": ["trends {}", "verify {}", "review {} a.png --decision accept --by A --reason seen"],
    "photograph": ["check {}"],
}
SUFFIX = {"limits": ".toml", "card": ".toml", "plan": ".json", "study": ".csv", "table": ".csv"}
#: Not there, no text, text of another kind, in another encoding.
WRONG: list[bytes | None] = [
    None,
    b"\xff\xfe\x00\x81",
    b"nothing of the kind\n",
    "safety,person\né,é\n".encode("latin-1"),
]


@pytest.mark.parametrize("content", WRONG)
@pytest.mark.parametrize(("what", "words"), [(what, words) for what, all_of in TAKEN.items() for words in all_of])
def test_whatever_is_wrong_with_a_file_is_one_sentence_and_status_4(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str, words: str, content: bytes | None
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.png").write_bytes(b"")
    file = f"file{SUFFIX.get(what, '')}"
    if content is not None:
        (tmp_path / file).write_bytes(content)
    result = run(*words.format(file).split())
    assert result.exit_code == ExitCode.FILE and result.stdout == ""
    sentence, *after = result.stderr.splitlines()
    assert sentence.startswith("visionwire: ") and file in sentence and "should not have happened" not in sentence
    assert [line for line in after if "manual and licensed practice" not in line] == []
    assert not (tmp_path / "a.db").exists()


@pytest.mark.parametrize(
    ("words", "after"),
    [
        ("check a.png --sheet {}", "--sheet"),
        ("check a.png --sheet=", "--sheet"),
        ("check a.png --plan {}", "--plan"),
        ("check {}", "check"),
        ("check a.png {}", "a.png"),
        ("card pocket --out {}", "--out"),
        ("card pocket -o {}", "-o"),
        ("archive {} --ledger a.db", "archive"),
        ("archive a.png --ledger {}", "--ledger"),
        ("archive a.png --ledger a.db --metadata {}", "--metadata"),
        ("trends {}", "trends"),
        *((f"trends a.db --{kind} {{}}", f"--{kind}") for kind in ("html", "csv", "jsonl", "parquet", "sections")),
        ("agreement {}", "agreement"),
        ("plan 0,0 2,0 --hole 0.06 --drawing {}", "--drawing"),
    ],
)
def test_a_word_that_is_empty_is_said_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: str, after: str
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(ROOT / "fixtures" / "pictures" / "demo.jpg", tmp_path / "a.png")
    Ledger(tmp_path / "a.db").close()
    there = sorted(tmp_path.iterdir())
    result = run(*("" if word == "{}" else word for word in words.split()))
    assert result.exit_code == ExitCode.USAGE and result.stdout == ""
    assert (
        result.stderr.startswith(f"visionwire: what stands after {after} is empty") and result.stderr.count("\n") == 1
    )
    assert sorted(tmp_path.iterdir()) == there


@pytest.mark.parametrize("words", ["limits {}", "check a.png --limits {}", "card {}", "check a.png --card {}"])
def test_a_name_that_is_not_known_is_a_word_and_status_2(words: str) -> None:
    result = run(*words.format("nosuch").split())
    assert result.exit_code == ExitCode.USAGE and "'nosuch'" in result.stderr and result.stderr.count("\n") == 1
