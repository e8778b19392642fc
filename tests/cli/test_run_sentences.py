"""What the commands say about a run: one number everywhere, and nothing more than was found."""

from __future__ import annotations

import json
import re
import warnings
from pathlib import Path
from typing import Any

import pytest
from command_line import QUICK, Run
from plain_bench import Bench, simulate, written

import quantize as qz
from quantize import charge

SEED = ("--seed", "1")
RANGE = ("--unit-range", "6", "16")
"""The unit of the usual bench is ten divisions."""
WORDS = pytest.mark.usefixtures("unrendered")


def put(folder: Path, page: dict[str, list[Any]], apparatus: dict[str, Any]) -> tuple[str, ...]:
    """Write a run and its bench; the arguments that name them."""
    rows, bench = written(page, apparatus)
    (folder / "run.csv").write_text(rows, encoding="utf-8")
    (folder / "bench.toml").write_text(bench, encoding="utf-8")
    return ("run.csv", "--apparatus", "bench.toml")


def flat(text: str) -> str:
    """Text without its line breaks."""
    return " ".join(text.split())


def page_of(path: Path) -> str:
    """What a page says: its spaces are spaces, and code stands in backticks."""
    return re.sub("</?code>", "`", path.read_text(encoding="utf-8").replace("&nbsp;", " "))


# ---- one number ---------------------------------------------------------------------------------


