from __future__ import annotations

import subprocess
import sys

HEAVY = ("scipy.stats", "scipy.optimize", "lmfit", "pandas", "matplotlib")


def test_the_power_law_loads_nothing_heavy() -> None:
    code = f"""
import sys
import numpy as np
from strandwise.ratelaw import RateSeries, fit_batches
p = np.array([1e6, 2e6, 4e6, 6e6, 8e6])
z = np.zeros(5)
s = RateSeries(label="B", formulation="f", tests=tuple("abcde"), pressure=p, rate=1e-6 * p**0.5,
               pressure_sd=z, rate_sd=z, kinds=("strand",) * 5)
fit_batches([s])[0].rate_at(3e6)
print([name for name in {HEAVY!r} if name in sys.modules])
"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
