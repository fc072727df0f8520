"""One burn logged as two tests is told by `check`, and chance agreement elsewhere is not."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from strandwise.records import Summary
from strandwise.records.logged_twice import burns_are_logged_once

HEADS = "test,batch,date,length (mm),time (s),pressure (MPa),exclude\n"
FIRST = "S-1,B-1,2026-05-02,80,9.27,3.82,"


def findings(bench: Any, *rows: str) -> list[Any]:
    bench.write("strands.csv", HEADS + "\n".join(rows) + "\n")
    reading = bench.read()
    assert reading.problems == ()
    return [one for one in reading.remarks if one.code == "logged-twice"]


def test_a_strand_under_two_names_is_a_remark(small: Any) -> None:
    (found,) = findings(small, FIRST, FIRST.replace("S-1", "S-2"))
    assert (found.source.line, found.source.field) == (3, "test")
    assert "`S-2` has the very readings of `S-1`" in found.message
    assert "exclude" in found.hint


@pytest.mark.parametrize(
    ("was", "became"),
    [
        ("B-1", "B-2"),
        ("2026-05-02", "2026-05-03"),
        (",80,", ",81,"),
        ("9.27", "9.28"),
        ("3.82", "3.83"),
        ("3.82,", "3.82,the same burn"),
    ],
)
def test_what_differs_or_is_excluded_is_none(small: Any, was: str, became: str) -> None:
    assert findings(small, FIRST, FIRST.replace("S-1", "S-2").replace(was, became)) == []


def test_wires_of_one_strand_are_one_test(small: Any) -> None:
    second = "S-1,B-1,2026-05-02,40,4.60,3.82,"
    assert findings(small, FIRST, second) == []
    # The second test agrees with one wire of the first.
    (found,) = findings(small, FIRST, second, second.replace("S-1", "S-2"))
    assert found.source.line == 4


def test_a_trace_under_two_firings_is_a_remark(small: Any) -> None:
    campaign = small.read().sound()
    (firing,) = campaign.firings
    assert firing.trace is not None
    trace = dataclasses.replace(firing.trace, sha256="0" * 64)
    one = dataclasses.replace(firing, trace=trace)
    other = dataclasses.replace(one, test="F-2", batch="B-2")
    # One log may hold two firings, which their instants tell apart.
    part = dataclasses.replace(
        other, test="F-3", events=dataclasses.replace(other.events, ignition=1.5)
    )
    both = dataclasses.replace(campaign, firings=(one, other, part))
    (found,) = (f for f in burns_are_logged_once(both, small.folder, []) if "F-" in f.message)
    assert found.source.field == "trace.file"
    assert "`F-2` has the raw trace of `F-1`" in found.message


def test_without_a_digest_nothing_is_known_of_a_trace(small: Any) -> None:
    campaign = small.read().sound()
    (firing,) = campaign.firings
    assert firing.trace is not None
    bare = dataclasses.replace(firing, trace=dataclasses.replace(firing.trace, sha256=None))
    both = dataclasses.replace(campaign, firings=(bare, dataclasses.replace(bare, test="F-2")))
    assert list(burns_are_logged_once(both, small.folder, [])) == []


def test_hand_readings_under_two_firings_are_a_remark(small: Any) -> None:
    campaign = small.read().sound()
    (firing,) = campaign.firings
    hand = dataclasses.replace(
        firing, trace=None, summary=Summary(burn_time=1.1, mean_pressure=3e6)
    )
    other = dataclasses.replace(hand, test="F-2")
    longer = dataclasses.replace(
        hand, test="F-3", summary=Summary(burn_time=1.2, mean_pressure=3e6)
    )
    both = dataclasses.replace(campaign, strands=(), firings=(hand, other, longer))
    (found,) = burns_are_logged_once(both, small.folder, [])
    assert "`F-2` has the very readings of `F-1`" in found.message
