from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from strandwise.findings import Finding, Source
from strandwise.records import BATCH_FIELDS, STRAND_FIELDS, implausible, problems_of, sha256_of
from strandwise.records.places import with_lines


def test_sha256_of_a_known_text(tmp_path: Any) -> None:
    # FIPS 180-2 (2002), appendix B.1: the digest of "abc".
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert sha256_of(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_a_campaign_changed_in_a_program_is_checked_alike(small: Any) -> None:
    campaign = small.read().sound()
    assert problems_of(campaign, small.folder, []) == []
    new = replace(campaign.strands[0], test="S-9", batch="B-9", source=Source("here"))
    (problem,) = problems_of(replace(campaign, strands=(*campaign.strands, new)), small.folder, [])
    assert (problem.code, problem.source) == ("unknown-batch", Source("here", None, "batch"))
    assert problem.expected == "one of B-1, B-2"
    assert problem.hint.startswith("did you mean `B-")


def test_a_parents_ring_is_told_once(small: Any) -> None:
    small.write(
        "formulations.toml",
        small.text("formulations.toml") + '[p]\nparent = "q"\n\n[q]\nparent = "p"\n',
    )
    (problem,) = small.read().problems
    assert problem.code == "parent-cycle"
    assert (problem.source.line, problem.source.field) == (8, "p.parent")


def test_a_child_of_a_faulty_parent_is_not_told(small: Any) -> None:
    small.write(
        "formulations.toml",
        small.text("formulations.toml").replace("sorbitol = 35", 'sorbitol = "x"')
        + '[child]\nparent = "carbonate-10"\nadd = { ingredient = "iron-oxid", parts = 1 }\n',
    )
    found = [(p.code, p.source.line) for p in small.read().problems]
    assert found == [("bad-value", 2), ("unknown-ingredient", 9)]


def test_lines_of_fields_whose_names_have_points(small: Any) -> None:
    small.write("formulations.toml", '[a]\nparent = "b"\n["a.1"]\nparent = "b"\n')
    found = with_lines(
        [
            Finding(Source("campaigns/small/formulations.toml", 1, field), "x", "y")
            for field in ("a.1.parent", "a.1.total", "a.parent", "b")
        ],
        small.folder,
    )
    assert [finding.source.line for finding in found] == [4, 3, 2, 1]


def test_a_trace_that_may_not_be_read(small: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    path = small.file("traces/F-1.csv")
    text = f'file = "traces/F-1.csv"\nsha256 = "{sha256_of(path)}"'
    small.swap("firings/F-1.toml", 'file = "traces/F-1.csv"', text)
    assert small.read().problems == ()

    def refuse(_: Any) -> str:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("strandwise.records.checks.sha256_of", refuse)
    (problem,) = small.read().problems
    assert (problem.code, problem.source.line, problem.source.field) == (
        "unreadable",
        18,
        "trace.file",
    )


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, []),
        ({"length": 31.5}, ["length of 31500 mm", "burn rate of 2597 mm/s"]),
        ({"pressure": 9e7}, ["pressure of 90 MPa"]),
        ({"temperature": 20.0}, ["temperature of −253.15 degC"]),
        ({"time": None, "frames": 100.0, "frame_rate": 1e4}, ["burn rate of 6040 mm/s"]),
        ({"time": 1e3}, ["time of 1000 s", "burn rate of 0.0604 mm/s"]),
    ],
)
def test_what_is_not_likely(small: Any, changes: dict[str, Any], said: list[str]) -> None:
    strand = replace(small.read().sound().strands[0], **changes)
    found = list(implausible(strand, STRAND_FIELDS))
    assert [finding.message for finding in found] == said
    assert all(finding.code == "implausible" and finding.hint for finding in found)


def test_a_batch_of_a_tonne_is_not_likely(small: Any) -> None:
    batch = replace(small.read().sound().batches["B-1"], mass=1001.0, density=17.64)
    assert [finding.message for finding in implausible(batch, BATCH_FIELDS)] == [
        "mass of 1001000 g",
        "density of 0.01764 g/cm3",
    ]
