"""Settings of the documentation; build with ``sphinx-build -W docs docs/_build``."""

from __future__ import annotations

import sys
from pathlib import Path

import quantize

sys.path.insert(0, str(Path(__file__).resolve().parent))

project = "quantize"
author = "The quantize maintainers"
copyright = "The quantize maintainers"
version = release = quantize.__version__

extensions = [
    "sphinx.ext.autodoc",
    "sphinx.ext.autosummary",
    "numpydoc",
    "myst_parser",
    "figures",
    "formulas",
    "measured",
]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build", "tables"]  # tables stand on the pages in measured/
nitpicky = False

myst_enable_extensions = ["attrs_block", "deflist", "dollarmath"]
myst_heading_anchors = 3

autosummary_generate = False
autodoc_typehints = "none"
autodoc_member_order = "bysource"
numpydoc_show_class_members = False
numpydoc_xref_param_type = False

html_theme = "alabaster"
html_math_renderer = "mathml"
html_static_path = ["_static"]
html_css_files = ["quantize.css"]
html_copy_source = False
html_show_sphinx = False
html_theme_options = {
    "description": "Whole-number steps in noisy readings",
    "fixed_sidebar": True,
    "page_width": "64rem",
    "sidebar_width": "14rem",
    "font_family": "Georgia, 'Times New Roman', serif",
    "head_font_family": "Georgia, 'Times New Roman', serif",
    "font_size": "1.05rem",
    "link": "#1a5276",
    "show_powered_by": False,
}
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}
