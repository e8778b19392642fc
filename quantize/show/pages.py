"""Pages of the bench on the command line: of runs, and of balance voltages with their view."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from quantize._support.errors import InputError
from quantize.charge.coulombs import budget_text
from quantize.charge.routes import by_way
from quantize.charge.stated import raised
from quantize.show.analysis import analysis_view
from quantize.show.numbers import brackets
from quantize.show.options import offset_of, refuse, sigma_of
from quantize.show.run import conditional
from quantize.show.terminal import say, say_json
from quantize.show.text import view_text
from quantize.show.view import Column, Preformatted, Section, Table, View

if TYPE_CHECKING:
    from quantize.analysis import Analysis
    from quantize.charge.balances import BalanceAnalysis
    from quantize.studies.planning import Plan


def say_next(file: str, apparatus: str | None, particle: str | None, as_json: bool) -> None:
    """Print what to measure next in a run."""
    from quantize.charge import read_run
    from quantize.charge.run_file import holds_balances
    from quantize.tables.reading import read

    if file != "-":
        read(file, headed=True)
    if holds_balances(file):
        raise InputError(
            f"`{file}` is a page of balance voltages, and what to read next is worked out for runs "
            "of movements: give such a page, with a voltage and divisions or times in each row; "
            f"`quantize analyze {file} --apparatus FILE` says what would settle these voltages."
        )
    if apparatus is None:
        raise InputError(
            f"--apparatus FILE is missing: what another reading brings to the run in `{file}` is "
            "in coulombs (quantize convert --template prints such a file to fill in)."
        )
    found = read_run(file, apparatus).next_step(particle=particle)
    if as_json:
        say_json({"schema": "quantize.cli.next/1", "file": file, "next": found.to_dict()})
    else:
        say(f"{file}\n\n{found}")


def say_plan(
    found: Plan, apparatus: str | None, design: dict[str, Any], seed: int | None, as_json: bool
) -> None:
    """Print a plan and, for a bench, the plan in coulombs or why there is none."""
    from quantize.studies.bench import in_coulombs

    more: dict[str, Any] = {}
    if apparatus is not None:
        coulombs, missing = in_coulombs(apparatus, found.table.iloc[0].to_dict(), design)
        more = {"coulombs": coulombs, "missing": missing}
    if as_json:
        say_json({"schema": "quantize.cli.plan/1", "plan": found, "seed": seed} | more)
        return
    told = more.get("coulombs") or more.get("missing")
    parts = [found, told, None if seed is None else f"Seed {seed}"]
    say("\n\n".join(str(part) for part in parts if part is not None))


def balance_view(found: BalanceAnalysis, **options: Any) -> View:
    """An analysis of 1/V with what the voltages were taken for and the unit in coulombs."""
    own = of_balances(found)
    return (own["read"], *analysis_view(found, **options), own["budget"])


def of_balances(found: BalanceAnalysis) -> dict[str, Section]:
    """What balance voltages add to an analysis, by the sections of the report."""
    taken = (
        f"{len(found.readings)} readings of 1/V in 1/kV, from {len(found.balances)} settings; the "
        f"standard deviation of one setting is {found.setting}. Multiples count from zero, since "
        "a sphere stands still where n e = w d / V."
    )
    return {"read": Section("How the page was read", [taken]), "budget": _coulombs(found)}


def _coulombs(found: BalanceAnalysis) -> Section:
    unit, agreement = found.coulombs, found.agreement
    if unit is None or found.route is None or agreement is None:
        return Section("In coulombs", [f"Not stated: {found.missing}"])
    way, told = by_way(found.route), f"Do all inputs agree? {agreement.told}"
    if found.conditional:
        return Section("In coulombs, if there were steps", [conditional(unit, way), told])
    low, high = unit.interval(0.95)[0]
    value = brackets(unit.value, unit.standard_uncertainty, "C")
    stated = raised(f"unit = {value} {way} (95 % interval {low:.4g} C to {high:.4g} C).")
    return Section("In coulombs", [stated, Preformatted(budget_text(unit.budget)), told])


def say_charges(file: str, apparatus: str, as_json: bool) -> None:
    """Print the charge behind every balance voltage in a file."""
    from quantize.charge import BalanceVoltages

    refuse(["route"], f"is for the rows of a run, and {file} holds balance voltages; leave it out.")
    table = BalanceVoltages(file, apparatus).charges()
    route, agreement = table.attrs["route"], table.attrs["agreement"]
    if as_json:
        keys = {"schema": "quantize.cli.convert.balances/1", "file": file, "route": route}
        say_json(keys | {"agreement": agreement, "rows": table})
        return
    columns = [
        Column("state", "state", 8),
        Column("voltage", "volt", 10, form="g"),
        Column("charge", "charge in C", 14, form=".5g"),
        Column("random", "random", 10, form=".2g"),
        Column("shared", "shared", 10, form=".2g"),
    ]
    why = (
        "How much one setting scatters is not known: set the balance of one state again, or write "
        'it as setting = "____ V" under [plates].'
    )
    unknown = [why] * bool(table["random"].isna().any())
    rows = Section("", [Table(columns, table.to_dict("records")), *unknown])
    agree = Section("Do all inputs agree?", [agreement.told])
    say(f"{len(table)} balance voltages from {file}, {by_way(route)}\n")
    say(view_text((rows, agree)))


def analyzed_page(
    file: str, bench: Any, particle: str | None, asked: dict[str, Any], options: dict[str, Any]
) -> Analysis:
    """The analysis of a run, or of a page of balance voltages."""
    from quantize.charge import BalanceVoltages, read_run
    from quantize.charge.run_analysis import analyze_run
    from quantize.charge.run_file import holds_balances

    sigma, offset = asked["sigma"], asked["offset"]
    if bench.has("run.distance") or not holds_balances(file):
        return analyze_run(
            read_run(file, bench).single(particle),
            offset=None if offset is None else offset_of(offset),
            sigma=sigma if sigma == "predicted" else sigma_of(sigma) or "auto",
            resolution=asked["resolution"],
            mend=not asked["as_written"],
            **options,
        )
    if asked["as_written"]:
        raise InputError(
            f"`{file}` holds balance voltages, which are always taken as written; leave "
            "--as-written out."
        )
    if asked["resolution"] is not None or offset not in (None, "zero") or sigma == "predicted":
        raise InputError(
            f"`{file}` holds balance voltages, whose 1/V count from zero; leave --offset and "
            "--resolution out, and give the volts by which one setting scatters as --sigma."
        )
    balances = BalanceVoltages(file, bench, particle=particle)
    return balances.analyze(setting=sigma_of(sigma), **options)
