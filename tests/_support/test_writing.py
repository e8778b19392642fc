"""Files appear whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

import quantize as qz
from quantize._support.writing import write_whole
from quantize.show.plots.style import check_plot_target


def test_an_existing_file_is_replaced(tmp_path: Path) -> None:
    target = tmp_path / "a.svg"
    target.write_bytes(b"old")
    assert write_whole(target, b"new") == target
    assert target.read_bytes() == b"new"
    assert list(tmp_path.iterdir()) == [target]


def test_a_failure_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "a.svg"
    target.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(qz.InputError, match=r"cannot be written \(No space left on device\)"):
        write_whole(target, b"new")
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_what_replaces_a_private_file_is_never_for_other_eyes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "a.svg"
    target.write_bytes(b"old")
    target.chmod(0o600)
    sync, seen = os.fsync, []

    def look(file: int) -> None:
        seen.append(stat.S_IMODE(os.fstat(file).st_mode))
        sync(file)

    monkeypatch.setattr(os, "fsync", look)
    write_whole(target, b"new")
    assert seen == [0o600]
    assert stat.S_IMODE(target.stat().st_mode) == 0o600


def test_a_report_is_not_written_over_its_source(tmp_path: Path) -> None:
    found = qz.analyze([2.1, 3.9, 6.0, 8.1, 9.9, 14.0, 4.1], n_resamples=19, rng=1)
    page = tmp_path / "page.csv"
    page.write_text("19.66\n24.60\n")
    (tmp_path / "report.html").symlink_to(page)
    with pytest.raises(qz.InputError, match=r"`path` is .*the same file as `source`, which is rea"):
        found.report(tmp_path / "report.html", source=str(page))
    assert page.read_text() == "19.66\n24.60\n"


def test_a_report_is_not_written_over_the_file_of_its_readings(tmp_path: Path) -> None:
    page = tmp_path / "page.csv"
    page.write_text("19.66\n24.60\n29.62\n34.47\n")
    found = qz.analyze(qz.read_readings(page), n_resamples=19, rng=1)
    os.link(page, tmp_path / "other.csv")
    with pytest.raises(qz.InputError, match=r"the same file as `readings`, which is read; choose"):
        found.report(tmp_path / "other.csv")
    assert page.read_text() == "19.66\n24.60\n29.62\n34.47\n"


def test_a_dated_plan_is_whole_or_absent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan = qz.charge.DatedPlan(unit_range=(4, 25), rejection="none", readings=32)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(qz.InputError, match=r"cannot be written \(No space left on device\)"):
            plan.save(tmp_path / "plan.json")
    assert list(tmp_path.iterdir()) == []
    plan.save(tmp_path / "plan.json")
    assert qz.charge.DatedPlan.load(tmp_path / "plan.json") == plan


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("", "a folder; give the name of a file in it"),
        ("no/a.svg", "there is no folder"),
        ("a.gif", r"a picture ends in .svg, .pdf or .png"),
        ("a", r"a picture ends in .svg, .pdf or .png"),
        ("a\0.svg", "cannot be written"),
    ],
)
def test_places_that_cannot_be_written(tmp_path: Path, name: str, message: str) -> None:
    with pytest.raises(qz.InputError, match=message):
        write_whole(check_plot_target(tmp_path / name), b"")
    assert list(tmp_path.iterdir()) == []
