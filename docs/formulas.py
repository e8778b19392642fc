"""Formulas as MathML, made when the documentation is built, so that they show without a network."""

from __future__ import annotations

import re
from typing import Any

from docutils import nodes
from latex2mathml.converter import convert
from sphinx.application import Sphinx

TAG = re.compile(r"\\tag\{(.+?)\}")


def as_mathml(latex: str, display: str) -> str:
    """A formula in MathML; `display` is "inline" or "block"."""
    made: str = convert(TAG.sub("", latex), display=display)
    if "\\" in made:
        raise ValueError(f"this formula has a command that MathML is not made of: {latex}")
    return made


def _inline(translator: Any, node: nodes.math) -> None:
    translator.body.append(as_mathml(node.astext(), "inline"))
    raise nodes.SkipNode


def _block(translator: Any, node: nodes.math_block) -> None:
    number = TAG.search(node.astext())
    label = f'<span class="number">({number[1]})</span>' if number else ""
    formula = as_mathml(node.astext(), "block")
    translator.body.append(f'<div class="formula">{formula}{label}</div>\n')
    raise nodes.SkipNode


def setup(app: Sphinx) -> dict[str, bool]:
    """Make it the renderer of formulas."""
    app.add_html_math_renderer("mathml", (_inline, None), (_block, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
