"""The registry: contracts held at loading; one bad plugin is named and disturbs no other."""

from __future__ import annotations

import sys

import pytest

from gradeprep.errors import PluginError
from gradeprep.plugins.contractcheck import KINDS
from gradeprep.plugins.contracts import API
from gradeprep.plugins.registry import Entry, Registry, installed

GOOD = """\
from pydantic import BaseModel

class Params(BaseModel):
    amount: float = 0.0

class Good:
    name = "good"
    summary = "does nothing"
    Params = Params
    def read(self, plate, params): ...

class Stage(Good):
    def decide(self, params, frame): return {}
    def exposure(self, numbers): return 0.0
    def gains(self, numbers): return None
    def slope(self, numbers): return None
    def apply(self, rgb, numbers, light): return rgb
    def inverse(self, rgb, numbers, light): return rgb
"""


@pytest.fixture
def module(tmp_path, monkeypatch):
    """Writes a module that a plugin stands in, and takes it away again."""
    before = set(sys.modules)
    monkeypatch.syspath_prepend(tmp_path)

    def write(name: str, text: str) -> None:
        (tmp_path / f"{name}.py").write_text(text)

    write("trade_good", GOOD)
    yield write
    for name in set(sys.modules) - before:
        del sys.modules[name]


def meter(target: str, name: str = "good", source: str = "trade 1.0") -> Entry:
    return Entry("meters", name, target, source)


def refusal(*entries: Entry, kind: str = "meters", name: str = "good") -> str:
    with pytest.raises(PluginError) as caught:
        Registry(entries).get(kind, name)
    return str(caught.value)


def test_a_plugin_is_imported_at_its_first_use_and_made_once(module):
    registry = Registry([meter("trade_good:Good")])
    assert registry.names("meters") == ("good",)
    assert "trade_good" not in sys.modules
    made = registry.get("meters", "good")
    assert type(made).__module__ == "trade_good"
    assert registry.get("meters", "good") is made


def test_names_of_one_kind_are_no_names_of_another(module):
    entries = [meter("trade_good:Good"), Entry("stages", "good", "trade_good:Stage", "trade 1.0")]
    registry = Registry(entries)
    assert registry.get("stages", "good") is not registry.get("meters", "good")
    assert registry.names("checks") == ()


@pytest.mark.parametrize(
    ("name", "complaint"),
    [
        ("goood", "no meter is called 'goood'; did you mean good?"),
        ("zzz", "no meter is called 'zzz'; known: better, good"),
    ],
)
def test_an_unknown_name_gets_the_nearest_ones(name, complaint):
    assert refusal(meter("a:B"), meter("a:C", "better"), name=name) == complaint


def test_a_name_claimed_twice_is_used_by_neither(module):
    other = meter("else_where:Good", source="copycat 2.0")
    assert refusal(meter("trade_good:Good"), other) == (
        "meter 'good' is provided twice, by copycat 2.0 (else_where:Good) and trade 1.0 "
        "(trade_good:Good); uninstall one of them"
    )


