"""What the commands write, and what they never write over."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from command_line import PAGE, QUICK, Run

posix = pytest.mark.skipif(sys.platform == "win32", reason="pipes and modes are those of POSIX")
MANY = "particle,q\n" + "".join(f"{'AB'[i % 2]},{x}\n" for i, x in enumerate(PAGE.split()[1:]))
STUDY = ("--readings", "6", "--sigma", "0.1", "--replicates", "2", "--seed", "1")
GROUPS = (
    *("analyze", "many.csv", "--by", "particle", "--unit-range", "3", "12"),
    *(*QUICK, "--seed", "1"),
)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


# ---- what stands there ---------------------------------------------------------------------------


@posix
def test_a_pipe_is_written_into_and_stays_one(quantize: Run, tmp_path: Path) -> None:
    got: list[bytes] = []
    for name in ("pipe.html", "pipe.svg"):
        os.mkfifo(tmp_path / name)
        reader = threading.Thread(
            target=lambda name=name: got.append((tmp_path / name).read_bytes()), daemon=True
        )
        reader.start()
        option = "--plot" if name.endswith("svg") else "--report"
        assert quantize("analyze", "page.csv", *QUICK, option, name).status == 0
        reader.join(timeout=30)
        assert stat.S_ISFIFO((tmp_path / name).stat().st_mode)
    assert got[0].startswith(b"<!DOCTYPE html>")
    assert got[0].rstrip().endswith(b"</html>")
    assert got[1].startswith(b"<?xml")


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/stdout").exists(), reason="no such devices")
@pytest.mark.parametrize("redirected", ["pipe", "file"])
def test_standard_output_is_written_into(redirected: str, tmp_path: Path) -> None:
    # Behind a link of its own, so that a fault would replace no device of the machine.
    (tmp_path / "link.csv").symlink_to("/dev/stdout")
    command = "compare", *STUDY, "--estimator", "least squares", "--csv", tmp_path / "link.csv"
    code = "from quantize.cli import main; main(prog_name='quantize')"
    with (tmp_path / "out.txt").open("wb") as out:
        done = subprocess.run(
            [sys.executable, "-P", "-c", code, *map(str, command)],
            stdout=out if redirected == "file" else subprocess.PIPE,
            stderr=subprocess.PIPE,
            check=False,
        )
    assert (done.returncode, done.stderr) == (0, b"")
    text = (tmp_path / "out.txt").read_text("utf-8") if redirected == "file" else str(done.stdout)
    assert text.count("least squares") == 2
    assert "Seed 1" in text
    assert (tmp_path / "link.csv").is_symlink()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device")
@pytest.mark.usefixtures("unrendered")
def test_a_full_device_is_one_sentence(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "full.html").symlink_to("/dev/full")
    done = quantize("analyze", "page.csv", *QUICK, "--report", "full.html")
    assert (done.status, done.out) == (2, "")
    assert done.err == (
        "quantize: --report is 'full.html', which cannot be written (No space left on device); "
        "choose another place.\n"
    )
    assert (tmp_path / "full.html").is_symlink()


@posix
@pytest.mark.usefixtures("unrendered")
def test_links_are_followed_and_modes_kept(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "kept").mkdir()
    real = tmp_path / "kept" / "page.html"
    real.write_text("old")
    real.chmod(0o600)
    (tmp_path / "link.html").symlink_to("kept/page.html")
    (tmp_path / "new.svg").symlink_to("kept/new.svg")
    done = quantize("analyze", "page.csv", *QUICK, "--report", "link.html", "--plot", "new.svg")
    assert done.status == 0
    assert (tmp_path / "link.html").is_symlink()
    assert (tmp_path / "new.svg").is_symlink()
    assert real.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert mode(real) == 0o600
    assert sorted(p.name for p in (tmp_path / "kept").iterdir()) == ["new.svg", "page.html"]


# ---- what is read is never written over ----------------------------------------------------------


@pytest.mark.parametrize("option", ["--report", "--plot"])
@pytest.mark.parametrize("spelling", ["page.svg", "./x/../page.svg", "hard.svg", "soft.svg"])
def test_the_readings_are_never_written_over(
    option: str, spelling: str, quantize: Run, tmp_path: Path
) -> None:
    (tmp_path / "x").mkdir()
    (tmp_path / "page.svg").write_text(PAGE)
    os.link(tmp_path / "page.svg", tmp_path / "hard.svg")
    (tmp_path / "soft.svg").symlink_to("page.svg")
    # Refused before anything long: with these resamples the test would not end.
    done = quantize("analyze", "page.svg", "--resamples", "100000000", option, spelling)
    assert (done.status, done.out) == (2, "")
    assert done.err == (
        f"quantize: {option} is {spelling!r}, the same file as FILE, which is read; "
        "choose another name.\n"
    )
    assert (tmp_path / "page.svg").read_text() == PAGE


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("analyze", "invented_run.csv", "--apparatus", "bench.svg", "--report", "bench.svg"),
            "--report is 'bench.svg', the same file as --apparatus, which is read; choose another",
        ),
        (
            ("analyze", "invented_run.csv", "--dated-plan", "bench.svg", "--plot", "bench.svg"),
            "--plot is 'bench.svg', the same file as --dated-plan, which is read; choose another",
        ),
        (
            ("analyze", "page.csv", "--report", "./new.svg", "--plot", "new.svg"),
            "--report is './new.svg', the same file as --plot; give each its own.",
        ),
        (
            ("analyze", "many.csv", "--by", "particle", "--checkpoint", "many.csv"),
            "--checkpoint is 'many.csv', the same file as FILE, which is read; choose another",
        ),
        (
            ("compare", *STUDY, "--csv", "a.jsonl", "--checkpoint", "a.jsonl"),
            "--checkpoint is 'a.jsonl', the same file as --csv; give each its own.",
        ),
        (
            ("plan", "--apparatus", "bench.svg", "--plot", "bench.svg"),
            "--plot is 'bench.svg', the same file as --apparatus, which is read; choose another",
        ),
        (("analyze", "page.csv", "--report", ""), "--report is ''; give the name of a file."),
    ],
)
def test_one_name_for_two_files(
    arguments: tuple[str, ...], message: str, quantize: Run, tmp_path: Path
) -> None:
    (tmp_path / "many.csv").write_text(MANY)
    (tmp_path / "bench.svg").write_bytes((tmp_path / "invented_apparatus.toml").read_bytes())
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    done = quantize(*arguments)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith(f"quantize: {message}")
    assert done.err.count("\n") == 1
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


@pytest.mark.skipif(not Path(os.devnull).exists(), reason="no such device")
@pytest.mark.usefixtures("unrendered")
def test_any_number_of_files_may_go_nowhere(quantize: Run, tmp_path: Path) -> None:
    for name in ("null.svg", "null.html"):
        (tmp_path / name).symlink_to(os.devnull)
    done = quantize(
        *("analyze", "page.csv", *QUICK), *("--plot", "null.svg", "--report", "null.html")
    )
    assert done.status == 0
    assert (tmp_path / "null.html").is_symlink()
    assert stat.S_ISCHR((tmp_path / "null.html").stat().st_mode)


# ---- files that work is kept in ------------------------------------------------------------------

FOREIGN = [
    b'{"weights": [1.5, 2.5, 3.5]}',
    b'{"schema":"quantize.Analysis/1","unit":4.9}',
    b"19.66,24.60,29.62",
    b"\x00\x01\x02",
    b"a line\ranother\r",
    b"[1]\n",
]


@pytest.mark.parametrize("content", FOREIGN)
@pytest.mark.parametrize("owner", ["analysis of groups", "study"])
def test_a_file_of_something_else_is_left_alone(
    content: bytes, owner: str, quantize: Run, tmp_path: Path
) -> None:
    (tmp_path / "many.csv").write_text(MANY)
    (tmp_path / "mine.json").write_bytes(content)
    command = ("compare", *STUDY) if owner == "study" else GROUPS
    done = quantize(*command, "--checkpoint", "mine.json")
    assert (done.status, done.out) == (2, "")
    assert done.err == (
        f"quantize: --checkpoint is 'mine.json', which no {owner} has written; "
        "choose another file.\n"
    )
    assert (tmp_path / "mine.json").read_bytes() == content


def test_what_is_left_of_a_first_line_is_begun_anew(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "many.csv").write_text(MANY)
    assert quantize(*GROUPS, "--checkpoint", "done.jsonl").status == 0
    whole = (tmp_path / "done.jsonl").read_bytes()
    for kept in (0, 12, -1):
        (tmp_path / "done.jsonl").write_bytes(whole.splitlines()[0][:kept])
        again = quantize(*GROUPS, "--checkpoint", "done.jsonl")
        assert again.status == 0, kept
        assert (tmp_path / "done.jsonl").read_bytes() == whole, kept


@posix
def test_a_kept_file_behind_a_link_keeps_its_mode(quantize: Run, tmp_path: Path) -> None:
    (tmp_path / "many.csv").write_text(MANY)
    (tmp_path / "real.jsonl").touch(mode=0o600)
    (tmp_path / "link.jsonl").symlink_to("real.jsonl")
    assert quantize(*GROUPS, "--checkpoint", "link.jsonl").status == 0
    assert (tmp_path / "link.jsonl").is_symlink()
    assert mode(tmp_path / "real.jsonl") == 0o600
    os.mkfifo(tmp_path / "pipe.jsonl")
    refused = quantize(*GROUPS, "--checkpoint", "pipe.jsonl")
    assert refused.status == 2
    assert "--checkpoint is 'pipe.jsonl', which is no file; give the name of a file." in refused.err


# ---- places that cannot be written ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "option", "place", "why"),
    [
        (("analyze", "page.csv"), "--report", ".", "a folder; give the name of a file in it."),
        (("analyze", "page.csv"), "--plot", "f.svg", "a folder; give the name of a file in it."),
        (GROUPS, "--checkpoint", ".", "a folder; give the name of a file in it."),
        (("compare", *STUDY), "--csv", "no/a.csv", "and there is no folder 'no'; make it first"),
        (("compare", *STUDY), "--checkpoint", "no/a", "and there is no folder 'no'; make it first"),
        (("analyze", "page.csv"), "--report", "page.csv/a", "and there is no folder 'page.csv'"),
        (("analyze", "page.csv"), "--report", "loop", "which cannot be written ("),
        (("analyze", "page.csv"), "--report", "x" * 300, "which cannot be written ("),
        (("analyze", "page.csv"), "--report", "lost.html", "and there is no folder '"),
    ],
)
@posix
def test_a_place_that_cannot_be_written_is_told_at_once(
    arguments: tuple[str, ...],
    option: str,
    place: str,
    why: str,
    quantize: Run,
    tmp_path: Path,
) -> None:
    (tmp_path / "many.csv").write_text(MANY)
    (tmp_path / "f.svg").mkdir()
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "lost.html").symlink_to("gone/page.html")
    before = sorted(os.listdir(tmp_path))
    slow = ("--resamples", "100000000") if arguments[0] == "analyze" else ()
    done = quantize(*arguments, *slow, option, place)
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith(f"quantize: {option} is {place!r}, {why}")
    assert done.err.count("\n") == 1
    assert sorted(os.listdir(tmp_path)) == before


def test_a_folder_that_may_not_be_written_is_told_at_once(
    quantize: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import tempfile

    def refused(**_: object) -> None:
        raise PermissionError(13, "Permission denied")

    # The owner of a machine may write everywhere, so that a mode would refuse nothing.
    monkeypatch.setattr(tempfile, "TemporaryFile", refused)
    done = quantize("analyze", "page.csv", "--resamples", "100000000", "--report", "a.html")
    assert (done.status, done.out) == (2, "")
    assert done.err == (
        "quantize: --report is 'a.html', which cannot be written (Permission denied); "
        "choose another place.\n"
    )


def test_a_file_that_may_not_be_written_stays(
    quantize: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.html").write_text("old")
    monkeypatch.setattr(os, "access", lambda path, how: Path(path).name != "a.html")
    done = quantize("analyze", "page.csv", "--resamples", "100000000", "--report", "a.html")
    assert (done.status, done.out) == (2, "")
    assert "which cannot be written (Permission denied)" in done.err
    assert (tmp_path / "a.html").read_text() == "old"


@pytest.mark.skipif(sys.platform == "win32", reason="no limits on the size of files")
@pytest.mark.parametrize(
    ("command", "option"),
    [
        (("analyze", "page.csv", *QUICK), "--report"),
        (("analyze", "page.csv", *QUICK), "--plot"),
        (GROUPS, "--checkpoint"),
        (("compare", *STUDY), "--csv"),
        (("compare", *STUDY), "--checkpoint"),
    ],
)
def test_a_full_disk_leaves_no_half_written_file(
    command: tuple[str, ...],
    option: str,
    quantize: Run,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import resource

    # Byte code of a module that is first imported here would be cut off as well, and stay so.
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    (tmp_path / "many.csv").write_text(MANY)
    before = sorted(os.listdir(tmp_path))
    name = "a.html" if option == "--report" else "a.svg"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (60, hard))
        done = quantize(*command, option, name)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert (done.status, done.out) == (2, "")
    assert done.err.startswith(f"quantize: {option} is '{name}', which cannot be written (File too")
    assert done.err.count("\n") == 1
    assert sorted(os.listdir(tmp_path)) == before
