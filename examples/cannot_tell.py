"""Too few readings, too much scatter: what the page says, and what to do next.

The same invented bench then follows the advice: each charge is read three times,
each reading takes twice as long, so that a unit is twice as many divisions, and
more charges are taken.
"""

import numpy as np

import quantize as qz

PER_SECOND = 2.0  # divisions for one unit in a second
SCATTER = 0.8  # divisions, in one second
rng = np.random.default_rng(4)


def bench(whole_numbers, repeats, seconds):
    """A page of readings; the states come from the log of the charge changes."""
    k = np.repeat(whole_numbers, repeats)
    scatter = SCATTER * seconds**0.5
    values = PER_SECOND * seconds * k + rng.normal(0, scatter, size=k.size)
    state = np.repeat(np.arange(len(whole_numbers)), repeats)
    return qz.Readings(values.round(), state=state)


first = qz.analyze(bench([2, 3, 5, 1, 4, 2], 1, 5.0), (4, 30), rng=1)
print(f"Six readings of five seconds: {first.verdict}")
for sentence in (*first.reasons, *first.advice):
    print(f"  {sentence}")

charges = [2, 3, 5, 1, 4, 2, 7, 6, 3, 8, 1, 5, 9, 4, 6, 10]
second = qz.analyze(bench(charges, 3, 10.0), (8, 60), rng=1)
print("\nSixteen charges, each read three times for ten seconds:", second.verdict)
for sentence in second.reasons:
    print(f"  {sentence}")
error = second.unit_err
print(f"  unit {second.unit:.2f} divisions, standard uncertainty {error:.2f}")
