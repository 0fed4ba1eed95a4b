"""YAML text as a tree with places. What counts as valid YAML is taken from PyYAML's own loader."""

import itertools
import time

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from lapwright.errors import InputError
from lapwright.inputs.tree import MAX_DEPTH, Mapping, Scalar, Sequence, at_path, describe, parse


def plain(node):
    if isinstance(node, Scalar):
        return node.text
    if isinstance(node, Sequence):
        return [plain(item) for item in node.items]
    return {key: plain(value) for key, value in node.values.items()}


def faults_of(text):
    with pytest.raises(InputError) as caught:
        parse(text, "f.yaml")
    return [(fault.line, fault.column, fault.message) for fault in caught.value.faults]


def only_fault(text):
    faults = faults_of(text)
    assert len(faults) == 1
    return faults[0]


def test_nodes_know_where_they_stand():
    root, faults = parse("a: 1\nb:\n  - x\n  - {c: 'two', d: [3, 4]}\n")
    assert faults == []
    assert plain(root) == {"a": "1", "b": ["x", {"c": "two", "d": ["3", "4"]}]}
    node = at_path(root, ("b", 1, "d", 1))
    assert (node.line, node.column) == (4, 23)
    assert (root.keys["b"].line, root.keys["b"].column) == (2, 1)


def test_a_missing_place_falls_back_to_the_nearest_parent():
    root, _ = parse("a:\n  b:\n    c: 1\n")
    node = at_path(root, ("a", "b", "nothing", 3))
    assert (node.line, node.column) == (2, 3)
    assert at_path(root, ("zzz",)) is root


_words = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FF, exclude_categories=["Cc", "Cs"]), max_size=8
)
_trees = st.recursive(
    _words, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_words, inner, max_size=4)
)


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(_words, _trees, min_size=1, max_size=4), st.booleans())
def test_same_tree_as_a_general_yaml_library(data, flow):
    text = yaml.safe_dump(data, default_flow_style=flow, allow_unicode=True)
    expected = yaml.load(text, Loader=yaml.BaseLoader)  # all scalars as text
    root, faults = parse(text)
    assert faults == []
    assert plain(root) == expected


@pytest.mark.parametrize("text", ["", "\n\n", "# nothing but a comment\n", "---\n", "~", "null\n"])
def test_empty_file(text):
    line, column, message = only_fault(text)
    assert (line, column) == (1, 1)
    assert "empty" in message


@pytest.mark.parametrize(
    ("text", "word"), [("[1, 2]", "a list of 2"), ("just words", "just words"), ("3", "3")]
)
def test_a_file_without_keys(text, word):
    assert word in only_fault(text)[2]


@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("a:\n\tb: 1\n", 2, 1),
        ("a:\n  b: 1\n\tc: 2\n", 3, 1),
        ("\ta: 1\n", 1, 1),
        ("a: [1,\n\t2]\nb:\n\tc: 1\n", 4, 1),
    ],
)
def test_tabs(text, line, column):
    fault = only_fault(text)
    assert fault[:2] == (line, column)
    assert "tab" in fault[2] and "spaces" in fault[2]


@pytest.mark.parametrize(
    ("text", "line", "column", "word"),
    [
        ("a: b: c\n", 1, 5, "`: `"),
        ("a: 1\n- b\n", 2, 1, "not valid YAML"),
        ("a: @x\n", 1, 4, "quotes"),
        ("a: 1\nb: `x`\n", 2, 4, "quotes"),
        ("%YAML 9.9\n---\na: 1\n", 1, 1, "not valid YAML"),
    ],
)
def test_syntax_has_place_and_advice(text, line, column, word):
    fault = only_fault(text)
    assert fault[:2] == (line, column)
    assert word in fault[2]


def test_an_unclosed_bracket_names_the_line_where_it_began():
    assert "began" not in only_fault("a: 1\nb: [1,\n  2\nc: 3\n")[2]
    assert "line 2" in only_fault("a: 1\nb: [1,\n  2\nc: 3\n")[2]


