"""The library inside another tool: evidence after every reading, a rule to stop.

A thread plays the instrument. The loop looks at the evidence after each reading
and stops as soon as it is strong enough; looking so often is allowed, because the
range and the window were fixed before the first reading.
"""

import math
import queue
import threading

import numpy as np

import quantize as qz

ALPHA, MOST = 0.05, 40
UNIT_RANGE = (4.0, 25.0)  # divisions, written down beforehand
WINDOW = (-60.0, 60.0)  # and so is this


def instrument(readings: queue.Queue) -> None:
    """Invented bench: steps of 10 divisions, a scatter of 1."""
    rng = np.random.default_rng(3)
    for _ in range(MOST):
        readings.put(float(10 * rng.integers(-5, 6) + rng.normal(0, 1.0)))
    readings.put(None)


readings = queue.Queue()
threading.Thread(target=instrument, args=(readings,), daemon=True).start()

evidence = qz.RunningEvidence(UNIT_RANGE, WINDOW)
page: list[float] = []
while (value := readings.get()) is not None:
    page.append(value)
    log_evidence = evidence.update(value)
    odds = math.exp(min(log_evidence, 20.0))
    seen = f"{len(page):>3} readings, the last {value:+7.2f}"
    print(f"{seen}: evidence {odds:,.1f} to 1")
    if log_evidence > math.log(1 / ALPHA):
        print(f"Strong enough after {len(page)} readings: these come in steps.")
        break

found = qz.fit_mixture(page, UNIT_RANGE)
error = found.unit_err
print(f"Unit {found.unit:.2f} divisions, standard uncertainty {error:.2f}")
