"""Inputs that a fuzzer grows towards lines not yet run, for the readers of files.

``python tests/fuzz/guided.py table --runs 20000`` reads files mutated from the small tables below
and stops at the first exception that is not a sentence of the library, with the input written to
``crash-*`` in the folder. Needs ``atheris`` (the ``fuzz`` extra), which knows which lines an input
reached.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from pathlib import Path

SEEDS = [
    b"volts,divisions\n271,3.1\n271,6.2\n",
    "Lauf;Teilstriche\r\na;3,10\r\nb;6,25\r\n".encode("utf-16"),
    b'# note\nstate\tdivisions\n"a\nb"\t\xe2\x88\x923.1\n',
    b"1 2 3\n4 5 6\n",
    b"PK\x03\x04",
    b"PAR1",
    b"[plates]\nseparation = '5.0(1) mm'\n",
]
READERS = ("table", "run", "apparatus")


def main() -> None:
    """Run as a command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("reader", choices=READERS)
    parser.add_argument("--runs", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    import atheris

    with atheris.instrument_imports(include=["quantize"]):
        from quantize import InputError, QuantizeWarning, charge
        from quantize.files import read_table

        read = {
            "table": read_table,
            "run": charge.read_run,
            "apparatus": charge.load_apparatus,
        }
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / ("bench.toml" if options.reader == "apparatus" else "page.csv")
        corpus = Path(folder) / "corpus"
        corpus.mkdir()
        for number, data in enumerate(SEEDS):
            (corpus / str(number)).write_bytes(data)

        def once(data: bytes) -> None:
            file.write_bytes(data)
            try:
                read[options.reader](file)
            except InputError as error:
                if "\n" in str(error):
                    raise

        warnings.simplefilter("error")
        warnings.simplefilter("ignore", QuantizeWarning)
        limits = [f"-runs={options.runs}", f"-seed={options.seed}", "-max_len=400", "-verbosity=0"]
        atheris.Setup([sys.argv[0], *limits, str(corpus)], once)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
