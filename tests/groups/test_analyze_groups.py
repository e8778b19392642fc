"""Many groups against `analyze` on each, whatever the order, the workers and the interruptions."""

import json
import multiprocessing
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import quantize as qz
from quantize.groups.kept import KeptGroups
from quantize.groups.split import split

OPTIONS = {"by": "particle", "value": "divisions", "n_resamples": 99}


def invented(groups=4, n=8, seed=11):
    """An invented table: each particle has its own unit, the last one none."""
    rng = np.random.default_rng(seed)
    parts = []
    for i in range(groups):
        k = rng.integers(1, 9, size=n) if i < groups - 1 else rng.gamma(2.0, 2.0, size=n)
        x = (3.0 + i) * k + 0.2 * rng.normal(size=n)
        parts.append(pd.DataFrame({"particle": f"P{i}", "divisions": x}))
    return pd.concat(parts, ignore_index=True)


@pytest.fixture(scope="module")
def table():
    return invented()


@pytest.fixture(scope="module")
def reference(table):
    return qz.analyze_groups(table, rng=5, **OPTIONS)


@pytest.fixture(scope="module")
def big():
    return invented(12, seed=3)


@pytest.fixture(scope="module")
def big_reference(big):
    return qz.analyze_groups(big, rng=5, **OPTIONS)


@pytest.fixture(scope="module")
def finished(table, tmp_path_factory):
    """The file that the analysis of the table keeps."""
    kept = tmp_path_factory.mktemp("groups") / "groups.jsonl"
    qz.analyze_groups(table, rng=5, checkpoint=kept, **OPTIONS)
    return kept.read_bytes()


def same(a, b):
    pd.testing.assert_frame_equal(a.table, b.table, check_exact=True)


@pytest.mark.slow
def test_equals_analyze_on_each_group(table, reference):
    seeds = np.random.default_rng(5).bit_generator.seed_seq.spawn(4)
    for (label, part), seed in zip(table.groupby("particle", sort=False), seeds, strict=True):
        one = qz.analyze(part["divisions"].to_numpy(), n_resamples=99, rng=seed)
        row = reference.table.set_index("group").loc[label]
        assert (row["n"], row["verdict"], row["reason"]) == (8, one.verdict, one.reasons[0])
        for name in ("unit", "unit_err", "sigma", "offset", "p_value", "log_bayes_factor"):
            assert row[name] == getattr(one, name)
        again = reference.analysis(label)
        assert again.p_values == one.p_values
        np.testing.assert_array_equal(again.smooth.null_distribution, one.smooth.null_distribution)
        assert reference.seed_of(label).spawn_key == seed.spawn_key


