"""The line of every key of a TOML text, against texts whose lines are counted while they are written."""

from __future__ import annotations

import tomllib

from hypothesis import given
from hypothesis import strategies as st

from thermosaic.files.key_lines import key_lines

TEXT = '''# a comment with [brackets] and = signs
top = 1

[a]            # a table
b.c = "x # not a comment"
"quoted key" = 'y'
list = [
    1,         # first
    [2, 3],

    { k = 4, l = { m = 5 } },
]
long = """
[not.a.table]
n = 1 \\""" still text"""
raw = \'\'\'
o = 2
\'\'\'
"\\u0041" = 2026-05-14T13:20:00Z

[[pass]]
id = "1"
[[pass.part]]
deep = true
[[pass]]
id = "2"
[pass.part]
deep = false
'''


def test_every_kind_of_key_is_found_at_its_line():
    """Dotted, quoted and inline keys, entries of lists, tables and arrays of tables all have their line."""
    expected = {
        ("top",): 2, ("a",): 4, ("a", "b"): 5, ("a", "b", "c"): 5, ("a", "quoted key"): 6,
        ("a", "list"): 7, ("a", "list", 0): 8, ("a", "list", 1): 9, ("a", "list", 1, 0): 9,
        ("a", "list", 1, 1): 9, ("a", "list", 2): 11, ("a", "list", 2, "k"): 11,
        ("a", "list", 2, "l"): 11, ("a", "list", 2, "l", "m"): 11,
        ("a", "long"): 13, ("a", "raw"): 16, ("a", "A"): 19,
        ("pass",): 21, ("pass", 0): 21, ("pass", 0, "id"): 22, ("pass", 0, "part"): 23,
        ("pass", 0, "part", 0): 23, ("pass", 0, "part", 0, "deep"): 24, ("pass", 1): 25,
        ("pass", 1, "id"): 26, ("pass", 1, "part"): 27, ("pass", 1, "part", "deep"): 28,
    }  # fmt: skip
    assert key_lines(TEXT) == expected


def test_the_paths_are_those_of_the_parsed_file():
    """Each path leads to a value of what tomllib reads, and each value has a path."""
    assert set(key_lines(TEXT)) == set(_paths(tomllib.loads(TEXT)))


def _paths(value, path=()):
    if path:
        yield path
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in items:
        yield from _paths(item, (*path, key))


VALUES = st.sampled_from([
    '"a # b"', "'its'", "1_000", "-1.5e3", "true", '"""x\n[y]\nz = 1"""', "[1, [2]]", "[\n  1, # one\n]",
    "{ k = [1, 2], l = 'm' }", "'''\n\"\"\"\n'''", '""', '""""""', '"\\""',
])  # fmt: skip


@given(
    tables=st.lists(
        st.tuples(st.sampled_from(["[t{0}]", "[[x]]", "[t{0}.u]"]), st.lists(VALUES, max_size=4)), max_size=6
    ),
    ending=st.sampled_from(["\n", "\r\n"]),
)
def test_lines_agree_with_those_counted_while_writing(tables, ending):
    """Whatever stands between, strings of many lines included, a key has the line on which it was written."""
    lines, counted, seen = [], {}, 0
    for number, (header, values) in enumerate(tables):
        path = (
            ("x", seen) if header == "[[x]]" else (f"t{number}", "u") if ".u" in header else (f"t{number}",)
        )
        seen += header == "[[x]]"
        lines.append(header.format(number))
        counted[path] = len("\n".join(lines).split("\n"))
        for index, value in enumerate(values):
            lines.append(f"k{index} = {value}")
            counted[(*path, f"k{index}")] = len("\n".join(lines).split("\n")) - value.count("\n")
    text = "\n".join(lines).replace("\n", ending)
    tomllib.loads(text)
    found = key_lines(text)
    assert {path: found[path] for path in counted} == counted
