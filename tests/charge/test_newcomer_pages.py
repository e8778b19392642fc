"""Pages as newcomers write them: read rightly, or refused with the place and the remedy."""

from __future__ import annotations

from pathlib import Path

import pytest

from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.run_file import holds_balances

ROWS = [("A", 219, -30.2), ("A", 219, -29.6), ("A", 0, -60.1), ("B", 219, 10.4), ("B", 219, 9.9)]
PLAIN = [f"{state},{volts},{moved},10" for state, volts, moved in ROWS]


def written(folder: Path, header: str, rows: list[str]) -> charge.Run:
    file = folder / "page.csv"
    file.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return charge.Run(file)


def comma(number: float) -> str:
    return f"{number:g}".replace(".", ",").replace("-", "−")


@pytest.mark.parametrize(
    ("header", "rows"),
    [
        ("state,V,div,t (s)", PLAIN),
        (
            "state;U in kV;moved (div);t, s",
            [f"{s};{comma(v / 1000)};{comma(d)};10,0" for s, v, d in ROWS],
        ),
        (
            "# a student\n\nstate\tU [V, ±1]\tdiv (down +)\ttime in min",
            [f"{s}\t{v} V\t{-d}\t{1 / 6:.10f}\n# seen again" for s, v, d in ROWS],
        ),
        (
            "state,V (volts),moved up/down,t (s)",
            [f"{s},{v or 'off'},{abs(d)} {'up' if d > 0 else 'down'},10 s" for s, v, d in ROWS],
        ),
        (
            "sep=;\nstate;V;polarity;div;T;t",
            [f"{s};{v};{'+' if v else ''};{d};21.5;10" for s, v, d in ROWS],
        ),
        (
            "state,V,div,t,discard",
            [*(f"{line}," for line in PLAIN), "B,219,-9.8,10,x"],
        ),
        ("state,V,div down in 10 s,remarks", [f"{s},{v},{-d}" for s, v, d in ROWS]),
        (
            "state,V,div,t,keep",
            [*(f"{line},yes" for line in PLAIN), "mean,219,-9.8,10,no"],
        ),
    ],
)
def test_what_can_be_read_is_read_alike(header: str, rows: list[str], tmp_path: Path) -> None:
    table = written(tmp_path, header, rows).table
    table = table[table["kept"]]
    assert table["state"].tolist() == [state for state, _, _ in ROWS]
    assert table["voltage"].to_numpy() == pytest.approx([volts for _, volts, _ in ROWS])
    assert table["divisions"].to_numpy() == pytest.approx([moved for _, _, moved in ROWS])
    assert table["seconds"].to_numpy() == pytest.approx(10)


@pytest.mark.parametrize(
    ("header", "rows", "said"),
    [
        # The mean was a reading; a total was to be declared a fall.
        (
            "state,V,div,t",
            [*PLAIN, "mean,219,-9.8,10"],
            r"row 6 \(line 7 of page\.csv\) is called 'mean'; leave out what is computed",
        ),
        (
            "state,V,div,t",
            [*PLAIN, "Total:,,-99.6,50"],
            r"row 6 \(line 7 of page\.csv\) is called 'Total:'; leave out what is computed",
        ),
        (
            "state,V,div,t",
            [",volts,divisions,(s)", *PLAIN],
            r"row 1 \(line 2 of page\.csv\) holds the units volts, divisions, \(s\); write them in",
        ),
        (
            "state,V,div,t",
            ["(-),(V),(div),(s)", *PLAIN],
            r"row 1 \(line 2 of page\.csv\) holds the units \(V\), \(div\), \(s\); write them in",
        ),
        (
            "state,V,div,t",
            [*PLAIN, "B,0.2,-60.3,10"],
            r"`voltage` is 0\.2 in row 6 \(line 7 of page\.csv\), less than a hundredth of",
        ),
        (
            "Monday,,,\nstate,V,div,t",
            PLAIN,
            "two columns called ''; begin what stands above the col",
        ),
        (
            "state,V,div,T",
            PLAIN,
            r"the column 'T' may be times or temperatures; call it t \(s\) or",
        ),
        (
            "state,V,polarity,div,t",
            ["A,219,+,-30.2,10", "A,-219,+,-30.2,10"],
            r"`voltage` is -219 in row 2 \(line 3 of page\.csv\), of polarity '\+'",
        ),
        (
            "state,V,div,t",
            [*PLAIN, "", "read by A. B.,,,"],
            r"row 6 \(line 8 of page\.csv\) holds nothing but 'read by A. B.'; fill it, or begin",
        ),
        (
            "no,state,V,div,t",
            [*(f"{no},{line}" for no, line in enumerate(PLAIN)), "sphere B,,,,"],
            r"row 6 \(line 7 of page\.csv\) holds nothing but 'sphere B'; fill it, or begin",
        ),
        (
            "state,V,div,t",
            ["A,219,-30.2 ± 0.5,10", *PLAIN],
            r"'-30.2 ± 0.5' in row 1 \(line 2 of page\.csv\), .*; write the number alone",
        ),
        (
            "state,V,div,t",
            ["A,0.219 kV,-30.2,10", *PLAIN],
            r"'0.219 kV' in row 1 \(line 2 of page\.csv\); put its unit into the header",
        ),
        (
            "state,V in kV,div,t",
            ["A,0.219,-30.2,10", "A,219 V,-30.2,10"],
            r"'219 V' in row 2 \(line 3 of page\.csv\), and its header has another unit",
        ),
        (
            "Student: X\nstate,V,div,t",
            PLAIN,
            "4 fields in line 2 and 1 in line 1, .*begin what stands above the column names with #",
        ),
        (
            "state,V,div,t",
            [line.removesuffix("10") + "0:10" for line in PLAIN],
            r"'0:10' in row 1 \(line 2 of page\.csv\), .*; write the time in seconds",
        ),
        (
            "state,V,Weg (div),t",
            PLAIN,
            r"the column 'Weg \(div\)' has the unit of divisions and a name that is not understood",
        ),
    ],
)
def test_what_cannot_be_read_is_refused_with_place_and_remedy(
    header: str, rows: list[str], said: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=said):
        written(tmp_path, header, rows)


