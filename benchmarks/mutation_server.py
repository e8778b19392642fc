"""Runs tests in forked copies of one process that has the big libraries loaded already.

Reads one question a line, ``{"tests": [...], "seconds": 60}``, and answers with one line,
``{"noticed": true, "by": "tests/...::test_..."}``. The package itself is imported by the copies
only, so that each sees the source as it stands then.
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import signal
import sys
import tempfile
from pathlib import Path

import arviz  # noqa: F401
import emcee  # noqa: F401
import h5py  # noqa: F401
import matplotlib.pyplot  # noqa: F401
import numpy  # noqa: F401
import pandas  # noqa: F401
import pint  # noqa: F401
import pytest
import scipy.optimize
import scipy.special
import scipy.stats  # noqa: F401
import uncertainties  # noqa: F401

MEMORY = 6 * 2**30
"""Bytes that the tests of one fault may take."""
BROKEN = 70
FAILED = (pytest.ExitCode.TESTS_FAILED, pytest.ExitCode.INTERRUPTED)


class _FirstFailure:
    """Which test failed first."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.path.write_text(report.nodeid, encoding="utf-8")

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.path.write_text(f"{report.nodeid} (on import)", encoding="utf-8")


def _child(tests: list[str], seconds: float, failure: Path) -> None:
    os.setsid()
    resource.setrlimit(resource.RLIMIT_CPU, (int(seconds), int(seconds) + 5))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    with open(os.devnull, "w") as silence:
        os.dup2(silence.fileno(), 1)
        os.dup2(silence.fileno(), 2)
    options = ["-x", "-q", "-p", "no:cacheprovider"]
    code = pytest.main([*options, *tests], plugins=[_FirstFailure(failure)])
    os._exit(int(code))


def _answer(tests: list[str], seconds: float, failure: Path) -> dict[str, object]:
    failure.unlink(missing_ok=True)
    child = os.fork()
    if child == 0:
        try:
            _child(tests, seconds, failure)
        except BaseException as error:
            failure.write_text(f"pytest itself: {error}", encoding="utf-8")
        finally:
            os._exit(BROKEN)
    # A fault may also make the tests wait for something that never comes.
    signal.signal(signal.SIGALRM, lambda *_: os.killpg(child, signal.SIGKILL))
    signal.alarm(int(4 * seconds))
    _, status = os.waitpid(child, 0)
    signal.alarm(0)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    by = failure.read_text(encoding="utf-8") if failure.exists() else ""
    if os.WIFSIGNALED(status):
        return {"noticed": True, "by": f"signal {os.WTERMSIG(status)}, {by}"}
    code = os.WEXITSTATUS(status)
    if code not in (0, *FAILED):
        return {"noticed": False, "by": by, "error": f"exit status {code}"}
    return {"noticed": code != 0, "by": by}


def main() -> None:
    """Answer questions until there are no more."""
    sys.dont_write_bytecode = True
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
    os.environ["PYTHONPATH"] = os.getcwd()
    sys.path.insert(0, os.getcwd())
    with tempfile.TemporaryDirectory() as folder:
        for line in sys.stdin:
            question = json.loads(line)
            found = _answer(question["tests"], question["seconds"], Path(folder) / "failure")
            print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
