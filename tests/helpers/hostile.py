"""Labels that would do harm if a page took them for anything but text."""

from __future__ import annotations

import dataclasses

import quantize as qz
from quantize.analysis import Analysis

HOSTILE = [
    "<script>alert(1)</script>",
    "\"quotes' & <b onclick=alert(1)>",
    "\x1b[31m\x07control\r\n",
    "\u202egnp.exe \u05e9\u05dc\u05d5\u05dd",
    "😀 $\\frac{1}{2$ {{7*7}}",
    "x" * 10_000,
]
MARKS = ["<script>", "\"quotes' & <b", "control", "exe", "😀 $\\frac", "10,000 characters"]
"""What must be seen of each."""


def hostile(found: Analysis) -> Analysis:
    """An analysis of six states, with these labels on its states."""
    labels = [HOSTILE[code] for code in found.readings.state]
    return dataclasses.replace(found, readings=qz.Readings(found.readings.values, state=labels))
