"""Rows that were written twice, and where messages say that a row stands."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from quantize import charge
from quantize._support.errors import InputError, QuantizeWarning
from quantize.charge.faults import faults_of


def _page(decimals: int, **columns: object) -> pd.DataFrame:
    """Eight states of three readings each, scattered by 0.7 divisions."""
    rng = np.random.default_rng(5)
    n = np.repeat(rng.integers(-4, 9, 8), 3)
    moved = np.round(10.2 * n - 60 + rng.normal(0, 0.7, 24), decimals)
    page = {"state": np.repeat(range(8), 3), "V": 227, "div": moved, "t (s)": 10}
    return pd.DataFrame(page | columns)


def _with_a_copy(page: pd.DataFrame) -> pd.DataFrame:
    """The same with its sixth row copied to the end."""
    return pd.concat([page, page[5:6]], ignore_index=True)


@pytest.mark.parametrize(
    "columns",
    [
        {"no": range(1, 25)},
        {"repeat": [1, 2, 3] * 8},
        {"clock": [f"14:{i:02d}:30" for i in range(24)]},
        {"remark": [f"film {i}" for i in range(24)]},
    ],
)
def test_a_copied_row_is_remarked_on_where_chance_does_not_make_it(
    columns: dict[str, object], tmp_path: Path
) -> None:
    page = _page(0, **columns)
    assert not any("alike" in remark for remark in charge.Run(page).remarks)
    _with_a_copy(page).to_csv(tmp_path / "page.csv", index=False)
    said = r"ows 6, 25 \(lines 7, 26 of page\.csv\) are alike in every column; give up"
    with pytest.warns(QuantizeWarning, match="R" + said):
        run = charge.Run(tmp_path / "page.csv")
    assert any(remark.startswith("rows 6, 25") for remark in run.remarks)


def test_equal_readings_of_one_state_are_no_copies() -> None:
    # In whole divisions a third of all repeats are equal; bounds are so always.
    assert not any("alike" in r for r in charge.Run(_with_a_copy(_page(0))).remarks)
    bounds = pd.DataFrame({"no": [1, 2], "V": [227, 0], "div": ["12", "-60"], "t": 10})
    off = pd.concat([bounds] + [bounds.assign(no="", div=">40")[:1]] * 2)
    assert not any("alike" in r for r in charge.Run(off).remarks)


def test_two_rows_of_one_time_are_remarked_on() -> None:
    page = _page(0, clock=[f"14:{i:02d}:30" for i in range(24)])
    page.loc[9, "clock"] = page.loc[4, "clock"]
    with pytest.warns(
        QuantizeWarning, match="Rows 5, 10 have the same time of day; mend the clock"
    ):
        charge.Run(page)
    # To the minute several readings have one, and a row that was given up does not count.
    charge.Run(page.assign(clock=page["clock"].str[:-3]))
    charge.Run(page.assign(keep=["no" if i == 9 else "yes" for i in range(24)]))


def test_messages_say_the_row_of_the_run_and_the_line_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "page.csv"
    file.write_text("# a comment\n\nV,div,t\n227,12,10\n# another\n227,twelve,10\n0,-61,10\n")
    with pytest.raises(InputError, match=r"'twelve' in row 2 \(line 6 of page\.csv\), which is no"):
        charge.Run(file)
    with pytest.raises(InputError, match="'twelve' in row 2, which is no"):
        charge.Run({"V": [227, 227, 0], "div": ["12", "twelve", "-61"], "t": [10] * 3})
    page = _page(2)
    at = int(page["div"].abs().argmax())
    page.loc[at, "div"] *= -1
    page.to_csv(file, index=False)
    (fault,) = faults_of(charge.Run(file))
    assert f"row {at + 1} (line {at + 2} of page.csv)" in fault.sentence
