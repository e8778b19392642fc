"""What tests of the command line share: how it is run, and a page to run it on."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import quantize as qz

DATA = Path(qz.__file__).parent / "data"
PAGE = "q\n19.66\n24.60\n29.62\n34.47\n39.38\n44.42\n49.41\n53.91\n59.12\n63.68\n"
QUICK = ("--resamples", "49")


class Done(NamedTuple):
    """How a command ended."""

    status: int
    out: str
    err: str


Run = Callable[..., Done]


def program(*arguments: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Run the program in a process of its own."""
    return subprocess.run(
        [sys.executable, "-P", "-c", "from quantize.cli import main; main(prog_name='quantize')"]
        + list(arguments),
        capture_output=True,
        env={**os.environ, **environment},
        check=False,
    )
