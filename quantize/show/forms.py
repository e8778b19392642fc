"""What the command line prints before a run: forms to fill in, and what repeats say."""

from __future__ import annotations

from quantize._support import validation
from quantize.show.terminal import say, say_json
from quantize.show.text import view_text
from quantize.show.view import Preformatted, Section


def say_forms(kind: str, template: bool, blank_page: bool, as_json: bool) -> None:
    """Print the apparatus file of an experiment, the page for its readings, or both."""
    from quantize import charge

    forms = {}
    if template:
        forms["template"] = charge.template(kind)
    if blank_page:
        forms["blank_page"] = charge.blank_page(kind)
    if as_json:
        say_json({"schema": "quantize.cli.convert.forms/1", **forms})
    else:
        say("\n".join(form.rstrip("\n") for form in forms.values()))


def say_repeats(file: str, kind: str, certificate: str | None, as_json: bool) -> None:
    """Print what the repeats in a file say of the reticle, or of one balance."""
    from quantize.charge.coulombs import budget_text
    from quantize.charge.repeats import calibrate_reticle, repeat_balance

    computed = {"reticle": calibrate_reticle, "balance": repeat_balance}
    found = computed[validation.choice("kind", kind, computed)](file, certificate=certificate)
    if as_json:
        say_json(found.to_dict() | {"schema": "quantize.cli.convert.repeats/1", "file": file})
        return
    table = f"[{found.section}]\n{found.entry}\n\n{budget_text(found.budget)}"
    exact = "The instrument is taken for exact; --certificate says what its maker states of it."
    section = Section("", [Preformatted(table), *([exact] if certificate is None else [])])
    say(f"{found.repeats} readings from {file}, for the apparatus file:\n")
    say(view_text((section,)))
