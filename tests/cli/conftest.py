"""The program, ready to run."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_line import DATA, PAGE, Done, Run

from quantize import cli


@pytest.fixture
def quantize(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
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
        return Done(int(ended.value.code or 0), captured.out, captured.err)

    return run
