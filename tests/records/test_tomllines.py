from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.records.tomllines import key_lines

CASES = {
    "plain": ('a = 1\n\nb = "x"\n', {("a",): 1, ("b",): 3}),
    "table": ("[grain]\nlength = '1'\n", {("grain",): 1, ("grain", "length"): 2}),
    "comment between": ("# [fake]\na = 1 # b = 2\nc = 3\n", {("a",): 2, ("c",): 3}),
    "multi-line string": (
        'notes = """\n[fake]\nb = 1 \\""" \n"""\nc = 1\n',
        {("notes",): 1, ("c",): 5},
    ),
    "multi-line literal": ("n = '''\n[x]\n'''''\nc = 1\n", {("n",): 1, ("c",): 4}),
    "brackets in strings": (
        "a = '[x] {'\nb = \"# = '\"\nc = 1\n",
        {("a",): 1, ("b",): 2, ("c",): 3},
    ),
    "dotted key": ("a.b . c = 1\n", {("a",): 1, ("a", "b"): 1, ("a", "b", "c"): 1}),
    "quoted key": ("[t]\n\"a.b\".'c d' = 1\n", {("t", "a.b"): 2, ("t", "a.b", "c d"): 2}),
    "escaped key": ('"a\\u0042\\"" = 1\n', {('aB"',): 1}),
    "quoted header": ('["base-1.5" . x]\na = 1\n', {("base-1.5",): 1, ("base-1.5", "x", "a"): 2}),
    "inline table": ("p = { a = 1, b.c = { d = 2 } }\n", {("p", "a"): 1, ("p", "b", "c", "d"): 1}),
    "list of inline tables": (
        "[x]\nr = [\n  { i = 1 },\n # none\n  { i = 2, q = [\n    { w = 3 } ] },\n]\nlast = 1\n",
        {
            ("x", "r"): 2,
            ("x", "r[1]"): 3,
            ("x", "r[1]", "i"): 3,
            ("x", "r[2]", "i"): 5,
            ("x", "r[2]", "q[1]", "w"): 6,
            ("x", "last"): 8,
        },
    ),
    "tables of a list": (
        "[[x.r]]\ni = 1\n[[x.r]]\ni = 2\n[x.r.sub]\nj = 3\n[[x.r.q]]\nk = 1\n",
        {
            ("x", "r"): 1,
            ("x", "r[1]", "i"): 2,
            ("x", "r[2]"): 3,
            ("x", "r[2]", "i"): 4,
            ("x", "r[2]", "sub", "j"): 6,
            ("x", "r[2]", "q[1]", "k"): 8,
        },
    ),
    "dates with a blank": ("a = 2026-05-02 10:00:00\nb = 1\n", {("a",): 1, ("b",): 2}),
    "empty list and table": ("a = []\nb = {}\nc = [[], []]\nd = 1\n", {("d",): 4}),
    "no end of line": ("a = 1\nb = 2", {("b",): 2}),
}


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_lines_of_keys(case: Any, newline: str) -> None:
    text, expected = case
    tomllib.loads(text)
    found = key_lines(text.replace("\n", newline))
    assert {path: found.get(path) for path in expected} == expected
    assert ("fake",) not in found


@pytest.mark.parametrize(
    "text",
    [
        "[",
        "[[",
        "a",
        "a =",
        "a = [",
        "a = {",
        'a = "',
        "a = '''",
        "]]]\n}",
        "a = [1 2",
        "=",
        '"',
        "a.",
        ".",
    ],
)
def test_text_that_is_no_toml_never_crashes(text: str) -> None:
    key_lines(text + "\nok = 1\n")


@given(st.text(alphabet="ab.=[]{}\"'#\n\r ,1\\", max_size=60))
def test_any_text_ends(text: str) -> None:
    lines = text.count("\n") + 1
    assert all(1 <= line <= lines for line in key_lines(text).values())


def test_nesting_is_no_matter() -> None:
    assert key_lines("a = " + "[" * 2_000 + "\nb = 1\n")[("a",)] == 1


_KEYS = st.sampled_from(["a", "b-1", "c_2", '"x.y"', "'q r'"])
_VALUES = st.recursive(
    st.sampled_from(["1", '"text"', "'[lit]'", "true", '"""\n[m]\n"""', "2026-05-02"]),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[ " + ",\n ".join(items) + " ]"),
        st.dictionaries(_KEYS, inner, max_size=2).map(
            lambda items: "{ " + ", ".join(f"{k} = {v}" for k, v in items.items()) + " }"
        ),
    ),
    max_leaves=6,
)


@given(st.lists(st.tuples(st.dictionaries(_KEYS, _VALUES, max_size=3)), min_size=1, max_size=4))
def test_every_key_of_valid_toml_has_the_line_it_stands_in(tables: Any) -> None:
    """The reader of the standard library is the oracle for which keys there are."""
    lines: list[str] = []
    expected = {}
    for number, (table,) in enumerate(tables):
        lines.append(f"[t{number}]")
        for key, value in table.items():
            expected[(f"t{number}", key.strip("\"'"))] = "\n".join(lines).count("\n") + 2
            lines.append(f"{key} = {value}")
    text = "\n".join(lines) + "\n"
    values = tomllib.loads(text)
    found = key_lines(text)
    assert {path: found[path] for path in expected} == expected
    assert {path[0] for path in found} == set(values)
