"""Recipe text to plain data: what YAML may say, and on which line it said it."""

from __future__ import annotations

import math

import pytest

from gradeprep.errors import RecipeError
from gradeprep.model import yamltext
from gradeprep.model.yamltext import parse_yaml


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("", None),
        ("# nothing\n", None),
        ("a:", {"a": None}),
        ("a: ~", {"a": None}),
        ("a: null", {"a": None}),
        ("a: -3", {"a": -3}),
        ("a: +3", {"a": 3}),
        ("a: 0010", {"a": 10}),
        ("a: -3.25", {"a": -3.25}),
        ("a: .5", {"a": 0.5}),
        ("a: 1.", {"a": 1.0}),
        ("a: 1e3", {"a": 1000.0}),
        ("a: -.inf", {"a": -math.inf}),
        ("a: true", {"a": True}),
        ("on: fail", {"on": "fail"}),  # YAML 1.1 reads the key as a truth value
        ("a: yes", {"a": "yes"}),
        ("a: no", {"a": "no"}),
        ("a: 01:00:10:15", {"a": "01:00:10:15"}),  # YAML 1.1 reads base 60
        ("a: 12:30", {"a": "12:30"}),
        ("a: 1001-1048", {"a": "1001-1048"}),
        ("a: 2020-01-01", {"a": "2020-01-01"}),
        ("a: 1_000", {"a": "1_000"}),
        ("a: 1e", {"a": "1e"}),
        ("a: <<", {"a": "<<"}),
        ("a: '3'", {"a": "3"}),
        ("a: !!str 3", {"a": "3"}),
        ("a: !!float 3", {"a": 3.0}),
        ("1001: -3\n1048: -2.5", {1001: -3, 1048: -2.5}),
        ("a: &x [1, 2]\nb: *x", {"a": [1, 2], "b": [1, 2]}),
        ("- {a: b}\n- c", [{"a": "b"}, "c"]),
    ],
)
def test_reads_plain_data(text, data):
    found = parse_yaml(text)[0]
    assert found == data
    assert repr(found) == repr(data)  # 1 is not 1.0 and not true


def test_reads_what_is_no_number():
    assert math.isnan(parse_yaml("a: .nan")[0]["a"])


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("a: [", "line 1: not YAML: expected the node content, but found '<stream end>'"),
        ("a: 1\n  b: 2", "line 2: not YAML: mapping values are not allowed here"),
        ("a: 1\nb: *x", "line 2: not YAML: found undefined alias 'x'"),
        ("a: 1\n---\nb: 2", "line 2: not YAML: but found another document"),
        ("a: 1\nb:\n  c: 1\n  c: 2", "line 4: b: key 'c' is given twice"),
        ("1: a\n1: b", "line 2: key '1' is given twice"),
        ("a: 1\n? [b]\n: c", "line 2: a key must be plain text or a number"),
        (
            "a: !!python/object/apply:os.getcwd []",
            "line 1: tag 'tag:yaml.org,2002:python/object/apply:os.getcwd' is not plain data; "
            "remove it",
        ),
        (
            "a: !!python/name:os.getcwd",
            "line 1: tag 'tag:yaml.org,2002:python/name:os.getcwd' is not plain data; remove it",
        ),
        (
            "\na: !!python/dict {b: 1}",
            "line 2: tag 'tag:yaml.org,2002:python/dict' is not plain data; remove it",
        ),
        ("a: !!set {b, c}", "line 1: tag 'tag:yaml.org,2002:set' is not plain data; remove it"),
        ("a: !own 1", "line 1: tag '!own' is not plain data; remove it"),
        ("a: !!int b", "line 1: 'b' is not what its tag says, or too long; write it plainly"),
        ("a: !!bool yes", "line 1: 'yes' is not what its tag says, or too long; write it plainly"),
        ("a: !!null b", "line 1: 'b' is not what its tag says, or too long; write it plainly"),
        (
            "a: " + "9" * 5000,
            f"line 1: '{'9' * 40}' is not what its tag says, or too long; write it plainly",
        ),
        (
            'a: "\a"',
            "not YAML: unacceptable character #x0007: special characters are not allowed in "
            '"<unicode string>", position 4',
        ),
    ],
)
def test_refuses(text, complaint):
    with pytest.raises(RecipeError) as caught:
        parse_yaml(text, file="r.yaml")
    assert str(caught.value) == f"r.yaml: {complaint}"


def test_a_text_too_deep_is_refused_before_it_is_built():
    assert parse_yaml("[" * 32 + "]" * 32)
    for deep in ("[" * 33 + "]" * 33, "[" * 100_000, "{a: " * 33 + "}" * 33):
        with pytest.raises(RecipeError, match=r"^line 1: nested deeper than 32 levels$"):
            parse_yaml(deep)


@pytest.mark.parametrize(
    "text",
    [
        "a: &a [*a]",
        "a: &a {b: *a}",
        "a0: &a0 [1,1,1,1,1,1,1,1,1]\n"
        + "".join(f"a{i}: &a{i} [{','.join([f'*a{i - 1}'] * 9)}]\n" for i in range(1, 12)),
    ],
    ids=["list in itself", "mapping in itself", "nine to the twelfth"],
)
def test_aliases_cannot_outgrow_memory(text):
    with pytest.raises(RecipeError, match="aliases expand to more data than a recipe holds"):
        parse_yaml(text)


def test_a_text_too_large_is_refused_unread(monkeypatch):
    monkeypatch.setattr(yamltext, "MAX_BYTES", 2 * 1024**2)
    with pytest.raises(RecipeError, match=r"^the text is larger than 2 MiB$"):
        parse_yaml("é" * 1024**2 + "é")


def test_every_key_knows_its_line():
    lines = parse_yaml(
        "# a recipe\na:\n  b:\n    - c: 1\n      d: 2\n    - 3\n\ne: {f: 4,\n  g: 5}"
    )[1]
    told = {
        ("a",): 2,
        ("a", "b"): 3,
        ("a", "b", 0): 4,
        ("a", "b", 0, "d"): 5,
        ("a", "b", 1): 6,
        ("e",): 8,
        ("e", "f"): 8,
        ("e", "g"): 9,
    }
    assert {path: lines.of(path) for path in told} == told
    assert lines.of(("a", "b", 0, "absent", 7)) == 4  # the nearest parent there is
    assert lines.of(("nothing",)) == 2
    assert parse_yaml("")[1].of(("a",)) is None


TEXTS = [
    "# one\nb: [1, {c: \"é ü\"}]\r\nd: |\n  two\n  lines\ne: 'x'\n",
    "a: &x {b: 1}\nc: *x\n? d\n: 2\n",
    "a:\n- b: 1\n  c: >\n    folded\n\n    text\n- 089\n- \"\\u0041\"\n",
    "a: [\n", "a: \x07\n", "a: b: c\n", "a:\n\t- b\n", "%TAG ! x\n---\na\n", "a\n---\nb\n",
]  # fmt: skip


@pytest.mark.parametrize("text", TEXTS)
def test_both_loaders_read_alike(text, monkeypatch):
    """With and without libyaml: the same data, the same lines, the same message."""

    def outcome():
        try:
            data, lines = parse_yaml(text)
        except RecipeError as error:
            return str(error)
        return data, lines.by_path

    quick = outcome()
    monkeypatch.setattr("yaml.__with_libyaml__", False)
    assert outcome() == quick
