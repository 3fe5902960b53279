"""The worksheet of visionwire/plan/README.md, solved by hand: the command must come to the same."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from visionwire.cli import app
from visionwire.errors import ExitCode

README = Path(__file__).parents[3] / "visionwire" / "plan" / "README.md"
ROWS = re.findall(r"^\| ([0-9][^|]*--hole[^|]*) \| ([^|]*) \| [^|]* \|$", README.read_text(encoding="utf-8"), re.M)


def test_there_are_twenty() -> None:
    assert len(ROWS) == 20


@pytest.mark.parametrize(("words", "answer"), ROWS)
def test_the_command_agrees_with_the_hand(words: str, answer: str) -> None:
    result = CliRunner().invoke(app, ["plan", *words.split(), "--json"])
    if answer.startswith("refused: "):
        assert result.exit_code == ExitCode.USAGE
        assert answer.removeprefix("refused: ") in result.stderr
        return
    plan = json.loads(result.stdout)
    method, wire, *rest = answer.replace(",", "").split()
    assert (plan["method"], plan["wire_in"]) == (method, float(wire))
    assert len(plan["series"]) == int(rest[0])
    twists = [span["twists_to_aim_at"] for series in plan["series"] for span in series["spans"]]
    assert [count for count in twists if count is not None] == [int(word) for word in rest[2:-1]]
