"""What the commands print, and how they end."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from command_line import DATA, PAGE, QUICK, Run, program

import quantize as qz
from quantize import cli
from quantize.show import terminal

HEAVY = ["scipy", "pandas", "matplotlib", "emcee", "arviz", "jinja2"]


# ---- what it prints -----------------------------------------------------------------------------


def test_demo_runs_the_main_job_to_coulombs(quantize: Run) -> None:
    short, full = quantize("demo"), quantize("demo", "--full")
    for done in (short, full):
        assert done.status == 0
        assert done.out.count("VERDICT: steps") == 2
        # Phys. Rev. 32:349 (1911), recomputed: 1.637e-19 C, 2.2 % above e.
        assert "1.6374(17) × 10⁻¹⁹ C" in done.out
        assert "+2.2 %" in done.out
        assert "INVENTED" in done.out
        assert "What to try next" in done.out
        assert max(map(len, done.out.splitlines())) <= 80
    assert "ratio, weight given" in full.out
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    shown = readme.partition("```text\n")[2].partition("```")[0]
    assert shown in short.out
    # Each part goes on a screen of 24 lines.
    one, _, two = short.out.partition("2. INVENTED")
    assert max(one.count("\n"), two.count("\n")) <= 24


@pytest.mark.slow
def test_demo_as_json(quantize: Run) -> None:
    found = json.loads(quantize("demo", "--json").out)
    assert found["schema"] == "quantize.cli.demo/1"
    published, invented = found["published"], found["invented"]
    assert published["verdict"] == "steps"
    assert published["integers"] == [4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 16, 17]
    assert published["unit"] == pytest.approx(4.9089, abs=0.002)
    assert invented["coulombs"]["unit"] == "C"
    assert {row["input"] for row in invented["coulombs"]["budget"]} >= {"unit", "fall"}
    assert invented["balance"]["integer"] == 6
    assert invented["checks"]


def test_whole_numbers_that_are_possible(quantize: Run) -> None:
    given = ("analyze", "thirteen_charges.csv", "--integers", "1", "20", *QUICK, "--seed", "7")
    found = json.loads(quantize(*given, "--json").out)
    assert found["settings"]["integers"] == [1, 20]
    assert found["unit_range"]["reason"].endswith("can have a whole number from 1 to 20")
    assert found["verdict"] == "steps"
    full = quantize(*given, "--full").out
    assert "a whole number from 1 to 20 for every reading" in " ".join(full.split())


def test_analyze_needs_no_option_for_one_column(quantize: Run) -> None:
    command = ("analyze", "thirteen_charges.csv", *QUICK, "--seed", "7")
    done = quantize(*command)
    assert done.status == 0
    assert done.err == ""
    assert done.out.startswith(
        "13 readings from thirteen_charges.csv\n"
        "read from column charge [1e-10 esu], 13 of 13 rows\n\n"
        "VERDICT: steps\n"
    )
    assert "4.9089(50)" in done.out
    assert " ".join(done.out.split()).endswith("seed 7")
    assert "seed                  7" in quantize(*command, "--full").out


def test_analyze_as_json_is_only_json(quantize: Run) -> None:
    done = quantize("analyze", "page.csv", *QUICK, "--json", "--seed", "7")
    found = json.loads(done.out)
    assert {
        "schema",
        "verdict",
        "reasons",
        "advice",
        "unit",
        "unit_err",
        "interval_95",
        "p_value",
        "p_values",
        "log_bayes_factor",
        "log_bayes_factors",
        "alternatives",
        "integers",
        "integer_probabilities",
        "estimates",
        "unit_range",
        "settings",
        "seed",
        "readings",
        "versions",
        "file",
    } <= set(found)
    assert found["seed"]["entropy"] == 7
    assert found["integers"] == [4, 5, 6, 7, 8, 9, 10, 11, 12, 13]
    assert quantize("analyze", "page.csv", *QUICK, "--json", "--seed", "7").out == done.out


def test_a_seed_is_drawn_and_printed(quantize: Run) -> None:
    one, other = (
        json.loads(quantize("analyze", "page.csv", *QUICK, "--json").out)["seed"]["entropy"]
        for _ in range(2)
    )
    assert one != other


def test_options_reach_the_analysis(quantize: Run, tmp_path: Path) -> None:
    rows = [f"{'ab'[i % 2]}{i // 2};{v};0,2" for i, v in enumerate(PAGE.split()[1:])]
    text = "state;q;s\n" + "\n".join(rows).replace(".", ",") + "\n"
    (tmp_path / "table.csv").write_text(text)
    done = quantize(
        "analyze",
        "table.csv",
        *("--column", "q", "--sigma-column", "s", "--state-column", "state"),
        *("--unit-range", "2", "12", "--offset", "0", "--resolution", "0.05", "--alpha", "0.01"),
        *("--resamples", "99"),
        "--json",
    )
    found = json.loads(done.out)
    assert found["readings"]["sigma"] == [0.2] * 10
    assert found["readings"]["state"][:3] == ["a0", "b0", "a1"]
    assert found["readings"]["resolution"] == [0.05] * 10
    assert (found["unit_range"]["low"], found["unit_range"]["high"]) == (2, 12)
    assert found["alpha"] == 0.01
    assert found["settings"]["offset"] == "zero"
    known = quantize("analyze", "page.csv", "--sigma", "0.3", *QUICK, "--json")
    assert json.loads(known.out)["readings"]["sigma"] == [0.3] * 10


def test_an_apparatus_leads_to_coulombs_with_budget_and_checks(quantize: Run) -> None:
    command = ("analyze", "invented_run.csv", "--apparatus", "invented_apparatus.toml", *QUICK)
    command += ("--unit-range", "6", "16")
    short, done = quantize(*command), quantize(*command, "--full")
    assert re.search(r"in coulombs +1\.60\d\(11\) × 10⁻¹⁹ C\n", short.out)
    assert short.out.count("\n") <= 20
    assert done.status == 0
    for words in ("In coulombs", "reticle.division", "Was the measurement sound?", "Monte Carlo"):
        assert words in done.out
    assert max(map(len, done.out.splitlines())) <= 80


def test_the_scatter_can_be_predicted_from_the_apparatus(quantize: Run) -> None:
    done = quantize(
        *("analyze", "invented_run.csv", "--apparatus", "invented_apparatus.toml"),
        *("--sigma", "predicted", "--json"),
        *QUICK,
    )
    found = json.loads(done.out)
    assert all(0.2 < sigma < 1.5 for sigma in found["readings"]["sigma"])


def test_a_page_of_divisions_and_an_apparatus(quantize: Run, tmp_path: Path) -> None:
    bench = (tmp_path / "invented_apparatus.toml").read_text()
    (tmp_path / "bench.toml").write_text(f'{bench}\n[fall]\ndivisions = "60.0 +/- 0.2 div"\n')
    done = quantize(
        *("analyze", "page.csv", "--column", "q", "--apparatus", "bench.toml", "--json"), *QUICK
    )
    assert json.loads(done.out)["coulombs"]["unit"] == "C"


def test_convert_gives_every_row(quantize: Run) -> None:
    command = ("convert", "invented_run.csv", "--apparatus", "invented_apparatus.toml")
    text = quantize(*command)
    assert text.status == 0
    assert "by the joint fit of all inputs" in text.out
    assert "Do all inputs agree?" in text.out
    found = json.loads(quantize(*command, "--json").out)
    assert found["schema"] == "quantize.cli.convert/1"
    assert len(found["rows"]) == 46
    falls = [row for row in found["rows"] if row["voltage"] == 0]
    assert falls
    assert all(row["charge"] is None for row in falls)


@pytest.mark.usefixtures("unrendered")
def test_what_the_numbers_are_measured_in_is_said(quantize: Run, tmp_path: Path) -> None:
    command = ("analyze", "page.csv", *QUICK, "--seed", "7", "--unit-name", "1e-19 C")
    assert re.search(r"unit +4\.9\d+\(\d\d\) × 10⁻¹⁹ C", quantize(*command).out)
    found = json.loads(quantize(*command, "--report", "a.html", "--json").out)
    assert found["readings"]["unit_name"] == "1e-19 C"
    plain = json.loads(quantize(*command[:-2], "--json").out)
    assert plain["readings"]["unit_name"] is None
    assert {**found, "readings": 0} == {**plain, "readings": 0}
    assert ")&nbsp;×&nbsp;10⁻¹⁹&nbsp;C</p>" in (tmp_path / "a.html").read_text("utf-8")
    run = ("analyze", "invented_run.csv", "--apparatus", "invented_apparatus.toml")
    assert "a run is in divisions" in quantize(*run, "--unit-name", "mm").err
    assert "--unit-name is '" in quantize("analyze", "page.csv", "--unit-name", " ").err


def test_a_plot_is_written(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "a.svg").write_text("old")
    assert quantize("analyze", "page.csv", *QUICK, "--plot", "a.svg").status == 0
    assert (tmp_path / "a.svg").read_bytes().startswith(b"<?xml")
    assert not list(tmp_path.glob(".*"))


@pytest.mark.slow
def test_a_report_is_written_with_the_run_behind_it(quantize: Run, tmp_path: Path) -> None:
    done = quantize(
        *("analyze", "invented_run.csv", "--apparatus", "invented_apparatus.toml"),
        *("--report", "a.html", "--json"),
        *QUICK,
    )
    assert done.status == 0
    json.loads(done.out)
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    assert "INVENTED DATA" in page
    assert "The budget in coulombs" in page


@pytest.mark.usefixtures("unrendered")
def test_the_report_says_who_hands_it_in(quantize: Run, tmp_path: Path) -> None:
    said = ("--title", "One drop", "--author", "A. B.", "--date", "today", "--note", "Mind this.")
    done = quantize("analyze", "page.csv", *QUICK, *said, "--report", "a.html")
    assert done.status == 0
    assert "--full prints everything, a.html holds it as a page" in done.out
    page = (tmp_path / "a.html").read_text(encoding="utf-8")
    for words in ("<h1>One drop</h1>", "A. B., today", "Mind this.", "from <bdi>page.csv</bdi>"):
        assert words in page
    refused = quantize("analyze", "page.csv", *QUICK, *said)
    assert refused.err == "quantize: --title is for the report page; give --report FILE.\n"


def test_advice_names_the_options_of_the_command_line() -> None:
    said = terminal.in_options("say so (`integers=(1, 9)`), give `sigma`, and mind `neither`")
    assert said == "say so (--integers 1 9), give --sigma, and mind `neither`"
    assert terminal.in_options("column `state` is blank in row 2") == (
        "column `state` is blank in row 2"
    )
    assert terminal.in_options("say `integers=(-10, 10)`") == "say --integers -10 10"


def test_forms_to_fill_in(quantize: Run, tmp_path: Path) -> None:
    for kind in ((), ("--kind", "fall and rise")):
        bench = quantize("convert", "--template", *kind)
        (tmp_path / "bench.toml").write_text(bench.out, encoding="utf-8")
        done = quantize("convert", "invented_run.csv", "--apparatus", "bench.toml")
        assert done.status == 2
        assert done.err.startswith("quantize: --apparatus (bench.toml) is not filled in: write ")
        page = quantize("convert", "--blank-page", *kind)
        assert "particle" in page.out
        assert max(map(len, page.out.splitlines())) <= 80
    assert "t_rise (s)" in page.out
    both = json.loads(quantize("convert", "--template", "--blank-page", "--json").out)
    assert set(both) == {"schema", "template", "blank_page"}
    assert "--kind is 'oil'; it must be" in quantize("convert", "--template", "--kind", "oil").err


def test_repeats_become_a_line_of_the_apparatus_file(quantize: Run, tmp_path: Path) -> None:
    rows = "no,stage (mm),start,end,keep\n1,1.0,3,43,\n2,1.0,20,60,\n3,0.8,8,40,\n4,0.8,8,44,no\n"
    (tmp_path / "stage.csv").write_text(rows, encoding="utf-8")
    found = quantize("convert", "stage.csv", "--kind", "reticle")
    assert '[reticle]\ndivision = "25.00 +/- 0.16 um dof=2"' in found.out
    assert "--certificate says" in found.out
    (tmp_path / "v.csv").write_text("V\n227.1\n227.9\n226.8\n227.4\n", encoding="utf-8")
    options = ("--certificate", "230.0 +/- 0.5 V limit", "--json")
    known = json.loads(quantize("convert", "v.csv", "--kind", "balance", *options).out)
    assert known["entry"] == 'voltage = "227.30 +/- 0.37 V dof=19"'
    assert known["schema"] == "quantize.cli.convert.repeats/1"
    assert "--kind is 'oil'" in quantize("convert", "v.csv", "--kind", "oil").err
    wrong = quantize("convert", "v.csv", "--kind", "balance", "--certificate", "3 mm")
    assert "--certificate is '3 mm', which is a length" in wrong.err


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("run.csv", "--apparatus", "b.toml", "--certificate", "1 V"), "give --kind as well"),
        (("v.csv", "--kind", "balance", "--route", "weight"), "--route has no part in what"),
        (("--template", "--apparatus", "b.toml"), "--apparatus has no part in a form"),
        (("v.csv", "--blank-page"), "FILE has no part in a form"),
        (
            ("v.csv", "--apparatus", str(DATA / "invented_apparatus.toml"), "--route", "drag"),
            "--route is for the rows of a run",
        ),
    ],
)
def test_options_of_convert_without_a_part_in_it_are_refused(
    given: tuple[str, ...], said: str, quantize: Run, tmp_path: Path
) -> None:
    (tmp_path / "v.csv").write_text("state,V\n1,401.0\n2,301.0\n3,200.7\n", encoding="utf-8")
    refused = quantize("convert", *given)
    assert refused.status == 2
    assert said in refused.err


@pytest.mark.parametrize(("again", "known"), [("2,301.0", False), ("1,402.1", True)])
def test_a_scatter_of_settings_that_is_not_known_is_no_column_of_nan(
    again: str, known: bool, quantize: Run, tmp_path: Path
) -> None:
    (tmp_path / "v.csv").write_text(f"state,V\n1,401.0\n{again}\n3,200.7\n", encoding="utf-8")
    done = quantize("convert", "v.csv", "--apparatus", str(DATA / "invented_apparatus.toml"))
    assert done.status == 0, done.err
    assert "nan" not in done.out
    assert ("set the balance of one state again" in " ".join(done.out.split())) is not known


# ---- how it ends --------------------------------------------------------------------------------


def test_warnings_are_notes(quantize: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    from quantize._support import errors

    def warns(*_: Any, **__: Any) -> None:
        errors.warn("first line\nsecond \x1b[31mline")
        raise qz.InputError("`unit_range` is odd; mend it.")

    monkeypatch.setattr(qz, "read_readings", warns)
    done = quantize("analyze", "page.csv")
    assert done.err.splitlines() == [
        "note: first line second [31mline",
        "quantize: --unit-range is odd; mend it.",
    ]


def test_bad_input_is_filled_on_a_terminal(quantize: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same words as in a pipe, where they stand in one line."""
    plain = quantize("analyze", "invented_run.csv")
    assert plain.err.count("\n") == 1
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    filled = quantize("analyze", "invented_run.csv")
    lines = filled.err.splitlines()
    assert len(lines) == 4
    assert max(map(len, lines)) < 80
    assert lines[1].startswith(" " * len("quantize: "))
    assert filled.err.split() == plain.err.split()