def test_a_label_alone_in_a_row_is_that_of_the_particle_of_the_rows_below(tmp_path: Path) -> None:
    rows = ["one,,,,", *(f",{line}" for line in PLAIN), "two,,,,", *(f",{line}" for line in PLAIN)]
    run = written(tmp_path, "sphere,state,V,div,t", rows)
    assert run.table["particle"].tolist() == ["one"] * 5 + ["two"] * 5
    assert "'two' stands alone in a row, and is taken for those below" in run.remarks
    spheres = {
        "sphere": ["one", "", "two", ""],
        "state": ["", "1", "", "1"],
        "V": ["", 400, "", 90],
    }
    assert charge.BalanceVoltages(spheres, particle="two").volts.tolist() == [90]


@pytest.mark.parametrize(
    ("header", "bench", "said"),
    [
        (
            "state,p.d. (V),div,t",
            {"plates": {"voltage": "219 V"}},
            r"'p\.d\. \(V\)' has the unit of v",
        ),
        (
            "state,V,div,Δt (s)",
            {"run": {"interval": "10 s"}},
            r"'Δt \(s\)' has the unit of seconds",
        ),
        (
            "state,V,path (div),t",
            {"run": {"distance": "9 div"}},
            r"'path \(div\)' has the unit of d",
        ),
    ],
)
def test_what_the_apparatus_says_of_all_rows_replaces_no_column(
    header: str, bench: dict[str, dict[str, str]], said: str, tmp_path: Path
) -> None:
    file = tmp_path / "page.csv"
    file.write_text("\n".join([header, *PLAIN]), encoding="utf-8")
    with pytest.raises(InputError, match=f"the column {said}"):
        charge.Run(file, bench)


def test_ditto_marks_repeat_the_cell_above_and_polarities_turn_the_voltage(tmp_path: Path) -> None:
    rows = ["A,219,-,-30.2,10", "〃,〃,ditto,-29.6,''", "A,0,,-60.1,10", "A,219,+,10.1,10"]
    table = written(tmp_path, "state,V,polarity,div,t", rows).table
    assert table["state"].tolist() == ["A"] * 4
    assert table["voltage"].tolist() == [-219, -219, 0, 219]
    assert table["seconds"].tolist() == [10] * 4
    page = {"state": [1, 2], "V": [90, 120], "polarity": ["-", "+"]}
    assert charge.BalanceVoltages(page).volts.tolist() == [-90, 120]


@pytest.mark.parametrize("label", ["Drop #", "bead no.", "sphere id", "Particle Number"])
def test_a_column_that_numbers_the_particles_tells_them_apart(label: str, tmp_path: Path) -> None:
    rows = [f"{7 if i < 3 else 8},{line}" for i, line in enumerate(PLAIN)]
    run = written(tmp_path, f"{label},state #,V,scale divisions,t", rows)
    assert run.particles == ("7", "8")
    assert run.table["state"].tolist() == [state for state, _, _ in ROWS]


def test_a_column_of_balance_voltages_may_be_called_so(tmp_path: Path) -> None:
    found = charge.BalanceVoltages({"#": [1, 2], "state": [1, 2], "Balance voltage (V)": [90, 120]})
    assert found.volts.tolist() == [90, 120]


def test_halves_are_read_as_they_are_printed(tmp_path: Path) -> None:
    run = written(tmp_path, "state,V,start,end,t", ["1,219,12½,½,10", "1,0,¾,61,10"])
    assert run.table["divisions"].tolist() == [-12, 60.25]


def test_a_page_of_balance_voltages_has_no_mean_and_no_distances(tmp_path: Path) -> None:
    file = tmp_path / "page.csv"
    file.write_text("state,V\na,401.2\na,400.6\nb,600.1\nmean,467.3\n")
    with pytest.raises(InputError, match=r"row 4 \(line 5 of page\.csv\) is called 'mean'"):
        charge.BalanceVoltages(file)
    assert holds_balances(file)
    # It was read as voltages of balance.
    file.write_text("state,V,Weg (div)\na,200,-30\na,200,-29\nb,200,9\n")
    assert not holds_balances(file)
