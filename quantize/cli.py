"""The command line: parses, calls, prints."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from quantize import __version__
from quantize._support.errors import InputError
from quantize.show.options import (
    DESIGN,
    comparing,
    designing,
    drawn_seed,
    for_what,
    for_which_page,
    handing_in,
    heading_of,
    integers_of,
    number_list,
    offset_of,
    page_and_bench,
    read_column,
    sigma_of,
    simulating,
    with_step,
)
from quantize.show.terminal import (
    Program,
    check_outputs,
    in_options,
    save_plot,
    say,
    say_groups,
    say_json,
    watched,
    written_by,
)

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.charge import DatedPlan
    from quantize.charge.coulombs import UnitInCoulombs
    from quantize.readings import Readings

_DEMO_SEED = 1911


@click.group(cls=Program, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="quantize", message="%(prog)s %(version)s")
def main() -> None:
    """Do readings come in whole-number steps, of what unit, and what is it in coulombs?"""


@main.command(short_help="Published charges, then an invented run.")
@click.option("--seed", type=click.IntRange(min=0), default=_DEMO_SEED, show_default=True)
@click.option("--plot", metavar="FILE", help="Draw the published charges (svg, pdf or png).")
@click.option("--full", is_flag=True, help="Print everything, not only the answer.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def demo(seed: int, plot: str | None, full: bool, as_json: bool) -> None:
    """Run the main job on thirteen published charges, then on an invented run."""
    from quantize.show.demo import say_demo

    say_demo(seed, plot, full, as_json)


@main.command(short_help="Do the readings in a table come in steps?")
@click.argument("file")
@click.option("--column", metavar="NAME", help="Column of the readings.")
@click.option("--sigma-column", metavar="NAME", help="Column of the sigma of each reading.")
@click.option("--state-column", metavar="NAME", help="Column of the charge state.")
@click.option("--by", metavar="NAME", help="Column that says whose reading it is: one by one.")
@click.option("--workers", type=int, metavar="N", help="Processes, with --by (1).")
@click.option("--checkpoint", metavar="FILE", help="Finished groups, with --by: goes on from it.")
@click.option("--apparatus", metavar="FILE", help="Apparatus file; FILE is then a run.")
@click.option("--particle", metavar="NAME", help="Which particle of a run.")
@click.option("--unit-range", type=float, nargs=2, metavar="LOW HIGH", help="Units to try.")
@click.option("--offset", metavar="zero|free", help="Where multiples start (zero), or a number.")
@click.option("--sigma", metavar="S", help="Known sigma; or predicted, from the apparatus.")
@click.option("--integers", nargs=2, metavar="FIRST LAST", help="Possible ones; LAST or unknown.")
@click.option("--resolution", type=float, metavar="H", help="Step to which readings are rounded.")
@click.option("--unit-name", metavar="TEXT", help="What they are measured in: div, or '1e-19 C'.")
@click.option("--as-written", is_flag=True, help="Put no row of a run right.")
@click.option("--alpha", type=float, default=0.05, show_default=True, help="False steps accepted.")
@click.option("--resamples", type=int, default=9999, show_default=True, metavar="N")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Drawn when left out.")
@click.option("--plot", metavar="FILE", help="Draw the result (svg, pdf or png).")
@click.option("--report", metavar="FILE", help="Write the report page (html).")
@handing_in
@click.option("--dated-plan", metavar="FILE", help="Plan written beforehand, to be held against.")
@click.option("--full", is_flag=True, help="Print everything, not only the answer.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def analyze(
    file: str,
    column: str | None,
    sigma_column: str | None,
    state_column: str | None,
    by: str | None,
    workers: int | None,
    checkpoint: str | None,
    apparatus: str | None,
    particle: str | None,
    unit_range: tuple[float, float] | None,
    offset: str | None,
    sigma: str | None,
    integers: tuple[str, str] | None,
    resolution: float | None,
    unit_name: str | None,
    as_written: bool,
    alpha: float,
    resamples: int,
    seed: int | None,
    plot: str | None,
    report: str | None,
    dated_plan: str | None,
    full: bool,
    as_json: bool,
    **texts: str | None,
) -> None:
    """Say whether the readings in FILE (csv, tsv, xlsx, parquet) come in steps.

    A table with one column of numbers needs no option.
    """
    import quantize as qz
    from quantize.charge import load_apparatus
    from quantize.charge.run_analysis import coulombs_or_why
    from quantize.charge.run_file import say_if_run
    from quantize.show.pages import analyzed_page
    from quantize.show.several import say_several

    check_outputs(
        {"plot": plot, "report": report, "checkpoint": checkpoint},
        {"file": file, "apparatus": apparatus, "dated_plan": dated_plan},
    )
    heading = heading_of(texts, report)
    options: dict[str, Any] = {"unit_range": unit_range, "alpha": alpha, "n_resamples": resamples}
    options["integers"] = integers_of(integers)
    if by is not None:
        single = {"apparatus": apparatus, "particle": particle, "report": report}
        say_groups(
            file,
            by,
            refused=single | {"dated-plan": dated_plan, "as-written": as_written or None},
            column=column,
            sigma=(sigma_of(sigma), sigma_column),
            state=state_column,
            resolution=resolution,
            unit_name=unit_name,
            plot=plot,
            as_json=as_json,
            offset=offset_of(offset),
            rng=seed,
            workers=workers,
            checkpoint=checkpoint,
            **options,
        )
        return
    bench = with_step(load_apparatus(apparatus), resolution) if apparatus else None
    promise = _dated_plan(dated_plan, with_run=bench is not None)
    columns = {"value": column, "sigma": sigma_column, "state": state_column}
    options["rng"] = drawn_seed() if seed is None else seed
    is_run = not any(columns.values()) and (bench is not None or Path(file).is_dir())
    how = {"offset": offset, "sigma": sigma, "resolution": resolution, "as_written": as_written}
    one = {"particle": particle, "report": report, "dated-plan": dated_plan, "plot": plot}
    _fits(is_run, unit_name, how | one, workers or checkpoint)
    if is_run and say_several(file, bench, how | one, options, as_json):
        return
    coulombs, missing = None, None
    if is_run:
        found = analyzed_page(file, bench, particle, how, options)
        readings = found.readings
    else:
        readings = read_column(file, columns, sigma_of(sigma), resolution, unit_name)
        say_if_run(file, column, bench)
        found = qz.analyze(readings, offset=offset_of(offset), **options)
        if bench is not None:
            coulombs, missing = coulombs_or_why(found, bench)
    if plot:
        save_plot(found, plot)
    kept: Any = {"coulombs": coulombs, "missing": missing, "plan": promise, "heading": heading}
    _say_analysis(found, readings, file, report, full, as_json, **kept)


@main.command(short_help="The rows of a run in coulombs.")
@click.argument("file", required=False)
@click.option("--apparatus", metavar="FILE", help="Apparatus file of the bench.")
@click.option("--route", metavar="NAME", help="Route from divisions to coulombs.")
@click.option("--template", is_flag=True, help="Print an apparatus file to fill in.")
@click.option("--blank-page", is_flag=True, help="Print a page for readings to fill in.")
@click.option("--kind", metavar="NAME", help="Of experiment; or what FILE calibrates.")
@click.option("--certificate", metavar="TEXT", help="Of the stage micrometer or voltmeter.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def convert(
    file: str | None,
    apparatus: str | None,
    route: str | None,
    template: bool,
    blank_page: bool,
    kind: str | None,
    certificate: str | None,
    as_json: bool,
) -> None:
    """Turn the rows of a run in FILE into coulombs, one by one."""
    from quantize.charge import load_apparatus, read_run
    from quantize.charge.run_file import holds_balances
    from quantize.show.forms import say_forms, say_repeats
    from quantize.show.pages import say_charges

    for_which_page(template or blank_page, kind)
    if template or blank_page:
        say_forms(kind or "fixed time", template, blank_page, as_json)
        return
    if kind is not None and file is not None:
        say_repeats(file, kind, certificate, as_json)
        return
    file, apparatus = page_and_bench(file, apparatus)
    if holds_balances(file) and not load_apparatus(apparatus).has("run.distance"):
        say_charges(file, apparatus, as_json)
        return
    run = read_run(file, apparatus)
    table = run.charges(route=route)
    if as_json:
        say_json(
            {
                "schema": "quantize.cli.convert/1",
                "file": file,
                "route": table.attrs["route"],
                "exact": table.attrs["exact"],
                "agreement": table.attrs["agreement"],
                "remarks": [*run.remarks, *table.attrs["doubted"]],
                "rows": table,
                "apparatus": run.bench().to_dict(),
            }
        )
        return
    from quantize.show.run import charges_view
    from quantize.show.text import view_text

    head = f"{len(run)} rows from {file}, {table.attrs['way']}"
    say(f"{head}\n\n{view_text(charges_view(run, table))}")


@main.command(short_help="Estimators on simulated pages.")
@comparing
@simulating
def compare(
    readings: str,
    sigma: str,
    repeats: str,
    family: str | None,
    estimator: tuple[str, ...],
    csv: str | None,
    plot: str | None,
    seed: int | None,
    integers: tuple[int, int],
    as_json: bool,
    **options: Any,
) -> None:
    """Compare estimators on simulated pages; the unit is 1, so that sigma is sigma/unit."""
    import quantize as qz
    from quantize.studies.comparison import DEFAULT

    check_outputs({"plot": plot, "csv": csv, "checkpoint": options["checkpoint"]})
    conditions = {
        "n": number_list("--readings", readings),
        "sigma": number_list("--sigma", sigma),
        "repeats": number_list("--repeats", repeats),
        "integers": integers,
        "family": family,
    }
    found = qz.compare_estimators(
        estimator or DEFAULT, conditions, rng=seed, progress=watched(), **options
    )
    if csv:
        with written_by("--csv"):
            found.to_csv(csv)
    if plot:
        save_plot(found, plot)
    if as_json:
        say_json({"schema": "quantize.cli.compare/1"} | {"comparison": found.to_dict()})
    else:
        say(f"{found}\n\nSeed {found.seed['entropy']}")


@main.command(short_help="How many readings, which bench, what next.")
@click.argument("run", required=False)
@click.option("--sigma", metavar="S,S,...", help="Of a reading; asks for the readings needed.")
@click.option("--unit", type=float, default=1.0, show_default=True, help="The unit expected.")
@click.option("--readings", metavar="N,N,...", help="At hand; asks for the smallest unit.")
@click.option("--apparatus", metavar="FILE", help="A bench; asks for sphere, interval, voltage.")
@designing
@click.option("--particle", metavar="NAME", help="Which particle of RUN.")
@click.option("--diameters", metavar="D,D,...", help="Spheres to try, such as 2.1um.")
@click.option("--intervals", metavar="T,T,...", help="Intervals to try, in seconds.")
@click.option("--repeats", metavar="M,M,...", help="Readings of each state.")
@click.option("--power", type=float, default=0.8, show_default=True)
@click.option("--replicates", type=int, metavar="N", help="Simulate, with N pages at each size.")
@simulating
def plan(
    run: str | None,
    particle: str | None,
    sigma: str | None,
    diameters: str | None,
    intervals: str | None,
    repeats: str | None,
    plot: str | None,
    seed: Any,
    as_json: bool,
    **options: Any,
) -> None:
    """How many readings show steps, how small a unit they show, which bench to build.

    With a bench: what limits the uncertainty in coulombs, and how much reaches --target. With RUN,
    the page so far: what to measure next.
    """
    import quantize as qz
    from quantize.show.pages import say_next, say_plan
    from quantize.studies.search import seed_of

    outputs = {"plot": plot, "checkpoint": options["checkpoint"]}
    check_outputs(outputs, {"apparatus": options["apparatus"], "run": run})
    for_what(run, options["apparatus"])
    if run is not None:
        say_next(run, options["apparatus"], particle, as_json)
        return
    design = {name: options.pop(name) for name in DESIGN}
    lists: dict[str, list[Any]] = {
        "diameters": diameters.split(",") if diameters else [],
        "intervals": number_list("--intervals", intervals),
        "readings": number_list("--readings", options.pop("readings")),
        "repeats": number_list("--repeats", repeats),
        "sigma": number_list("--sigma", sigma),
    }
    given = {name: values for name, values in lists.items() if values}
    if lists["readings"] and len(lists["sigma"]) == 1:
        options["sigma"] = given.pop("sigma")[0]  # of the readings at hand
    seed = seed_of(seed, options["checkpoint"]).entropy if options["replicates"] else seed
    found = qz.plan(rng=seed, progress=watched(), **given, **options)  # type: ignore[arg-type]
    if plot:
        save_plot(found, plot)
    say_plan(found, options["apparatus"], design | {"repeats": lists["repeats"]}, seed, as_json)


def _fits(is_run: bool, unit_name: str | None, of_run: dict[str, Any], of_groups: Any) -> None:
    """Refuse options that are not for a sample or a run, whichever FILE holds."""
    if of_groups:
        raise InputError("--workers and --checkpoint are for many groups; name them with --by.")
    if is_run and unit_name is not None:
        raise InputError("--unit-name is for a column of values; a run is in divisions.")
    given = [name for name in ("as-written", "particle") if of_run[name.replace("-", "_")]]
    if given and not is_run:
        raise InputError(f"--{given[0]} is for the rows of a run; give its bench as --apparatus.")


def _say_analysis(
    found: Analysis,
    readings: Readings,
    file: str,
    report: str | None,
    full: bool,
    as_json: bool,
    *,
    coulombs: UnitInCoulombs | None,
    missing: str | None,
    plan: DatedPlan | None,
    heading: dict[str, str],
) -> None:
    """Write the report page of one analysis, where it is asked for, and print text or JSON."""
    if report:
        with written_by("--report"):
            known = {"coulombs": coulombs, "missing": missing, "plan": plan}
            found.report(report, source=file, **known, **heading)
    if as_json:
        from quantize.show.run import record

        keys = record(found, file, coulombs=coulombs, missing=missing, plan=plan)
        say_json(keys | {"read_from": str(readings.origin)})
        return
    from quantize.show.run import run_view
    from quantize.show.short import short_view
    from quantize.show.text import view_text

    say(f"{len(readings)} readings from {file}\n{readings.origin}\n")
    page = f"{report} holds it" if report else "--report FILE writes it"
    more = f"--full prints everything, {page} as a page"
    run = coulombs, missing, plan
    view = run_view(found, *run) if full else short_view(found, *run, more=more)
    say(in_options(view_text(view)))


def _dated_plan(file: str | None, *, with_run: bool) -> DatedPlan | None:
    from quantize.charge import DatedPlan

    if file is not None and not with_run:
        raise InputError("--dated-plan is held against a run; give its --apparatus as well.")
    with written_by("--dated-plan"):
        return None if file is None else DatedPlan.load(file)