BROKEN = "meter 'good' from trade 1.0 (bad:Bad) {}; update or uninstall that package"
CLASS = GOOD.replace("class Good", "class Bad").replace("Stage(Good)", "Stage(Bad)")


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("1 +", "does not load: SyntaxError: invalid syntax (bad.py, line 1)"),
        ("import absent", "does not load: ModuleNotFoundError: No module named 'absent'"),
        ("1 / 0", "does not load: ZeroDivisionError: division by zero"),
        ("raise SystemExit('gone')", "does not load: SystemExit: gone"),
        ("Good = 1", "does not load: AttributeError: module 'bad' has no attribute 'Bad'"),
        ("Bad = 1", "does not load: TypeError: 'int' object is not callable"),
        (
            GOOD + "class Bad:\n    def __init__(self, size): ...",
            "does not load: TypeError: Bad.__init__() missing 1 required positional argument: "
            "'size'",
        ),
        ("class Bad: pass", "has no text 'name'"),
        (CLASS.replace('"does nothing"', "None"), "has no text 'summary'"),
        (CLASS.replace('"good"', '"better"'), "calls itself 'better'"),
        (CLASS.replace("Params = Params", ""), "has no pydantic model 'Params'"),
        (CLASS.replace("Params = Params", "Params = dict"), "has no pydantic model 'Params'"),
        (CLASS.replace("def read", "def look"), "has no method 'read'"),
        (CLASS.replace("def read(self, plate, params): ...", "read = 3"), "has no method 'read'"),
        (
            CLASS.replace("(self, plate, params)", "(self, plate)"),
            "takes (plate) in 'read'; the contract says (plate, params)",
        ),
        (
            CLASS.replace("(self, plate, params)", "(self, plate, params, mood)"),
            "takes (plate, params, mood) in 'read'; the contract says (plate, params)",
        ),
        (
            CLASS.replace("def read(self, plate, params): ...", "read = int"),
            "does not load: ValueError: no signature found for builtin type <class 'int'>",
        ),
    ],
)
def test_a_broken_plugin_is_named_with_its_error_and_disturbs_no_other(module, text, what):
    module("bad", text)
    bad, fine = meter("bad:Bad"), meter("trade_fine:Fine", "fine")
    module("trade_fine", GOOD.replace("Good", "Fine").replace('"good"', '"fine"'))
    assert refusal(bad, fine) == BROKEN.format(what)
    models = Registry([bad, fine]).params("meters")
    assert list(models) == ["fine", "good"]
    assert models["fine"].__module__ == "trade_fine"
    with pytest.raises(PluginError, match=r"from trade 1\.0"):
        models.get("good")


def test_a_model_is_loaded_when_it_is_looked_up(module):
    models = Registry([meter("trade_good:Good"), meter("absent:Absent", "absent")]).params("meters")
    assert len(models) == 2
    assert models.get("none") is None
    assert "trade_good" not in sys.modules
    assert list(models["good"].model_fields) == ["amount"]


@pytest.mark.parametrize(
    ("api", "remedy"),
    [
        (API + 1, "update gradeprep"),
        (API - 1, "update or uninstall that package"),
        ("one", "update or uninstall that package"),
    ],
)
def test_a_plugin_for_another_contract_is_told_so_and_nothing_else(module, api, remedy):
    module("bad", CLASS.replace("def read", "def read_light") + f"Bad.api = {api!r}\n")
    assert refusal(meter("bad:Bad")) == (
        f"meter 'good' from trade 1.0 (bad:Bad) is written for contract version {api}; "
        f"this gradeprep keeps version {API}; {remedy}"
    )


@pytest.mark.parametrize("text", ["", "Good.api = 1\n"])
def test_a_plugin_that_states_no_contract_was_written_for_the_first(module, text):
    module("trade_good", GOOD + text)
    assert Registry([meter("trade_good:Good")]).get("meters", "good").name == "good"


def test_what_a_module_prints_does_not_mix_with_results(module, capsys):
    module("loud", "print('here I am')\n" + GOOD)
    Registry([meter("loud:Good")]).get("meters", "good")
    out, err = capsys.readouterr()
    assert (out, err) == ("", "here I am\n")


def test_a_source_is_told_by_name(module):
    registry = Registry([meter("trade_good:Good")])
    assert registry.source("meters", "good") == "trade 1.0"
    assert registry.source("stages", "good") == ""


def test_every_method_of_a_contract_is_asked_for(module):
    for method in ("decide", "exposure", "gains", "slope", "apply", "inverse"):
        module(f"lame_{method}", GOOD.replace(f"def {method}", f"def _{method}"))
        entry = Entry("stages", "good", f"lame_{method}:Stage", "trade 1.0")
        assert f"has no method '{method}';" in refusal(entry, kind="stages")


def test_the_cause_is_kept(module):
    module("bad", "1 / 0")
    with pytest.raises(PluginError) as caught:
        Registry([meter("bad:Bad")]).get("meters", "good")
    assert isinstance(caught.value.__cause__, ZeroDivisionError)


@pytest.mark.parametrize("kind", KINDS)
def test_all_built_in_plugins_come_through_the_same_door_and_load(kind):
    registry = installed()
    assert [registry.get(kind, name).name for name in registry.names(kind)] == [
        *registry.names(kind)
    ]
    assert {entry.source.split()[0] for entry in registry.entries} >= {"gradeprep"}


def test_the_built_in_stages_are_there():
    assert set(installed().names("stages")) >= {"balance", "lift", "pull"}
