"""The sidecar: what a run leaves beside its plates, to text and back."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from support import write_exr

from gradeprep import sidecar
from gradeprep.errors import SidecarError
from gradeprep.model.recipe import Kinds, build_recipe
from gradeprep.model.shot import ShotDocument
from gradeprep.model.yamltext import parse_yaml
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.plugins.registry import installed
from gradeprep.runners.job import run_plan
from gradeprep.runners.local import Local

RECIPE = """\
gradeprep: 1
shots:
  wharf:
    plate: in/wharf.####.exr
    space: ACEScg
    stages: [{lift: {stops: 1}}, {pull: {stops: {meter: grey_card, region: [0, 0, 8, 8]}}}]
    checks: {pixels: {}}
    output: {plate: "out/{shot}.####.exr"}
"""


def made(folder: Path) -> Path:
    """A run of two frames, one of them with a NaN; the path of its sidecar."""
    for number in (1001, 1002):
        planes = {name: np.full((16, 24), 1.44, np.float16) for name in "RGB"}
        planes["R"][9, number - 1000] = np.nan
        write_exr(folder / f"in/wharf.{number}.exr", planes)
    plugins = installed()
    kinds = Kinds(*(plugins.params(kind) for kind in ("stages", "meters", "checks")))
    data, lines = parse_yaml(RECIPE)
    plan = make_plan(build_recipe(data, kinds, lines=lines), folder, Options())
    job = run_plan(plan, engine=Local(1))
    assert job.clean
    return job.shots["wharf"].sidecar


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> Path:
    return made(tmp_path_factory.mktemp("run"))


def test_stands_beside_its_plates_under_the_shots_name(written):
    assert written == sidecar.path_for(written.parent, "wharf")
    assert sidecar.beside(written.parent) == [written]
    assert written.name == "wharf.stops.json"


def test_keeps_its_schema(written):
    schema = sidecar.schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(json.loads(written.read_text("utf-8")), schema)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda data: data.pop("digest"),
        lambda data: data.update(surprise=1),
        lambda data: data.update(gradeprep_shot=1),
        lambda data: data["frames"][0].update(stops="dark"),
        lambda data: data["frames"][0]["done"].pop("counts"),
        lambda data: data["frames"][0].pop("done"),
        lambda data: data["frames"][0].update(done=None),
        lambda data: data.update(nonfinite="drop"),
        lambda data: data.update(frames=[]),
    ],
)
def test_schema_and_reader_refuse_alike(written, tmp_path, spoil):
    data = json.loads(written.read_text("utf-8"))
    spoil(data)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, sidecar.schema())
    spoiled = tmp_path / "a.stops.json"
    spoiled.write_text(json.dumps(data), "utf-8")
    with pytest.raises(SidecarError):
        sidecar.load(spoiled)


def test_goes_to_text_and_back_byte_for_byte(written, tmp_path):
    record = sidecar.load_filed(written)
    again = tmp_path / "again.stops.json"
    sidecar.save(record, again)
    assert again.read_bytes() == written.read_bytes()
    assert sidecar.load_filed(again) == record
    assert [path.name for path in tmp_path.iterdir()] == ["again.stops.json"]


@pytest.mark.parametrize("count", [0, 1, 2])
def test_frames_are_written_one_at_a_time_as_they_would_be_at_once(written, tmp_path, count):
    record = sidecar.load_filed(written)
    some = record.model_copy(update={"frames": record.frames[:count]})
    at_once = json.dumps(sidecar.dump(some), indent=1, ensure_ascii=False) + "\n"
    assert sidecar.text_of(some) == at_once
    sidecar.save(some, tmp_path / "a.stops.json")
    assert (tmp_path / "a.stops.json").read_text(encoding="utf-8") == at_once


def test_two_equal_runs_differ_only_in_what_is_dated(written, tmp_path):
    other = sidecar.load_filed(made(tmp_path))
    record = sidecar.load_filed(written)
    assert set(record.dated) == set(other.dated) == {"written"}
    undated = [sidecar.text_of(r.model_copy(update={"dated": {}})) for r in (record, other)]
    assert undated[0] == undated[1]
    assert str(tmp_path) not in undated[1]


def test_paths_can_be_opened_from_here_once_it_is_loaded(written):
    filed, here = sidecar.load_filed(written), sidecar.load(written)
    assert here.folder == str(written.parent)
    assert [Path(frame.source).is_file() for frame in here.frames] == [True, True]
    assert sidecar.filed(here) == filed


def test_holds_all_that_was_decided_and_done(written):
    record = sidecar.load_filed(written)
    assert (record.source.pattern, record.source.frames) == ("../in/wharf.####.exr", "1001-1002")
    assert (record.result.pattern, record.result.type) == ("wharf.####.exr", "half")
    assert [order.stage for order in record.frames[0].stages] == ["lift", "pull"]
    assert record.readings[0].stops == pytest.approx(-3.0, abs=1e-3)
    assert record.reversible.ulp == pytest.approx(1 / 0.375 + 0.5, abs=1e-4)
    for frame in record.frames:
        assert frame.stops == record.readings[0].stops
        assert frame.finished.counts.nonfinite == 1
        assert frame.source == f"../in/wharf.{frame.number}.exr"
        result = written.parent / frame.result
        assert result.stat().st_size == frame.finished.result.bytes
    # the check's finding a frame, and the sum over the shot
    assert [finding.frame for finding in record.findings if "NaN" in finding.what] == [1001, 1002]


GIVE = "; give a *.stops.json as this program wrote it"
VERSION = f"; this program reads version 2{GIVE}, or update the program"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (None, "no such sidecar"),
        ("{", f"is not JSON, so it is no sidecar{GIVE}"),
        (b"\xff\xfe", f"is not JSON, so it is no sidecar{GIVE}"),
        ("[" * 100_000, f"is not JSON, so it is no sidecar{GIVE}"),
        ("[]", f"missing version field{VERSION}"),
        ('{"shot": "a"}', f"missing version field{VERSION}"),
        ('{"gradeprep_shot": 99}', f"is of version 99{VERSION}"),
        ('{"gradeprep_shot": 2}', f"is damaged at 'tool': field required{GIVE}"),
    ],
)
def test_a_file_that_is_no_sidecar_is_told_in_one_line(tmp_path, text, complaint):
    path = tmp_path / "a.stops.json"
    if text is not None:
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(SidecarError) as caught:
        sidecar.load(path)
    assert str(caught.value) == f"{path}: {complaint}"


def test_a_sidecar_without_frames_tells_nothing(written, tmp_path):
    path = tmp_path / "a.stops.json"
    sidecar.save(sidecar.load_filed(written).only(()), path)
    with pytest.raises(SidecarError, match="has no frames"):
        sidecar.load(path)


def test_a_folder_is_no_sidecar(tmp_path):
    with pytest.raises(SidecarError, match="cannot be read: it is not a regular file"):
        sidecar.load(tmp_path)


def test_a_later_runs_record_wins(written):
    first, second = sidecar.load(written).frames
    newer = first.model_copy(update={"stops": -1.0})
    assert sidecar.merged([second, first], [newer]) == (newer, second)
    assert sidecar.merged() == ()


@pytest.mark.parametrize(
    ("path", "told"),
    [("/a/out/x.exr", "x.exr"), ("/a/in/x.exr", "../in/x.exr"), ("/b/x.exr", "../../b/x.exr")],
)
def test_paths_are_told_from_the_sidecars_folder(path, told):
    folder = Path("/a/out")
    assert sidecar.relative(path, folder) == told
    assert sidecar.absolute(told, folder) == Path(path)


def test_hidden_files_are_no_sidecars(tmp_path):
    for name in ("b.stops.json", ".a.1.tmp.stops.json", "a.json"):
        (tmp_path / name).touch()
    assert [path.name for path in sidecar.beside(tmp_path)] == ["b.stops.json"]


def test_the_schema_names_every_field_as_the_file_does():
    assert set(sidecar.schema()["properties"]) == {
        field.alias or name for name, field in ShotDocument.model_fields.items()
    }
