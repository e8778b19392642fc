"""An INVENTED bench run, from raw rows to coulombs with a budget.

Give a file name to write the report page: python examples/bench_run.py run.html
"""

import sys
from pathlib import Path

import quantize as qz
from quantize.charge import read_run

data = Path(qz.__file__).parent / "data"
run = read_run(data / "invented_run.csv", data / "invented_apparatus.toml")
print("INVENTED DATA, computed from the physics of a sphere in air.")
print(run)

found = run.analyze(rng=1)
print(f"\nVerdict: {found.verdict}")
for reason in found.reasons:
    print(f"  {reason}")

print(f"\nWas the balance charge a whole number too?\n  {found.balance_sentence}")
print(f"\n{found.coulombs}")
print("\nWas the measurement sound?")
for check in found.checks.checks:
    print(f"  {check.level:<8}{check.name}")

if len(sys.argv) > 1:
    path = found.report(sys.argv[1], source="invented_run.csv")
    print(f"\nReport: {path}")
