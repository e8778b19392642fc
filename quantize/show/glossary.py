"""Terms that a page may use, with a line for a reader in the first year."""

from __future__ import annotations

import html
import re

GLOSSARY = {
    "95 % interval": "Where the true value is expected to lie, in 95 of 100 results of this kind.",
    "95 % set": "The sizes of the unit that together hold 95 % of the probability; it may come in "
    "several pieces when several sizes fit.",
    "balance": "The state in which the field just carries the sphere, so that it hangs still.",
    "Bayes factor": "How many times more probable the readings are under one explanation than "
    "under another; as odds, if both were equally likely beforehand.",
    "budget": "The list of everything that makes the result uncertain, with its share.",
    "charge state": "A spell in which the charge did not change; its readings share one whole "
    "number.",
    "chi-square": "Differences from what was expected, each divided by its standard deviation, "
    "squared and added; near its degrees of freedom when chance explains them.",
    "clusters": "Readings that crowd about a few values which are not equally far apart.",
    "comb": "Values at equal distances, as the teeth of a comb: the multiples of one unit.",
    "degrees of freedom": "How many independent repeats stand behind an uncertainty; ∞: very many.",
    "exponent": "By how many per cent the result changes when the input changes by one per cent.",
    "intercept": "Where a straight line stands at zero, here at zero volts.",
    "least squares": "The method that makes the sum of the squared differences from the multiples "
    "as small as it can be.",
    "mixture over integers": "The method that weighs every whole number for each reading instead "
    "of choosing one.",
    "Monte Carlo": "The result worked out many times with inputs drawn by chance within their "
    "uncertainties.",
    "moved by chance": "Each reading moved by a random amount, so far that no step is left.",
    "natural log": "The power to which 2.718 is raised to give a number: 3 means about 20, 4.6 "
    "about 100.",
    "odds": "How often one thing happens for each time that the other does: 20 to 1.",
    "offset": "The value from which the multiples are counted; zero if nothing else is said.",
    "p": "How often samples without steps look at least as regular as these readings, with every "
    "unit in the range tried on them too. Small means: hard to get without steps.",
    "periodogram": "The score of every trial unit; as a method, its highest peak.",
    "reading": "One measured value.",
    "recording step": "The smallest difference with which the readings were written down.",
    "resamples": "Samples without steps, made by the computer to see how regular chance can look.",
    "residual voltage": "A voltage left on the plates when there should be none.",
    "Reynolds number": "The inertia of the air beside its stickiness; far below 1, drag is in "
    "proportion to speed.",
    "rival": "Another size of the unit that fits, with the share of the probability that it "
    "holds; half or a third of the unit always fits to some degree.",
    "route": "One way of getting from divisions to coulombs, with the inputs that it needs.",
    "sample": "One set of readings, measured or made by the computer.",
    "scatter": "The standard deviation of single readings about their multiple.",
    "score": "How well the readings agree with the multiples of one trial unit; at any one unit "
    "it is about 0 ± 1 when there are no steps.",
    "seed": "The number that starts the random numbers; the same seed gives the same result.",
    "sigma": "The standard deviation of one reading.",
    "slope": "How fast a straight line rises.",
    "standard deviation": "The usual size of a difference from the mean; about two of three are "
    "smaller.",
    "standard error": "The standard deviation of an estimate, as it would vary from sample to "
    "sample.",
    "standard uncertainty": "The standard deviation of a result; about two results in three lie "
    "within one of it.",
    "Stokes' law": "A slow small sphere meets a drag in proportion to its speed.",
    "trial unit": "A size of the unit that was tried.",
    "unit": "The size of one step, if there are steps.",
    "variance": "The square of a standard uncertainty; shares are shares of it.",
    "weight, effective": "The weight of the sphere less the buoyancy of the air.",
    "whole number": "How many units a reading holds.",
}
_LOOK_FOR = {
    "least squares": r"\bleast squares|\bleast-squares",
    "odds": r"\bodds\b|\bto 1\b",
    "Stokes' law": r"\bStokes",
    "weight, effective": r"\beffective weight",
}
"""Patterns of terms that a text does not use as they stand in the list."""


def glossary(page: str) -> list[tuple[str, str]]:
    """The terms that a page uses, in its text or for a picture, with their meaning."""
    labels = " ".join(re.findall(r'aria-label="([^"]*)"', page))
    text = re.sub(r"<style.*?</style>|<[^>]*>", " ", page, flags=re.DOTALL) + " " + labels
    text = " ".join(html.unescape(text).split())
    return [
        (term, meaning)
        for term, meaning in GLOSSARY.items()
        if re.search(_LOOK_FOR.get(term, rf"\b{re.escape(term)}"), text, _case(term))
    ]


def _case(term: str) -> re.RegexFlag:
    return re.RegexFlag(0) if len(term) == 1 else re.IGNORECASE