@pytest.mark.slow
def test_columns_of_sigma_state_and_resolution_reach_each_group():
    table = invented().assign(
        error=0.2, state=lambda t: (t["divisions"] // 3).astype(int), step=0.1
    )
    found = qz.analyze_groups(
        table, sigma="error", state="state", resolution="step", rng=2, **OPTIONS
    )
    part = table[table["particle"] == "P1"]
    sample = qz.Readings(part["divisions"], sigma=0.2, state=part["state"], resolution=0.1)
    one = qz.analyze(sample, n_resamples=99, rng=found.seed_of("P1"))
    assert found.table["unit"][1] == one.unit
    assert found.analysis("P1").to_dict() == one.to_dict()
    numbers = qz.analyze_groups(table, sigma=0.2, state="state", resolution=0.1, rng=2, **OPTIONS)
    same(found, numbers)


@pytest.mark.slow
@settings(max_examples=3, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_how_the_rows_of_different_groups_are_mixed_does_not_matter(table, reference, data):
    # The first row of each group stays first, and each group keeps its own order.
    rest = data.draw(st.permutations(np.repeat(range(4), 7).tolist()))
    order = [*range(4), *rest]
    rows = [iter(range(8 * g, 8 * g + 8)) for g in range(4)]
    mixed = table.iloc[[next(rows[g]) for g in order]]
    parts, _ = split(mixed, by="particle", value="divisions")
    plain, _ = split(table, by="particle", value="divisions")
    for a, b in zip(parts, plain, strict=True):
        assert a.label == b.label
        np.testing.assert_array_equal(a.readings.values, b.readings.values)
    same(qz.analyze_groups(mixed, rng=5, **OPTIONS), reference)


@pytest.mark.slow
def test_workers_change_nothing(table, reference):
    with ThreadPoolExecutor(2) as threads:
        same(qz.analyze_groups(table, rng=5, workers=threads, **OPTIONS), reference)
    same(qz.analyze_groups(table, rng=5, workers=2, **OPTIONS), reference)
    same(qz.analyze_groups(table, rng=5, workers=map, **OPTIONS), reference)


def test_a_dict_of_columns_is_a_table(table, reference):
    same(qz.analyze_groups({n: table[n].tolist() for n in table}, rng=5, **OPTIONS), reference)
    typed = table.assign(
        particle=table["particle"].astype("category"),
        divisions=table["divisions"].astype("Float64"),
    )
    same(qz.analyze_groups(typed, rng=5, **OPTIONS), reference)


@pytest.mark.parametrize("kind", ["<f4", ">f4", ">f8", "Float32"])
def test_a_column_of_another_precision_is_the_same_readings(table, kind):
    rounded = table["divisions"].round(1)
    column = {"by": "particle", "value": "divisions"}
    plain, _ = split(table.assign(divisions=rounded), **column)
    typed = pd.Series(rounded, dtype=kind) if kind == "Float32" else rounded.to_numpy().astype(kind)
    found, _ = split({"particle": table["particle"], "divisions": typed}, **column)
    for one, other in zip(plain, found, strict=True):
        assert one.readings.values.tolist() == other.readings.values.tolist()


@pytest.mark.parametrize("kind", ["masked", "Float64", "object"])
def test_a_missing_reading_is_told_of_its_group_alone(table, kind):
    values, at = table["divisions"], np.arange(len(table)) == 9
    column = {
        "masked": np.ma.array(values, mask=at),
        "Float64": values.astype("Float64").where(~at, pd.NA),
        "object": values.astype(object).where(~at, pd.NA),
    }[kind]
    found, _ = split(
        {"particle": table["particle"], "divisions": column}, by="particle", value="divisions"
    )
    assert [group.readings is None for group in found] == [False, True, False, False]
    assert any(words in found[1].problem for words in ("masked entries", "blank or NaN at entry 9"))


def test_a_masked_label_is_blank_and_bytes_the_other_way_round_are_labels():
    number = np.arange(8) // 4
    columns = {"of": number.astype(">i4"), "x": np.arange(8.0), "state": [1, 2]}
    assert [group.label for group in split(columns, by="of", value="x")[0]] == [0, 1]
    with pytest.raises(qz.InputError, match=r"8 labels in 'of', 2 entries in 'state'\)"):
        split(columns, by="of", value="x", state="state")
    columns["of"] = np.ma.array(number, mask=np.arange(8) == 3)
    with pytest.raises(qz.InputError, match="`by` is 'of', which is blank at row 3"):
        split(columns, by="of", value="x")


def test_a_label_that_there_is_not(reference):
    for label in ("P9", ["P0"], None):
        for ask in (reference.analysis, reference.seed_of):
            with pytest.raises(qz.InputError, match=r"'particle' has no such label; .* is 'P0'"):
                ask(label)


@pytest.mark.slow
def test_successive_calls_on_one_generator_differ_and_can_be_done_again(table, reference):
    rng = np.random.default_rng(5)
    same(qz.analyze_groups(table, rng=rng, **OPTIONS), reference)
    second = qz.analyze_groups(table, rng=rng, **OPTIONS)
    assert second.seed["children_spawned"] == 4
    label = "P0"
    assert second.analysis(label).smooth.p_value <= 1
    assert second.seed_of(label).spawn_key == (4,)


def test_one_bad_group_does_not_stop_the_others(table, reference):
    bad = [
        ("one", [3.0]),
        ("nan", [3.0, np.nan, 6.0, 9.0]),
        ("equal", [3.0, 3.0, 3.0]),
        ("infinite", [3.0, np.inf, 6.0]),
    ]
    rows = [pd.DataFrame({"particle": p, "divisions": x}) for p, x in bad]
    found = qz.analyze_groups(pd.concat([table, *rows]), rng=5, **OPTIONS)
    assert found.failed == {
        "one": "`divisions` has 1 reading; at least 3 are needed to look for steps.",
        "nan": "`divisions` is blank or NaN at entry 34; remove or mend these first.",
        "equal": "every value of `divisions` is 3; steps show only in readings that differ, so add "
        "readings of other charge states.",
        "infinite": "`divisions` is infinite at entry 41; remove or mend these first.",
    }
    pd.testing.assert_frame_equal(found.table.head(4), reference.table, check_exact=True)
    assert found.table["verdict"].isna().sum() == 4
    assert list(found.results) == ["P0", "P1", "P2", "P3"]
    assert "one" not in found.results
    with pytest.raises(qz.InputError, match="`group` 'one' was not analysed: `divisions` has 1"):
        found.analysis("one")
    with pytest.raises(qz.InputError, match="`group` is 'P9', and 'particle' has no such label"):
        found.analysis("P9")
    assert found.results["P0"].verdict == found.table["verdict"][0]


def test_a_group_that_leaves_no_unit_to_try_is_one_message(table):
    coarse = pd.DataFrame({"particle": "coarse", "divisions": [1.0, 2.0, 3.0, 2.0]})
    found = qz.analyze_groups(pd.concat([table.head(8), coarse]), rng=5, **OPTIONS)
    assert found.failed["coarse"].startswith("`unit_range` cannot be chosen: the smallest unit")


def test_text_among_numbers_spoils_its_own_group_only():
    table = {"particle": list("AAAABBBB"), "divisions": [2.1, 3.9, 6.0, 8.1, 2.0, "lost", 4.1, 6.1]}
    found = qz.analyze_groups(table, rng=1, **OPTIONS)
    assert found.failed == {"B": "`divisions` holds text 'lost' at entry 5; give numbers."}


def test_a_category_without_rows_is_named(table):
    two = table.head(16)
    names = pd.Categorical(two["particle"], ["P0", "P1", "P4"])
    found = qz.analyze_groups(two.assign(particle=names), rng=5, **OPTIONS)
    assert found.failed == {"P4": "`divisions` has no readings of this group; take some."}
    assert found.table["n"].tolist() == [8, 8, 0]


@pytest.mark.parametrize(
    ("table", "options", "message"),
    [
        ([1, 2], {}, "`table` is a list; give a pandas DataFrame or a dict of columns"),
        ("a.csv", {}, "`table` is a str; give a pandas DataFrame or a dict of columns"),
        (
            {"particle": ["A"], "x": [1.0]},
            {},
            "`value` is 'divisions', which is no column of the t",
        ),
        ({"divisions": [1.0]}, {}, "`by` is 'particle', which is no column .* it has 'divisions'."),
        ({"particle": [], "divisions": []}, {}, "`table` has no rows; give one row for each"),
        (
            {"particle": ["A", "B"], "divisions": [1.0]},
            {},
            r"`table` has columns of different lengths \(2 labels in 'particle', 1 entries",
        ),
        (
            {"particle": ["A", None, np.nan], "divisions": [1.0, 2.0, 3.0]},
            {},
            r"`by` is 'particle', which is blank at row 1 \(and 1 more\); say whose readings",
        ),
        (
            {"particle": ["A", " "], "divisions": [1.0, 2.0]},
            {},
            "`by` is 'particle', which is blank at row 1; say whose readings these are",
        ),
        (
            {"particle": [[1], [2]], "divisions": [1.0, 2.0]},
            {},
            "`by` is 'particle', whose labels are neither numbers nor text|of 2 dimensions",
        ),
        (
            pd.DataFrame([["A", 1.0, 2.0]], columns=["particle", "divisions", "divisions"]),
            {},
            "`value` is 'divisions', and 2 columns have that name; rename them.",
        ),
        (None, {"sigma": "error"}, "`sigma` is 'error', which is no column of the table"),
        (None, {"state": "state"}, "`state` is 'state', which is no column of the table"),
        (None, {"unit_range": (3, 2)}, r"`unit_range` is \(3, 2\); the low end must be below"),
        (None, {"offset": "none"}, "`offset` is 'none'; it must be 'zero', 'free' or a number"),
        (None, {"alpha": 2}, "`alpha` is 2; it must lie strictly between 0 and 1"),
        (None, {"null": "some"}, "`null` is 'some'; it must be one of 'all', 'smooth'"),
        (None, {"n_resamples": 0}, "`n_resamples` is 0; it must be at least 1"),
        (None, {"model": 3}, "`model` is a int; give a MixtureModel, or leave it out"),
        (None, {"workers": "two"}, "`workers` is 'two'; give a whole number"),
        (None, {"rng": -1}, "`rng` is -1; pass None, a non-negative whole number"),
    ],
)
def test_bad_input(table, options, message):
    with pytest.raises(qz.InputError, match=message):
        qz.analyze_groups(invented(2) if table is None else table, **(OPTIONS | options))


@pytest.mark.slow
def test_interrupted_work_goes_on_where_it_stopped(tmp_path, big, big_reference):
    kept = tmp_path / "groups.jsonl"

    def stop(done, total):
        assert total == 12
        if done >= 4:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        qz.analyze_groups(big, rng=5, checkpoint=kept, progress=stop, **OPTIONS)
    assert len(kept.read_text().splitlines()) == 1 + 4
    seen = []
    # Without a seed the one in the file holds.
    found = qz.analyze_groups(big, checkpoint=kept, progress=lambda *c: seen.append(c), **OPTIONS)
    assert seen == [(8, 12), (12, 12)]
    same(found, big_reference)
    finished = kept.read_bytes()
    same(qz.analyze_groups(big, rng=5, checkpoint=kept, **OPTIONS), found)
    assert kept.read_bytes() == finished


def test_a_torn_line_is_done_again(tmp_path, table, reference, finished):
    kept = tmp_path / "groups.jsonl"
    kept.write_bytes(finished[:-20])
    with pytest.warns(qz.QuantizeWarning, match="was torn; 3 finished groups are kept"):
        found = qz.analyze_groups(table, rng=5, checkpoint=kept, **OPTIONS)
    same(found, reference)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rng": 6}, "the seed was 5 and is 6"),
        ({"n_resamples": 199}, "n_resamples was 99 and is 199"),
        ({"unit_range": (1, 9)}, "unit_range was None and is"),
        ({"table": invented(5)}, "there were 4 groups and are 5"),
        ({"table": invented(seed=12)}, "the readings are others"),
    ],
)
def test_a_file_of_other_work_is_left_alone(tmp_path, table, finished, change, message):
    kept = tmp_path / "groups.jsonl"
    kept.write_bytes(finished)
    call = {"table": table, "rng": 5, "checkpoint": kept} | OPTIONS | change
    with pytest.raises(qz.InputError, match=f"kept by another analysis of groups: .*{message}"):
        qz.analyze_groups(**call)
    assert kept.read_bytes() == finished


