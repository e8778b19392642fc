"""The program, ready to run; whatever it prints as JSON is held against its schema."""

from __future__ import annotations

import importlib.util
import json
import pickle
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from command_line import DATA, PAGE, Done, Run

import quantize as qz
from quantize import cli
from quantize.charge import run_analysis

SCHEMA = Path(__file__).parents[2] / "docs" / "_static" / "results.schema.json"


@pytest.fixture(scope="session")
def wrong() -> Callable[[str], list[str]]:
    """What a JSON text has that its schema does not allow."""
    if importlib.util.find_spec("jsonschema") is None:
        # Not installed: tests/promise/test_json_schema.py says so.
        return lambda text: []
    import jsonschema

    known = jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text(encoding="utf-8")))
    return lambda text: [error.message for error in known.iter_errors(json.loads(text))]


@pytest.fixture
def quantize(
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    wrong: Callable[[str], list[str]],
) -> Run:
    """Run the program in an empty folder, inside this process."""
    monkeypatch.chdir(tmp_path)
    for name in ("invented_run.csv", "invented_apparatus.toml", "thirteen_charges.csv"):
        (tmp_path / name).write_bytes((DATA / name).read_bytes())
    (tmp_path / "page.csv").write_text(PAGE)

    def run(*arguments: str) -> Done:
        with pytest.raises(SystemExit) as ended:
            cli.main([str(argument) for argument in arguments], prog_name="quantize")
        captured = capsys.readouterr()
        if "--json" in arguments and not ended.value.code:
            assert wrong(captured.out) == []
        return Done(int(ended.value.code or 0), captured.out, captured.err)

    return run


@pytest.fixture(scope="session")
def answers() -> dict[bytes, tuple[Any, list[warnings.WarningMessage]]]:
    """What was analysed so far."""
    return {}


@pytest.fixture(autouse=True)
def analysed_once(
    answers: dict[bytes, tuple[Any, list[warnings.WarningMessage]]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same data asked in the same way are analysed once: these tests are of what is shown.

    One that warns does so each time; one with something in it that is no data is made again.
    """

    def once(function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*given: Any, **options: Any) -> Any:
            try:
                key = pickle.dumps((function.__qualname__, given, options))
            except (pickle.PicklingError, AttributeError, TypeError):
                return function(*given, **options)
            if key not in answers:
                with warnings.catch_warnings(record=True) as told:
                    found = function(*given, **options)
                answers[key] = found, told
            found, told = answers[key]
            for each in told:
                warnings.warn_explicit(each.message, None, each.filename, each.lineno)
            return found

        return call

    monkeypatch.setattr(qz, "analyze", once(qz.analyze))
    monkeypatch.setattr(run_analysis, "analyze_run", once(run_analysis.analyze_run))
