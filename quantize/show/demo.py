"""The words of the demonstration: a published sample, an invented run, what to try next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from quantize.show.analysis import analysis_view
from quantize.show.numbers import brackets
from quantize.show.run import record, run_view
from quantize.show.short import short_view
from quantize.show.terminal import check_outputs, save_plot, say, say_json
from quantize.show.text import view_text
from quantize.show.view import Preformatted, Section, View

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.charge.run_analysis import RunAnalysis

COULOMBS_PER_ESU = 1 / (10 * 299_792_458)
ELEMENTARY = 1.602176634e-19  # C, exact since 2019 (SI Brochure, 9th edition)

NEXT = """\
What to try next
  quantize demo --full                     everything that is known of both
  quantize demo --plot drop.svg            the same, with a picture of part 1
  quantize analyze FILE                    your own table
  quantize analyze RUN --apparatus BENCH   from a run to coulombs"""


def say_demo(seed: int, plot: str | None, full: bool, as_json: bool) -> None:
    """Run the main job on both, and print or draw it."""
    import quantize as qz
    from quantize.charge import read_run

    check_outputs({"plot": plot})
    data = Path(qz.__file__).parent / "data"
    published = qz.analyze(qz.read_readings(data / "thirteen_charges.csv"), rng=seed)
    run = read_run(data / "invented_run.csv", data / "invented_apparatus.toml")
    invented = run.analyze(rng=seed)
    if plot:
        save_plot(published, plot)
    if as_json:
        both = {
            "published": record(published, "thirteen_charges.csv"),
            "invented": record(invented, "invented_run.csv"),
        }
        say_json({"schema": "quantize.cli.demo/1"} | both)
        return
    say(view_text(demo_view(published, invented, full=full)))


def demo_view(published: Analysis, invented: RunAnalysis, *, full: bool = False) -> View:
    """Both analyses, one below the other: in short, or in full."""
    if full:
        stated = Section("In coulombs", [_published_in_coulombs(published)])
        one: View = (*analysis_view(published), stated)
        two = run_view(invented, brief=True)
    else:
        one = (*short_view(published), Section("", [_published_in_coulombs(published)]))
        two = short_view(invented)
    return (
        _title("1. Published data: thirteen charges of one oil drop, in 1e-10 esu"),
        Section("", ["R. A. Millikan, Phys. Rev. 32:349 (1911). Public domain."]),
        *one,
        _title("2. INVENTED data: a run of one sphere, in scale divisions per 10 s"),
        Section("", ["Computed from the physics of a sphere in air, not measured by anybody."]),
        *two,
        Section("", [Preformatted(NEXT)]),
    )


def _title(text: str) -> Section:
    return Section(f"{text}\n{'=' * len(text)}")


def _published_in_coulombs(found: Analysis) -> str:
    scale = 1e-10 * COULOMBS_PER_ESU
    unit = found.unit * scale
    return (
        f"One esu is 3.33564e-10 C, so the unit is {brackets(unit, found.unit_err * scale, 'C')}; "
        f"the bracket holds the scatter of the readings only. That is "
        f"{100 * (unit / ELEMENTARY - 1):+.1f} % from the elementary charge as it is known today, "
        "which was used nowhere in the estimate: the difference is in the published charges."
    )
