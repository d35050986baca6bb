"""``gradeprep audit`` of a sidecar, a folder of sidecars and a recipe."""

from __future__ import annotations

import json

from handed import normalized
from support import run


def test_a_folder_and_a_recipe_audit_all_their_shots(tmp_path, capsys):
    for name in ("quay", "loft"):
        side = normalized(capsys, tmp_path, {"pull": {"stops": -2.0}}, name=name)
    ran = run(capsys, "audit", tmp_path, "--jobs", 1)
    assert ran.code == 0
    assert ran.out == (
        "loft: 2 of 2 frames are as the sidecar says\nquay: 2 of 2 frames are as the sidecar says\n"
    )
    ran = run(capsys, "audit", tmp_path / "loft.yaml", "--jobs", 1, "--json")
    assert json.loads(ran.out) == [{"shot": "loft", "frames": {"1001": [], "1002": []}}]
    frame = side.parent / "loft.1002.exr"
    frame.write_bytes(frame.read_bytes()[:-9])
    ran = run(capsys, "audit", tmp_path, "--jobs", 1)
    assert ran.code == 1
    assert "loft frame 1002: " in ran.err
    assert "quay: 2 of 2" in ran.out


def test_a_folder_without_sidecars_is_an_error(tmp_path, capsys):
    ran = run(capsys, "audit", tmp_path)
    assert ran.code != 0
    assert f"{tmp_path}: no sidecar (*.stops.json) in this folder" in ran.err
