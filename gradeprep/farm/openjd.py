"""A bundle as an Open Job Description template (revision 2023-09, extension TASK_CHUNKING).

Each shot is a step whose frames the scheduler cuts into chunks as it likes, also ones with gaps;
a last step collects them all. Every folder is a parameter of the type PATH, so that a farm's path
mapping fills in where it is on the node. Paths stand in ``parameters.json`` (a template may not
hold whole ones), and the template holds names and numbers only.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import yaml

from gradeprep.model.bundle import Manifest
from gradeprep.model.framerange import FrameRange

__all__ = ["files", "template"]

_NAME = 64
_NOTICE = 120
"""Seconds that frames in flight get to end when a job is cancelled."""


def files(manifest: Manifest, *, name: str, chunk: Mapping[str, int]) -> dict[str, bytes]:
    """The template and the values of its parameters, as files of the bundle."""
    text = yaml.safe_dump(
        template(manifest, name=name, chunk=chunk), sort_keys=False, allow_unicode=True, width=100
    )
    values = json.dumps(dict(manifest.folders), indent=1, ensure_ascii=False) + "\n"
    return {"template.yaml": text.encode("utf-8"), "parameters.json": values.encode("utf-8")}


def template(manifest: Manifest, *, name: str, chunk: Mapping[str, int]) -> dict[str, Any]:
    """The template as plain data.

    Args:
        manifest: What the bundle holds.
        name: Name of the job.
        chunk: Shot to frames that a chunk begins with; the scheduler may choose others.
    """
    steps = {shot: _step_name(shot) for shot in manifest.shots}
    return {
        "specificationVersion": "jobtemplate-2023-09",
        "extensions": ["TASK_CHUNKING"],
        "name": _plain(name)[:_NAME] or "gradeprep",
        "description": f"{len(manifest.shots)} shots, brought back as their recipe asks.",
        "parameterDefinitions": list(_parameters(manifest)),
        "steps": [
            *(_shot(manifest, shot, steps[shot], chunk[shot]) for shot in manifest.shots),
            {
                "name": "collect",
                "description": "Proves every frame and writes the sidecars.",
                "dependencies": [{"dependsOn": step} for step in steps.values()],
                "script": _run(["collect", "{{Param.Bundle}}", "--openjd", *_places(manifest)]),
            },
        ],
    }


def _parameters(manifest: Manifest) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = [
        {
            "name": "Bundle",
            "type": "PATH",
            "objectType": "DIRECTORY",
            "dataFlow": "IN",
            "default": ".",
            "description": "Folder of this template",
        },
        {
            "name": "Gradeprep",
            "type": "STRING",
            "default": "gradeprep",
            "description": "The program on the nodes",
        },
    ]
    for word in manifest.folders:
        flow = "INOUT" if word.startswith("Results") else "IN"
        data = {"name": word, "type": "PATH", "objectType": "DIRECTORY", "dataFlow": flow}
        found.append(data)
    return found


def _shot(manifest: Manifest, shot: str, step: str, chunk: int) -> dict[str, Any]:
    frames = FrameRange.parse(manifest.shots[shot].frames)
    lines = ["--shot", shot, "--frames", "{{Task.Param.Frames}}"]
    return {
        "name": step,
        "parameterSpace": {
            "taskParameterDefinitions": [
                {
                    "name": "Frames",
                    "type": "CHUNK[INT]",
                    "range": str(frames).replace("x", ":"),
                    "chunks": {"defaultTaskCount": chunk, "rangeConstraint": "NONCONTIGUOUS"},
                }
            ]
        },
        "script": _run(["chunk", "{{Param.Bundle}}", "--openjd", *lines, *_places(manifest)]),
    }


def _run(arguments: list[str]) -> dict[str, Any]:
    cancel = {"mode": "NOTIFY_THEN_TERMINATE", "notifyPeriodInSeconds": _NOTICE}
    action = {"command": "{{Param.Gradeprep}}", "args": arguments, "cancelation": cancel}
    return {"actions": {"onRun": action}}


def _places(manifest: Manifest) -> list[str]:
    return [part for word in manifest.folders for part in ("--map", f"{word}={{{{Param.{word}}}}}")]


def _step_name(shot: str) -> str:
    """A step's name: short, one a shot, and never that of the last step."""
    name = f"shot {shot}"
    if len(name) <= _NAME:
        return name
    return f"{name[: _NAME - 9]} {hashlib.sha256(shot.encode()).hexdigest()[:8]}"


def _plain(name: str) -> str:
    """A name as it stands in a template, where braces mean something and control codes nothing."""
    return "".join(c if c.isalnum() or c in "_-. " else "_" for c in name)