def test_duplicate_keys_are_faults_and_the_rest_is_still_read():
    root, faults = parse("a: 1\nb: 2\na: 3\nc: {d: 1, d: 2}\n")
    assert [(fault.line, fault.column) for fault in faults] == [(3, 1), (4, 11)]
    assert "line 1" in faults[0].message
    assert plain(root) == {"a": "1", "b": "2", "c": {"d": "1"}}


def test_aliases_and_merge_keys_are_refused():
    _, faults = parse("a: &x {k: 1}\nb: *x\nc:\n  <<: *x\n")
    assert [(fault.line, fault.column) for fault in faults] == [(2, 4), (4, 7)]
    assert all("write the value out" in fault.message for fault in faults)


def test_nested_aliases_do_not_explode():
    names = "abcdefghijklmnopqrstuvwxyz"
    text = "a: &a [x, x, x, x, x, x, x, x, x]\n"
    for one, two in itertools.pairwise(names):
        text += f"{two}: &{two} [" + ", ".join([f"*{one}"] * 9) + "]\n"
    start = time.perf_counter()
    _, faults = parse(text)
    assert time.perf_counter() - start < 1.0
    assert len(faults) == 25 * 9


@pytest.mark.parametrize("deep", [MAX_DEPTH + 1, 900, 5_000, 200_000])
@pytest.mark.parametrize(("opening", "closing"), [("[", "]"), ("{a: ", "}")])
def test_absurd_depth(deep, opening, closing):
    fault = only_fault("a: " + opening * deep + closing * deep)
    assert "nested deeper" in fault[2]


def test_deep_block_nesting():
    text = "".join(" " * i + "a:\n" for i in range(400))
    assert "nested deeper" in only_fault(text)[2]


def test_depth_that_is_allowed():
    text = "a: " + "[" * (MAX_DEPTH - 1) + "]" * (MAX_DEPTH - 1)
    assert parse(text)[1] == []


def test_a_second_document():
    fault = only_fault("a: 1\n---\nb: 2\n")
    assert fault[:2] == (2, 1)
    assert "second document" in fault[2]


@pytest.mark.parametrize("tag", ["!!python/object/apply:os.system", "!own", "!!int", "!!binary"])
def test_tags(tag):
    _, faults = parse(f"a: 1\nb: {tag} x\n")
    assert [(fault.line, fault.column) for fault in faults] == [(2, 4)]
    assert tag in faults[0].message


def test_keys_that_are_no_words():
    _, faults = parse("? [1, 2]\n: 3\nb: 1\n")
    assert [(fault.line, fault.column) for fault in faults] == [(1, 3)]


@pytest.mark.parametrize(
    ("text", "line", "column", "word"),
    [
        ("a: 1\nb: \0\n", 2, 4, "binary"),
        ("a: \x07\n", 1, 4, "U+0007"),
        ("a: 1\n\nb: x\ud800\n", 3, 5, "U+D800"),
        ("a: \ufffe", 1, 4, "U+FFFE"),
    ],
)
def test_control_characters(text, line, column, word):
    fault = only_fault(text)
    assert fault[:2] == (line, column)
    assert word in fault[2]


def test_bom_and_crlf_are_fine():
    root, faults = parse("\ufeffa: 1\r\nb: [2,\r\n  3]\r\n")
    assert faults == []
    assert plain(root) == {"a": "1", "b": ["2", "3"]}
    assert root.keys["b"].line == 2


def test_long_values_are_shortened_in_messages():
    assert len(describe(Scalar("x" * 500, True, 1, 1))) < 80


@settings(max_examples=300, deadline=None)
@given(st.text(st.sampled_from("ab:-[]{}#&*!|>'\"%@`,? \n\t0.~<=") | st.characters(), max_size=40))
def test_any_text_is_a_tree_or_a_fault(text):
    try:
        root, _ = parse(text, "f.yaml")
    except InputError as error:
        assert all(fault.line >= 1 and fault.column >= 1 and fault.message for fault in error.faults)
    else:
        assert isinstance(root, Mapping)
