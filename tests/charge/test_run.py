"""Pages as students write them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from needed import needed

import quantize
from quantize import charge
from quantize._support.errors import InputError
from quantize.charge.headers import Header
from quantize.charge.repeats import repeat_balance
from quantize.null import compare
from quantize.null.compare import compare_null

DATA = Path(quantize.__file__).parent / "data"


@pytest.mark.parametrize(
    ("text", "name", "unit"),
    [
        ("Particle", "particle", None),
        ("drop no.", "particle", None),
        ("No.", "particle", None),
        ("U / V", "voltage", "V"),
        ("U/kV", "voltage", "kV"),
        ("voltage [V]", "voltage", "V"),
        ("V", "voltage", None),
        ("t (s)", "seconds", "s"),
        ("time_s", "seconds", "s"),
        ("div", "divisions", "div"),
        ("distance [mm]", "divisions", "mm"),
        ("charge state", "state", None),
        ("keep?", "keep", None),
        ("v (mm/s)", None, "mm/s"),
    ],
)
def test_headers(text, name, unit):
    header = Header(text)
    assert (header.name, header.unit) == (name, unit)


def test_semicolons_and_decimal_commas(tmp_path):
    file = tmp_path / "page.csv"
    file.write_text("Kugel;U / kV;div;t (s)\n1;0,219;7,5;10,0\n1;0;-60;10\n", encoding="utf-8")
    run = charge.read_run(file)
    assert run.table["voltage"].tolist() == [219.0, 0.0]
    assert run.table["divisions"].tolist() == [7.5, -60.0]
    assert any("Kugel" in remark for remark in run.remarks)


def test_start_end_direction_and_words():
    by_ends = charge.read_run({"start": [10, 80], "end": [25, 20], "V": [200, 0]})
    by_words = charge.read_run({"div": [15, 60], "direction": ["up", "down"], "V": [200, 0]})
    by_arrows = charge.read_run({"div": ["15 ↑", "60 ↓"], "V": [200, "off"]})
    for run in (by_ends, by_words, by_arrows):
        assert run.table["divisions"].tolist() == [15, -60]


def test_a_wide_page_is_put_below_itself():
    wide = pd.DataFrame({"state": ["a", "b"], "V": [200, 200], "div 1": [5, 9], "div 2": [6, None]})
    run = charge.read_run(wide)
    assert run.table["divisions"].tolist() == [5, 6, 9]
    assert run.table["state"].tolist() == ["a", "a", "b"]
    assert run.table["repeat"].tolist() == ["1", "2", "1"]


def test_upper_plate_and_inverted_image_change_signs():
    bench = {"plates": {"positive_plate": "upper"}, "run": {"image_inverted": True}}
    run = charge.read_run({"V": [200], "div": [5]}, bench)
    assert (run.table["voltage"][0], run.table["divisions"][0]) == (-200, -5)


def test_blank_voltage_is_not_zero_unless_declared():
    page = {"V": ["200", ""], "div": ["5", "-60"]}
    with pytest.raises(InputError, match=r"`voltage` is blank in row 2"):
        charge.read_run(page)
    assert charge.read_run(page, {"run": {"blank_voltage": "zero"}}).table["voltage"][1] == 0
    assert charge.read_run(page, {"run": {"blank_voltage": "as above"}}).table["voltage"][1] == 200


def test_a_blank_position_is_named_as_the_page_calls_it():
    page = {"V": [200, 200], "start": ["5", "6"], "end": ["9", ""], "t": [10, 10]}
    with pytest.raises(InputError, match=r"`start` or `end` is blank in row 2"):
        charge.read_run(page)


def test_blank_state_is_as_above_only_if_declared():
    page = {"state": ["1", ""], "div": ["5", "6"], "V": ["200", "200"]}
    with pytest.raises(InputError, match=r"`state` is blank in row 2"):
        charge.read_run(page)
    declared = charge.read_run(page, {"run": {"blank_state": "as above"}})
    assert declared.table["state"].tolist() == ["1", "1"]


def test_what_stands_above_is_filled_in_before_rows_are_folded():
    # One voltage on top of a page of falls and rises; states and voltages once a track.
    above = {"blank_voltage": "as above", "blank_state": "as above"}
    bench = {"run": above | {"timing": "fixed distance", "distance": "10 div"}}
    times = {"V": ["400", "", "-"], "t_fall": ["12", "13", "12"], "t_rise": ["7", "8", "9"]}
    run = charge.read_run(times, bench)
    assert run.table["voltage"].tolist() == [400, 0] * 3
    track = {"t (s)": [0, 1, 2, 0, 1, 2], "position": [1.0, 2.1, 3.0, 5.0, 4.1, 3.0]}
    track |= {"state": ["1", "", "", "2", "", ""], "V": ["200", "", "", "", "", ""]}
    scale = {"sphere": {"diameter": "2 um"}, "reticle": {"division": "25 um"}, "run": above}
    folded = charge.read_run(track, scale).table
    assert folded[["state", "voltage", "positions"]].to_numpy().tolist() == [
        ["1", 200, 3],
        ["2", 200, 3],
    ]


def test_a_blank_voltage_below_a_fall_is_said_to_be_one():
    page = {"V": ["?", "200", "", "0", ""], "div": [9, 5, 6, -60, -61], "use": ["no", *["yes"] * 4]}
    run = charge.read_run(page, {"run": {"blank_voltage": "as above"}})
    assert run.table["voltage"].tolist()[1:] == [200, 200, 0, 0]
    assert "the blank voltage of 1 row is the 0 V above, as declared: a fall" in run.remarks


@pytest.mark.parametrize(
    ("first", "second"),
    [(("div", "t"), ("div 2", "t 2")), (("start", "end", "t"), ("start2", "end2", "t2"))],
)
def test_a_column_without_a_number_is_the_first_of_the_repeats(first, second):
    cells = {"div": [7, -60], "t": [10, 10], "start": [3, 70], "end": [10, 10]}
    more = {name: [x + 1 for x in cells[name]] for name in first}
    page = {"V": [200, 0]} | {name: cells[name] for name in first}
    page |= {name: more[bare] for bare, name in zip(first, second, strict=True)}
    run = charge.read_run(page, {"run": {"timing": "fixed time"}})
    assert run.table["row"].tolist() == [1, 1, 2, 2]
    assert run.table["repeat"].tolist() == ["1", "2", "1", "2"]
    assert run.table["voltage"].tolist() == [200, 200, 0, 0]
    assert run.table["seconds"].tolist() == [10, 11, 10, 11]
    moved = [7, 8, -60, -59] if "div" in first else [7, 7, -60, -60]
    assert run.table["divisions"].tolist() == moved


def test_blank_rows_below_a_page_whose_header_has_the_time_are_no_readings():
    run = charge.read_run({"V": ["200", "0", ""], "divisions in 10 s": ["7", "-60", " "]})
    assert run.table["seconds"].tolist() == [10, 10]


@pytest.mark.parametrize(
    ("page", "complaint"),
    [
        ({"div": [5], "t": [0]}, "`seconds` is 0 in row 1"),
        ({"div": ["five"]}, "`divisions` is 'five' in row 1"),
        ({"div": [-5], "direction": ["up"]}, "contradict"),
        ({"div": [5], "direction": ["left"]}, "`direction` is 'left' in row 1"),
        ({"div": [5], "start": [1], "end": [9]}, "while start and end differ by 8"),
        ({"colour": ["red"]}, "none of the needed columns; found 'colour'"),
        ({"div": [5], "keep": ["perhaps"]}, "`keep` is 'perhaps' in row 1"),
        ({"div": [5], "voltage / mm": [3]}, "a unit of a length"),
        ({"div": ["1,234"]}, None),
        ({"div": []}, "no rows"),
        ({"div": ["9" * 400]}, "too large"),
        ({"div": [5], "t": [-3]}, "`seconds` is -3 in row 1"),
        ({"t": [5], "V": [200]}, "no divisions"),
        ({"div": [5], "reason": ["gone"]}, "no row that is kept"),
        (pd.DataFrame([[1, 2]], columns=["div", "div"]), "two columns called 'div'"),
        ({"div": [5], "distance": [6]}, "two columns for divisions"),
        ({"div": [5], "div 1": [6], "div 2": [7]}, "two columns for divisions"),
        ({"V": [200], "t_fall (s)": [9], "t_fall 1 (s)": [8]}, "two columns for fall_seconds"),
        (
            {"div": ["5", "85+"]},
            "`divisions` is '85+' in row 2, with a sign behind the number; write >85 where it left "
            "the scale, +85 where the sign is meant",
        ),
        ({"div": ["85 -"]}, "sign behind the number; write -85 where the sign is meant"),
        ({"div": [5], "V": ["200+"]}, "write +200 where the sign is meant, else the number alone"),
        ({"div": [5, 6], "t": [5]}, "do not fit together"),
        ("no such page.csv", "no such file"),
        (17, "of type int"),
    ],
)
def test_bad_pages_are_refused_with_the_row(page, complaint):
    if complaint is None:
        assert charge.read_run(page).table["divisions"][0] == 1.234
        return
    with pytest.raises(InputError) as caught:
        charge.read_run(page)
    assert complaint in str(caught.value)


def test_discarded_rows_stay_but_do_not_count_and_those_off_the_scale_are_one_sided():
    run = charge.read_run({"div": [5, 6, ">80", 7], "reason": ["", "moth", "", ""], "V": [200] * 4})
    assert len(run.table) == 4
    assert run.table["kept"].tolist() == [True, False, True, True]
    assert run.table["off_scale"].tolist() == [0, 0, 1, 0]
    assert run.driven["divisions"].tolist() == [5, 7]
    readings = run.readings(fall="apart")
    assert readings.values.tolist() == [5, 80, 7]
    assert readings.beyond.tolist() == [0, 1, 0]
    assert "1 reading left the scale" in " ".join(run.remarks)


def test_a_page_with_nothing_on_the_scale_is_refused_as_such():
    page = {"V": [200, 200, 0], "divisions": ["<-60", ">60", "<-60"], "t": [25, 25, 25]}
    with pytest.raises(InputError, match="`run` has 0 readings on the scale with a voltage"):
        charge.Run(page, {"plates": {"separation": "4.2 mm"}}).analyze()


def test_fixed_distance_is_guessed_and_the_guess_is_shown():
    run = charge.read_run({"div": [10, 10, -10], "t": [4.1, 5.3, 2.2], "V": [200, 200, 0]})
    assert run.timing == "fixed distance"
    assert any("fixed distance" in remark for remark in run.remarks)


def test_the_fall_closes_the_comb_whatever_the_voltage():
    # v = B(qV/d - w): with F added and V0/V applied, readings at any voltage are u·n.
    unit, fall, reference = 8.0, 41.0, 200.0
    rows = [(n, v, t) for n in (2, 3, 5) for v in (200.0, 150.0, 260.0) for t in (10.0, 5.0)]
    page = {
        "V": [v for _, v, _ in rows] + [0.0],
        "div": [(unit * n * v / reference - fall) * t / 10 for n, v, t in rows] + [-fall],
        "t": [t for *_, t in rows] + [10.0],
    }
    bench = {"plates": {"voltage": reference}, "run": {"interval": 10.0}}
    values = charge.read_run(page, bench).readings().values
    assert values == pytest.approx([unit * n for n, *_ in rows])


def test_invented_run_is_labelled_and_complete():
    for name in ("invented_run.csv", "invented_apparatus.toml"):
        assert (DATA / name).read_text(encoding="utf-8").startswith("# INVENTED")
    run = charge.read_run(DATA / "invented_run.csv", DATA / "invented_apparatus.toml")
    readings = run.readings()
    assert 24 <= len(readings) <= 40
    assert len(readings.state_labels) >= 6
    assert run.offset == "zero"
    assert np.isfinite(run.charges()["charge"]).sum() > 24


def test_the_resampled_p_of_a_run_is_drawn_when_it_is_looked_at(monkeypatch):
    drawn = []
    monkeypatch.setattr(
        compare, "compare_null", lambda *args, **kw: drawn.append(1) or compare_null(*args, **kw)
    )
    run = charge.read_run(DATA / "invented_run.csv", DATA / "invented_apparatus.toml")
    found = run.analyze((6, 16), n_resamples=99, rng=1)
    other = found.by_route(found.coulombs.route)
    assert not drawn
    plain = quantize.analyze(
        run.readings(), (6, 16), sigma_range=run.sigma_range(), n_resamples=99, rng=1
    )
    for one in (found, other):
        assert one.smooth.p_value == plain.smooth.p_value
    assert len(drawn) == 3


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("div,t\n", "no rows below a header"),
        ("div,t\n3,5,10\n", "decimal comma needs columns separated by semicolons"),
        ('div,t\n"' + "x" * 200_000 + '",10\n', "no table of text"),
    ],
)
def test_bad_files_are_refused(tmp_path, text, complaint):
    file = tmp_path / "page.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=complaint):
        charge.read_run(file)


def test_several_particles_must_be_named():
    run = charge.read_run({"bead": ["A", "B"], "div": [5, 6], "V": [200, 200]})
    with pytest.raises(InputError, match="name one with"):
        run.readings()
    with pytest.raises(InputError, match="the run holds A, B"):
        run.particle("C")
    assert len(run.readings(particle="A")) == 1


def test_a_run_without_apparatus_asks_for_one():
    run = charge.read_run({"div": [5, 6], "V": [200, 200]})
    with pytest.raises(InputError, match="has no apparatus"):
        run.charges()
    with pytest.raises(InputError, match="no fall without field is known"):
        run.readings(fall="joined")


@pytest.mark.parametrize("suffix", [".csv", ".tsv", ".xlsx", ".parquet"])
def test_the_same_page_in_every_kind_of_file(tmp_path, suffix):
    page = pd.DataFrame({"drop no.": [1, 1], "U / V": [219.0, 0.0], "div": [7, -60]})
    file = tmp_path / f"page{suffix}"
    if suffix == ".xlsx":
        page.to_excel(file, index=False)
    elif suffix == ".parquet":
        needed("pyarrow")
        page.to_parquet(file)
    else:
        page.to_csv(file, index=False, sep="\t" if suffix == ".tsv" else ",")
    run = charge.read_run(file)
    assert run.particles == ("1",)
    assert run.table["voltage"].tolist() == [219, 0]
    assert run.table["divisions"].tolist() == [7, -60]


def test_lengths_become_divisions_by_the_scale():
    page = {"distance [mm]": [0.25, -1.5], "V": [219, 0]}
    run = charge.read_run(page, {"reticle": {"division": "25 um"}})
    assert run.table["divisions"].tolist() == pytest.approx([10, -60])
    with pytest.raises(InputError, match=r"is a length; give an apparatus"):
        charge.read_run(page)


@pytest.mark.parametrize("tick", ["x", "yes", "1", "✓"])
def test_rows_without_a_tick_are_left_out_and_counted(tick):
    page = {"div": [5, 6, 7, 8], "V": [200] * 4, "keep?": [tick, "", tick, ""]}
    with pytest.warns(
        quantize.QuantizeWarning, match="2 rows without a tick under 'keep\\?' are left"
    ):
        run = charge.read_run(page)
    assert run.table["kept"].tolist() == [True, False, True, False]
    assert [r for r in run.remarks if "without a tick" in r] == [
        "2 rows without a tick under 'keep?' are left out, as others have one"
    ]


@pytest.mark.parametrize(
    ("keep", "counts"),
    [
        (["", "", "", ""], [True] * 4),
        (["", "no", "", ""], [True, False, True, True]),
        # Where some say yes and some no, a blank is neither, and counts as before.
        (["yes", "no", "", "yes"], [True, False, True, True]),
    ],
)
def test_blanks_count_where_rows_are_given_up_by_a_no(keep, counts):
    run = charge.read_run({"div": [5, 6, 7, 8], "V": [200] * 4, "keep": keep})
    assert run.table["kept"].tolist() == counts
    assert not any("tick" in remark for remark in run.remarks)


def test_ticks_count_on_pages_of_voltages_and_of_passages_too():
    volts = {"V": [227.1, 227.9, 226.8, 500.0], "keep": ["x", "x", "x", ""]}
    with pytest.warns(
        quantize.QuantizeWarning, match="1 row without a tick under 'keep' is left out"
    ):
        found = repeat_balance(volts)
    assert found.entry == repeat_balance(volts["V"][:3]).entry
    page = {"V": [200, 200], "t_fall": [10, 11], "t_rise": [20, 21], "keep": ["x", ""]}
    with pytest.warns(quantize.QuantizeWarning, match="1 row without a tick"):
        run = charge.read_run(page, {"run": {"distance": "40 div"}})
    assert run.table["kept"].tolist() == [True, True, False, False]
    assert "1 row without a tick under 'keep' is left out, as others have one" in run.remarks
