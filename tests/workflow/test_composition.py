"""A campaign's files as the blending model sees them, with a published table of fifteen blends."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import numpy as np
import pytest

from strandwise.errors import RecordsError
from strandwise.records import Campaign, find_bench, read_campaign
from strandwise.workflow.composition import composition_view, measured_blends
from strandwise.workflow.reducing import reduce_campaign

ROOT = Path(__file__).parents[2]
PSI = 6894.757293168361  # NIST SP 811

# Coarse, fine, binder, burn rate at 500 psig: Gallant, Prickett, Cesarec and Bruck, Chemom. Intell.
# Lab. Syst. 90 (2008) 49, table 4, as the data set `Burn` of the package mixexp has it (read).
# Rates are taken for in/s; the sixth row adds up to 1.123.
TABLE = (
    (0.624, 0.166, 0.210, 0.443), (0.704, 0.166, 0.130, 0.630), (0.664, 0.176, 0.160, 0.536),
    (0.514, 0.277, 0.210, 0.526), (0.581, 0.289, 0.130, 0.620), (0.664, 0.289, 0.170, 0.513),
    (0.521, 0.308, 0.171, 0.604), (0.521, 0.308, 0.171, 0.546), (0.521, 0.308, 0.171, 0.550),
    (0.521, 0.308, 0.171, 0.601), (0.403, 0.387, 0.210, 0.571), (0.408, 0.399, 0.193, 0.609),
    (0.413, 0.412, 0.175, 0.664), (0.436, 0.412, 0.153, 0.666), (0.458, 0.412, 0.130, 0.701),
)  # fmt: skip
NAMES = ("coarse", "fine", "binder")
SLIP = 5


def campaign(folder: Path, rows: list[int]) -> Campaign:
    """A batch of each blend, three strands of n = 0.4 through its published rate."""
    shutil.copytree(ROOT / "shared", folder / "shared")
    place = folder / "campaigns" / "blends"
    place.mkdir(parents=True)
    roles = zip(NAMES, ("oxidiser", "oxidiser", "fuel"), strict=True)
    tables, batches = [], ["batch,formulation"]
    strands = ["test,batch,length (in),time (s),pressure (psig)"]
    for row in rows:
        *fractions, rate = TABLE[row]
        held = ", ".join(
            f'{name} = "{100 * x:.1f} %"' for name, x in zip(NAMES, fractions, strict=True)
        )
        tables.append(f"[blend-{row}]\ningredients = {{ {held} }}\n")
        batches.append(f"B-{row},blend-{row}")
        for number, gauge in enumerate((250.0, 500.0, 1000.0)):
            ratio = (gauge + 101325.0 / PSI) / (500.0 + 101325.0 / PSI)
            strands.append(f"S-{row}-{number},B-{row},1,{1.0 / (rate * ratio**0.4)!r},{gauge}")
    for name, lines in (
        ("campaign.toml", ['title = "Blends"', f'baseline = "blend-{rows[0]}"',
                           'ambient_pressure = "101325 Pa"']),
        ("ingredients.toml", [f'[{name}]\nrole = "{role}"' for name, role in roles]),
        ("formulations.toml", tables),
        ("batches.csv", batches),
        ("strands.csv", strands),
    ):  # fmt: skip
        (place / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_campaign(find_bench(folder, stated=folder).campaign("blends")).sound()


def test_published_blends_from_their_files(tmp_path: Path) -> None:
    # Against numpy's least squares on the published table itself, ln r over the fractions of 1.
    rows = [row for row in range(len(TABLE)) if row != SLIP]
    at = 500.0 * PSI + 101325.0
    found = composition_view(
        measured_blends(reduce_campaign(campaign(tmp_path, rows)), pressure=at)
    )
    table = np.array([TABLE[row] for row in rows])
    blends = table[:, :3] / table[:, :3].sum(axis=1, keepdims=True)
    logs = np.log(table[:, 3] * 0.0254)
    expected, *_ = np.linalg.lstsq(blends, logs, rcond=None)
    spare = len(rows) - 3
    variance = float(np.sum((logs - blends @ expected) ** 2)) / spare
    sds = np.sqrt(variance * np.diag(np.linalg.inv(blends.T @ blends)))
    assert [term.name for term in found.fit.ingredients] == list(NAMES)
    assert [t.coefficient for t in found.fit.ingredients] == pytest.approx(expected, rel=1e-5)
    assert [t.sd for t in found.fit.ingredients] == pytest.approx(sds, rel=1e-4)
    assert found.fit.residual_sd == pytest.approx(math.sqrt(variance), rel=1e-4)
    assert found.fit.degrees_of_freedom == spare
    assert found.left_out == ()


def test_the_row_that_does_not_add_up_is_refused_in_its_file(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match=r"percentages of blend-5 add up to 112\.3 %"):
        campaign(tmp_path, list(range(len(TABLE))))