def test_a_file_of_something_else_is_refused(tmp_path, table):
    other = tmp_path / "notes.txt"
    other.write_text("milk\n")
    with pytest.raises(
        qz.InputError, match=r"`checkpoint` is .*, which no analysis of groups has written"
    ):
        qz.analyze_groups(table, rng=5, checkpoint=other, **OPTIONS)
    with pytest.raises(qz.InputError, match=r"`checkpoint` is .*, a folder; give the name of"):
        qz.analyze_groups(table, rng=5, checkpoint=tmp_path, **OPTIONS)
    assert other.read_text() == "milk\n"


def test_what_is_kept_keeps_every_bit(tmp_path):
    kept = KeptGroups(tmp_path / "k.jsonl")
    head = {"schema": KeptGroups.schema, "versions": {}, "seed": {"entropy": 1}, "settings": {}}
    head |= {"groups": 1, "readings": "x"}
    row = {"verdict": None, "unit": 0.1 + 0.2, "p": float("nan"), "b": -float("inf"), "n": 3}
    assert kept.open(head) == []
    kept.save(0, row)
    kept.close()
    [(place, again)] = kept.open(head)
    kept.close()
    assert place == 0
    assert repr(again) == repr(row)


def test_a_process_that_dies_is_one_message(table):
    with pytest.raises(qz.InputError, match=r"a process of it has died .* `checkpoint` to go on"):
        qz.analyze_groups(table, rng=5, workers=2, **(OPTIONS | {"offset": _Deadly()}))