@pytest.mark.slow
@WORDS
def test_unit_error_interval_and_integers_are_those_of_the_fit(
    quantize: Run, tmp_path: Path
) -> None:
    page, apparatus, _ = simulate(Bench(falls=3), 2)
    names = put(tmp_path, page, apparatus)
    fit = charge.read_run("run.csv", "bench.toml").fit((6, 16))
    found = json.loads(quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--json").out)
    text = quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--report", "a.html", "--full").out
    report = page_of(tmp_path / "a.html")
    assert found["unit"] == fit.unit
    assert found["unit_err"] == fit.unit_err
    assert found["interval_95"] == fit.interval(0.95).tolist()
    assert found["integers"] == fit.integers.tolist()
    assert found["alternatives"][0]["unit_err"] == fit.unit_err
    assert found["estimates"]["mixture over integers"]["unit_err"] == fit.unit_err
    assert found["coulombs"]["value"] == charge.read_run("run.csv", "bench.toml").unit_in_coulombs(
        fit
    ).value  # fmt: skip
    # Three falls: their error is most of it.
    assert fit.unit_err > 1.5 * fit.unit_err_given_fall
    stated = re.search(r"size +(\S+ ± \S+) divisions, in short (\S+) divisions", text)
    assert stated is not None
    unit, error = map(float, stated[1].split(" ± "))
    assert unit == pytest.approx(fit.unit, abs=0.1 * fit.unit_err)
    assert error == pytest.approx(fit.unit_err, rel=0.06)
    assert stated[2] in text[text.index("Three ways") :]
    assert f"{stated[1]} divisions" in report
    assert stated[2] in report
    low, high = re.search(r"95 % set +(\S+) to (\S+)", text).groups()  # type: ignore[union-attr]
    assert f"The 95 % set: {low} to {high}" in report


@pytest.mark.slow
@WORDS
def test_a_plain_analysis_with_its_run_reports_the_same(tmp_path: Path) -> None:
    page, apparatus, _ = simulate(Bench(falls=3), 2)
    run = charge.Run(page, apparatus)
    unit_range = (6, 16)
    fit = run.fit(unit_range)
    plain = qz.analyze(
        run.readings(),
        unit_range,
        offset=run.offset,
        sigma_range=run.sigma_range(),
        n_resamples=49,
        rng=1,
    )
    # The error of the fall goes with the readings.
    assert (plain.unit, plain.unit_err) == (fit.unit, fit.unit_err)
    exact = qz.fit_mixture(
        plain.readings.replace(shift=None), unit_range, sigma_range=run.sigma_range()
    )
    assert exact.unit_err < 0.8 * fit.unit_err
    path = plain.report(tmp_path / "a.html", run=run)
    from quantize.show.numbers import plus_minus
    from quantize.show.run import record

    assert plus_minus(fit.unit, fit.unit_err) in page_of(path)
    kept = record(plain, "run.csv", run)
    assert (kept["unit"], kept["unit_err"]) == pytest.approx((fit.unit, fit.unit_err))


@pytest.mark.slow
def test_the_interval_that_is_printed_holds() -> None:
    # That of the fit is printed, as stands above. Of 12 benches with three falls fewer than 8
    # intervals of 0.95 hold once in 5,000 (binomial).
    # With the fall taken for exact, 0.42 of 100 held.
    held = 0
    for seed in range(12):
        page, apparatus, truth = simulate(Bench(falls=3), 1000 + seed)
        unit_range = (0.5 * truth["unit"], 2 * truth["unit"])
        with warnings.catch_warnings():
            # Weight and diameter of some benches are two standard deviations apart.
            warnings.simplefilter("ignore", qz.QuantizeWarning)
            found = charge.Run(page, apparatus).fit(unit_range)
        held += any(low <= truth["unit"] <= high for low, high in found.interval(0.95))
    assert held >= 8


# ---- routes -------------------------------------------------------------------------------------


@pytest.mark.slow
@WORDS
def test_a_wrong_scale_is_a_check_with_its_reason(quantize: Run, tmp_path: Path) -> None:
    names = put(tmp_path, *simulate(Bench(scale_stated=1.1), 1)[:2])
    done = quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--report", "a.html", "--full")
    text = flat(done.out)
    assert "BAD all inputs agree on one sphere" in text
    assert "degrees of freedom (p = " in text
    assert "the length of one scale division" in text
    assert "the likeliest to be wrong is the length of one scale division, by 1" in text
    assert "by the joint fit of all inputs" in text
    assert max(map(len, done.out.splitlines())) <= 80
    report = flat(page_of(tmp_path / "a.html"))
    for words in ("What all inputs say of each", "Do all inputs agree?", "agree on one sphere"):
        assert words in report
    found = json.loads(quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--json").out)
    told = found["coulombs"]["bench"]["agreement"]
    assert told["level"] == "bad"
    assert told["degrees_of_freedom"] == 2
    assert told["p_value"] < 1e-4
    assert told["left_out"] == told["suspects"][0]["input"] == "reticle.division"
    assert found["coulombs"]["route"] == "joint fit"
    check = next(c for c in found["checks"] if c["name"] == "all inputs agree on one sphere")
    assert (check["level"], check["number"]) == ("bad", told["chi_square"])
    converted = quantize("convert", *names)
    assert "by the joint fit of all inputs" in converted.out
    assert "Do all inputs agree?" in converted.out


# ---- what is not settled ------------------------------------------------------------------------


@pytest.mark.slow
@WORDS
def test_coulombs_are_conditional_where_steps_are_not_settled(
    quantize: Run, tmp_path: Path
) -> None:
    page, apparatus, _ = simulate(Bench(), 1)
    row = [i for i, volts in enumerate(page["V"]) if volts][7]
    page["divisions"][row] *= -1
    names = put(tmp_path, page, apparatus)
    done = quantize(
        "analyze", *names, *QUICK, *SEED, *RANGE, "--as-written", "--report", "a.html", "--full"
    )
    text = flat(done.out)
    assert "VERDICT: cannot tell" in text
    assert "In coulombs, if there were steps If there were steps, the unit would be" in text
    assert "this is no measured charge." in text
    # Nowhere does the text say that the unit is so many coulombs.
    assert "unit = " not in text
    assert "If there were steps: it agrees" in text or "If there were steps: no" in text
    report = flat(re.sub(r"<[^>]*>", " ", page_of(tmp_path / "a.html")))
    assert "If there were steps, the unit would be" in report
    assert "The budget in coulombs, if there were steps" in report
    worked = report.partition("One row worked by hand")[2]
    assert re.search(r"and the unit would, if there were steps, be \d", worked)
    found = json.loads(
        quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--as-written", "--json").out
    )
    assert found["conditional"] is True
    assert found["coulombs"]["conditional"] is True
    clean = put(tmp_path, *simulate(Bench(), 1)[:2])
    settled = json.loads(quantize("analyze", *clean, *QUICK, *SEED, *RANGE, "--json").out)
    assert settled["conditional"] is settled["coulombs"]["conditional"] is False


@pytest.mark.slow
def test_without_steps_there_are_no_coulombs(quantize: Run, tmp_path: Path) -> None:
    # Sizes anywhere, as precise as those of the usual bench.
    sizes = (2.31, 3.87, 4.44, 8.22, 5.71, 6.05, 2.9, 7.13, 3.4, 8.85, 4.95, 6.62)
    bench = Bench(states=tuple((size, 4) for size in sizes), falls=12)
    names = put(tmp_path, *simulate(bench, 1)[:2])
    options = (*QUICK, *SEED, "--sigma", "predicted", "--unit-range", "6", "20")
    text = flat(quantize("analyze", *names, *options, "--full").out)
    assert "VERDICT: no steps" in text
    assert "every size of the fall, and every steady change of it, that the falls allow" in text
    assert "In coulombs Not stated: without steps there is no unit to convert." in text
    assert "Not asked: without steps there is no unit to count the balance charge in." in text
    found = json.loads(quantize("analyze", *names, *options, "--json").out)
    assert found["coulombs"] is None
    assert found["balance"]["sentence"].startswith("Not asked")
    # With two falls nobody knows whether the fall changed meanwhile.
    few = put(tmp_path, *simulate(Bench(states=bench.states, falls=2), 1)[:2])
    text = flat(quantize("analyze", *few, *options, "--full").out)
    assert "VERDICT: cannot tell" in text
    assert "fewer than three falls without field are in the run, so that a change of it" in text


@pytest.mark.slow
def test_no_steps_is_not_said_of_a_drop_whose_fall_changes(quantize: Run, tmp_path: Path) -> None:
    # A large drop timed over a fixed distance, which loses 0.6 % of its weight in 28 rows. Its
    # readings are so sharp that with a steady fall every unit is excluded, the true one included.
    states = tuple((n, 1) for n in (22, 25, 24, 23, 20, 27, 21, 26, 23, 25, 22, 24, 28, 21))
    drop = Bench(
        diameter=5.5e-6,
        diameter_known=0.01,
        density=920,
        separation=16e-3,
        division=1e-3,
        gate=10.22,
        press=0.02,
        held=18,
        imbalance=0,
        states=states,
        falls=14,
        evaporated=0.006,
    )
    page, apparatus, truth = simulate(drop, 3)
    names = put(tmp_path, page, apparatus)
    options = ("--sigma", "predicted", "--unit-range", "0.6", "1.2")
    found = json.loads(quantize("analyze", *names, *QUICK, *SEED, *options, "--json").out)
    assert found["verdict"] == "steps"
    assert found["integers"] == truth["units"]
    assert found["log_bayes_factor"] > 0
    assert any("the fall is taken as a straight line" in r.lower() for r in found["reasons"])
    assert any("would have excluded steps" in r for r in found["reasons"])


# ---- what is missing ----------------------------------------------------------------------------


@pytest.mark.slow
@WORDS
def test_a_missing_entry_leaves_the_verdict(quantize: Run, tmp_path: Path) -> None:
    page, apparatus, _ = simulate(Bench(), 1)
    del apparatus["sphere"]
    names = put(tmp_path, page, apparatus)
    done = quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--report", "a.html", "--full")
    assert done.status == 0
    text = flat(done.out)
    assert "VERDICT: steps" in text
    assert text.count("`sphere.weight` (effective weight of a sphere) is missing from the") == 1
    assert "In coulombs Not stated: `sphere.weight`" in text
    assert "It agrees with a whole number, 6 units" in text
    found = json.loads(quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--json").out)
    assert found["coulombs"] is None
    assert "`sphere.weight`" in found["missing"]
    report = page_of(tmp_path / "a.html")
    assert "In coulombs it is not stated: `sphere.weight`" in report
    column = ("run.csv", "--column", "divisions", "--apparatus", "bench.toml", "--full")
    text = flat(quantize("analyze", *column, *QUICK, *SEED, *RANGE).out)
    assert "VERDICT" in text
    assert "In coulombs Not stated: `sphere.weight`" in text


def test_a_run_without_a_fall_is_converted_in_no_way_and_told_so(
    quantize: Run, tmp_path: Path
) -> None:
    page, apparatus, _ = simulate(Bench(falls=0), 1)
    names = put(tmp_path, page, apparatus)
    done = quantize("convert", *names)
    assert done.status == 2
    assert done.err.startswith("quantize: `run` (run.csv) has no fall without field, and a row is")
    assert done.err.count("\n") == 1
    # The unit needs none by drag, and the analysis says what cannot be determined.
    text = flat(quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--full").out)
    assert (
        "It cannot be determined: the balance charge is the fall without field over the unit"
        in text
    )
    assert "by the joint fit of all inputs" in text
    assert "drag, diameter known" in text
    apparatus["fall"] = {"speed": "1.5e-4 +/- 0.01e-4 m/s"}
    done = quantize("convert", *put(tmp_path, page, apparatus), "--route", "drag, diameter known")
    assert done.status == 0


# ---- the balance charge -------------------------------------------------------------------------


@pytest.mark.slow
@WORDS
def test_the_balance_charge_is_answered_everywhere(quantize: Run, tmp_path: Path) -> None:
    names = put(tmp_path, *simulate(Bench(), 1)[:2])
    found = json.loads(quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--json").out)
    text = quantize("analyze", *names, *QUICK, *SEED, *RANGE, "--report", "a.html", "--full").out
    balance = found["balance"]
    assert balance["integer"] == 6
    assert balance["units"] == pytest.approx(6, abs=3 * balance["standard_uncertainty"])
    sentence = balance["sentence"]
    # What was computed, of what, and against what.
    for words in ("a whole number, 6 units", "Divisions fallen in one interval", "over the unit"):
        assert words in sentence
    assert f"Was the balance charge a whole number too? {sentence}" in flat(text)
    assert sentence in page_of(tmp_path / "a.html")
    assert "agrees with a whole number" in charge.read_run("run.csv", "bench.toml").analyze(
        (6, 16), n_resamples=49, rng=1
    )._repr_html_()  # fmt: skip
    poor = put(tmp_path, *simulate(Bench(imbalance=4.0), 1)[:2])
    found = json.loads(quantize("analyze", *poor, *QUICK, *SEED, *RANGE, "--json").out)
    assert found["balance"]["sentence"].startswith("No: it is -0.")


# ---- a run taken for a table --------------------------------------------------------------------


def test_a_column_of_a_run_is_analyzed_with_a_word_of_warning(
    quantize: Run, tmp_path: Path
) -> None:
    names = put(tmp_path, *simulate(Bench(), 1)[:2])
    done = quantize("analyze", "run.csv", "--column", "divisions", *QUICK, *SEED)
    assert done.status == 0
    assert done.out.startswith("40 readings from run.csv")
    assert max(map(len, done.err.splitlines())) < 80
    assert all(line.startswith("      ") for line in done.err.splitlines()[1:])
    assert " ".join(done.err.split()).startswith(
        "note: the table looks like a run, 8 rows of 'V' at zero volts; column 'divisions' is "
        "analyzed as it stands. To have it read as a run, give --apparatus FILE (quantize convert "
    )
    assert len(done.err.splitlines()) == 3
    both = quantize("analyze", *names, "--column", "divisions", *QUICK, *SEED)
    assert "To have it read as a run, leave the name of the column out." in " ".join(
        both.err.split()
    )
    assert both.out.startswith("40 readings from run.csv")
    assert quantize("analyze", "page.csv", *QUICK, *SEED).err == ""
    (tmp_path / "off.csv").write_text("U / V;div\n200;5\n200;9\noff;-60\n200;-4\n")
    done = quantize("analyze", "off.csv", "--column", "div", *QUICK, *SEED)
    assert "a run, 1 row of 'U / V' at zero volts; column 'div' is" in " ".join(done.err.split())
    (tmp_path / "still.csv").write_text("V,div\n200,5\n200,9\n200,-60\n200,-4\n")
    done = quantize("analyze", "still.csv", "--column", "div", *QUICK, *SEED)
    assert "looks like a run" not in done.err