def test_a_missing_package_is_one_line(
    quantize: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pd.DataFrame({"q": [3.1, 6.0, 9.2]}).to_parquet(tmp_path / "a.parquet")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    done = quantize("analyze", "a.parquet")
    assert (done.status, done.out) == (2, "")
    assert done.err == (
        "quantize: Reading parquet files needs the package pyarrow, which is not installed; "
        f"install it with: {shlex.quote(sys.executable)} -m pip install pyarrow\n"
    )


def test_an_interrupt_is_no_traceback(quantize: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(qz, "read_readings", stop)
    done = quantize("analyze", "page.csv")
    assert done.status == 130
    assert done.err.splitlines()[-1] == "quantize: interrupted"


@pytest.mark.parametrize(
    ("command", "function", "said"),
    [
        (
            ("analyze", "many.csv", "--by", "a", "--checkpoint", "done.jsonl"),
            "quantize.groups.analyze.analyze_groups",
            "; finished work is in done.jsonl: the same command goes on from there",
        ),
        (
            ("compare", "--checkpoint=c.jsonl"),
            "quantize.compare_estimators",
            "; finished work is in c.jsonl: the same command goes on from there",
        ),
        (
            ("compare",),
            "quantize.compare_estimators",
            "; with --checkpoint FILE the same command would go on from finished work",
        ),
    ],
)
def test_an_interrupt_says_where_finished_work_is(
    command: tuple[str, ...],
    function: str,
    said: str,
    quantize: Run,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    def stop(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    (tmp_path / "many.csv").write_text("a,q\nx,1.5\nx,2.5\n")
    monkeypatch.setattr(function, stop)
    done = quantize(*command)
    assert done.status == 130
    assert done.err.splitlines()[-1] == f"quantize: interrupted{said}"


def test_without_a_terminal_a_line_now_and_then_says_how_far_it_is(
    quantize: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(terminal, "_SILENCE", 0.0)
    grid = ("--readings", "5,6", "--sigma", "0.1", "--replicates", "50")
    done = quantize("compare", *grid, "--estimator", "cosine score", "--seed", "1")
    assert done.status == 0
    lines = done.err.splitlines()
    assert lines
    for line in lines:
        assert re.fullmatch(r"quantize: \d+ of 100 after \d+\.\d min", line)


def test_what_is_said_of_the_readings_names_the_file(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "two.csv").write_text("q\n1.5\n2.5\n")
    done = quantize("analyze", "two.csv")
    assert done.err == "quantize: FILE has 2 readings; at least 3 are needed to look for steps.\n"
    assert quantize("plan", "--readings", "x").err.startswith("quantize: --readings is 'x'")


def test_an_error_of_the_system_is_one_line(quantize: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device", "page.csv")

    monkeypatch.setattr(qz, "read_readings", full)
    done = quantize("analyze", "page.csv")
    assert done.status == 2
    assert done.err == "quantize: page.csv: No space left on device\n"


def test_the_bare_command_shows_what_there_is(quantize: Run) -> None:
    done = quantize()
    for command in ("analyze", "convert", "demo"):
        assert command in done.out + done.err
    assert quantize("--help").status == 0


# ---- in a process of its own --------------------------------------------------------------------


def test_version_and_help_load_nothing_heavy() -> None:
    code = (
        "import sys\nfrom quantize.cli import main\n"
        "for words in (['--version'], ['--help'], ['analyze', '--help']):\n"
        "    try: main(words, prog_name='quantize')\n"
        "    except SystemExit as end: assert not end.code\n"
        f"print([m for m in {HEAVY!r} if m in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[0] == f"quantize {qz.__version__}"
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.slow
def test_the_program_in_its_own_process(tmp_path: Path) -> None:
    page = tmp_path / "página $x^2$ <b>.csv"
    page.write_text(PAGE)
    done = program("analyze", str(page), "--full", *QUICK, PYTHONIOENCODING="utf-8")
    assert done.returncode == 0
    assert done.stderr == b""
    assert "±" in done.stdout.decode("utf-8")


@pytest.mark.slow
def test_a_terminal_without_unicode_gets_ascii(tmp_path: Path) -> None:
    page = tmp_path / "página.csv"
    page.write_text(PAGE)
    given = ("--full", "--unit-name", "1e-19 C", *QUICK)
    done = program("analyze", str(page), *given, PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert done.returncode == 0
    assert b"+/-" in done.stdout
    assert b") x 10^-19 C" in done.stdout
    assert done.stdout.isascii()
    failed = program("analyze", str(page) + "x", PYTHONIOENCODING="ascii", PYTHONUTF8="0")
    assert failed.returncode == 2
    assert failed.stderr.isascii()
    assert failed.stderr.count(b"\n") == 1


@pytest.mark.slow
def test_an_unwritable_home_stops_nothing(tmp_path: Path) -> None:
    page, home = tmp_path / "page.csv", tmp_path / "home"
    page.write_text(PAGE)
    home.write_text("a file where a folder belongs")
    nowhere = {
        name: str(home)
        for name in ("HOME", "USERPROFILE", "XDG_CACHE_HOME", "XDG_CONFIG_HOME", "MPLCONFIGDIR")
    }
    done = program(
        *("analyze", str(page), "--plot", str(tmp_path / "a.png"), "--json"),
        *QUICK,
        TMPDIR=str(tmp_path),
        **nowhere,
    )
    assert done.returncode == 0
    assert done.stderr == b""
    assert (tmp_path / "a.png").exists()


def test_the_documentation_names_every_option_and_no_other() -> None:
    page = (Path(__file__).parents[2] / "docs" / "howto" / "command_line.md").read_text("utf-8")
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", page))
    there = {
        option
        for command in cli.main.commands.values()
        for parameter in command.params
        for option in parameter.opts
        if option.startswith("--")
    }
    assert named == there


def test_the_package_is_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-P", "-m", "quantize", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split()[-1] == qz.__version__