def test_a_pool_that_was_shut_down_is_one_message(table):
    pool = ThreadPoolExecutor(1)
    pool.shutdown()
    with pytest.raises(
        qz.InputError, match=r"`workers` is a ThreadPoolExecutor .*shutdown.*`checkpoint`"
    ):
        qz.analyze_groups(table, rng=5, workers=pool, **OPTIONS)


@pytest.mark.slow
def test_a_worker_that_was_killed_is_replaced(big, big_reference):
    killed = []

    def kill_one(done, total):
        if not killed:
            victim = multiprocessing.active_children()[0]
            killed.append(victim.pid)
            victim.kill()

    found = qz.analyze_groups(big, rng=5, workers=2, progress=kill_one, **OPTIONS)
    assert killed
    same(found, big_reference)


class _Deadly(float):
    """A number that ends the process in which it is unpacked."""

    def __reduce__(self):
        return os._exit, (1,)


def test_shows_itself(table, reference):
    assert repr(reference).startswith("<GroupAnalyses: 4 groups: ")
    text, html = str(reference), reference._repr_html_()
    for label in table["particle"].unique():
        assert label in text
        assert label in html
    assert "of 4 groups without steps up to 0.2 would be called steps" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80
    assert sum(reference.counts.values()) == len(reference) == 4
    content = json.loads(json.dumps(reference.to_dict(), allow_nan=False))
    assert content["schema"] == "quantize.GroupAnalyses/1"
    assert [row["group"] for row in content["table"]] == ["P0", "P1", "P2", "P3"]


