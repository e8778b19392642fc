"""Tables of a study as csv or parquet, whole or not at all."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import TYPE_CHECKING

from quantize._support.errors import missing
from quantize._support.writing import write_whole

if TYPE_CHECKING:
    import pandas as pd

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def write_csv(table: pd.DataFrame, path: str | os.PathLike[str]) -> Path:
    """Comma-separated, decimal points, every digit.

    Text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    shown = table.copy()
    for name in shown.columns:
        shown[name] = [
            f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA) else value
            for value in shown[name]
        ]
    text = shown.to_csv(index=False, lineterminator="\n")
    return write_whole(path, text.encode("utf-8"))


def write_parquet(table: pd.DataFrame, path: str | os.PathLike[str]) -> Path:
    """Parquet.

    Raises
    ------
    MissingDependencyError
        Without pyarrow.
    """
    out = io.BytesIO()
    try:
        import pyarrow as _pyarrow  # noqa: F401
    except ImportError:
        raise missing("Writing parquet", "pyarrow", "large") from None
    table.to_parquet(out, index=False)
    return write_whole(path, out.getvalue())