def test_hostile_labels_are_text():
    table = invented(2).replace({"P0": "<script>x</script>", "P1": "two\nlines\x1b[31m" * 9})
    found = qz.analyze_groups(table, rng=5, **OPTIONS)
    assert "<script>" not in found._repr_html_()
    assert "\x1b" not in str(found)
    assert max(map(len, str(found).splitlines())) <= 80
    found.plot()


def test_picture_marks_the_verdicts(reference):
    axes = reference.plot()
    assert [tick.get_text() for tick in axes.get_xticklabels()] == ["P0", "P1", "P2", "P3"]
    marked = {text.get_text() for text in axes.get_legend().get_texts()}
    assert marked == {f"{v} ({n})" for v, n in reference.counts.items() if n}
    shown = np.concatenate([bar.lines[0].get_xydata() for bar in axes.containers])
    np.testing.assert_array_equal(np.sort(shown[:, 1]), np.sort(reference.table["unit"]))
    # A reading alone is listed and not analysed.
    alone = pd.DataFrame({"particle": [f"Q{i}" for i in range(26)], "divisions": 3.0})
    many = qz.analyze_groups(
        pd.concat([invented(2), alone]), rng=1, **(OPTIONS | {"n_resamples": 19})
    )
    assert many.plot().get_xlabel() == "particle, in order of first appearance"


def test_the_columns_of_a_table_have_one_unit_and_one_part_each():
    table = (
        invented(groups=2).rename(columns={"divisions": "charge [mm]"}).assign(**{"s [cm]": 0.1})
    )
    how = {"by": "particle", "value": "charge [mm]"}
    with pytest.raises(qz.InputError, match="`sigma` is in cm and the readings are in mm; write"):
        qz.analyze_groups(table, sigma="s [cm]", **how)
    for role in ("sigma", "state", "resolution"):
        with pytest.raises(qz.InputError, match=rf"`{role}` is 'charge \[mm\]', the column of the"):
            qz.analyze_groups(table, **{role: "charge [mm]"}, **how)
    with pytest.raises(qz.InputError, match="`by` is 'charge"):
        qz.analyze_groups(table, **how | {"by": "charge [mm]"})
    for one, two in (("by", "state"), ("by", "sigma"), ("state", "sigma"), ("sigma", "resolution")):
        with pytest.raises(qz.InputError, match=f"`{two}` is 's .cm.', the column of `{one}`;"):
            qz.analyze_groups(table, **how | dict.fromkeys((one, two), "s [cm]"))


def test_an_entry_is_counted_in_the_whole_table():
    table = invented(groups=2)
    table["s"] = 0.2
    table.loc[9, "divisions"], table.loc[12, "s"] = np.nan, np.nan
    found = qz.analyze_groups(table, rng=1, **OPTIONS)
    said = "`divisions` is blank or NaN in row 9; remove or mend these first."
    assert found.failed == {"P1": said}
    # By the labels of the rows, where a table has such.
    found = qz.analyze_groups(table.set_axis(range(2, 18)), rng=1, **OPTIONS)
    assert found.failed == {"P1": said.replace("row 9", "row 11")}
    found = qz.analyze_groups(table.to_dict("list"), rng=1, **OPTIONS)
    assert found.failed == {"P1": said.replace("in row", "at entry")}
    table.loc[9, "divisions"] = 4.1
    found = qz.analyze_groups(table, rng=1, sigma="s", **OPTIONS)
    assert found.failed == {"P1": "`sigma` is blank or NaN in row 12; remove or mend these first."}
