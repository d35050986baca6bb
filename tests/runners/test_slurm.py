"""A queue's configuration: what it becomes for the library, and every fault with its line."""

from __future__ import annotations

import pytest

from gradeprep.errors import RequestError
from gradeprep.runners.slurm import read_slurm


def written(tmp_path, text):
    path = tmp_path / "queue.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_one_frame_a_processor_and_no_page_for_anybody(tmp_path):
    asked = read_slurm(written(tmp_path, "jobs: 3\ncores: 4\nmemory: 16GB\nqueue: plates\n"))
    assert (asked.jobs, asked.wait) == (3, 300.0)
    assert asked.options(tmp_path, page="127.0.0.1:0") == {
        "cores": 4,
        "processes": 4,
        "memory": "16GB",
        "queue": "plates",
        "job_script_prologue": [],
        "job_extra_directives": [],
        "worker_extra_args": ["--no-dashboard"],
        "death_timeout": 60,
        "shared_temp_directory": str(tmp_path.resolve()),
        "scheduler_options": {"dashboard_address": "127.0.0.1:0", "dashboard": False},
    }


def test_what_a_site_may_say(tmp_path):
    text = """\
cores: 8
processes: 2
host: 10.0.0.1
walltime: 1-12:00:00
shared_folder: certificates
job_script_prologue: [module load python]
worker_extra_args: [--lifetime, 1h]
"""
    options = read_slurm(written(tmp_path, text)).options(tmp_path, page="p")
    assert options["processes"] == 2
    assert options["scheduler_options"]["host"] == "10.0.0.1"
    assert options["walltime"] == "1-12:00:00"
    assert options["shared_temp_directory"] == str(tmp_path.resolve() / "certificates")
    assert options["job_script_prologue"] == ["module load python"]
    assert options["worker_extra_args"] == ["--no-dashboard", "--lifetime", "1h"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("cores: 1\njob: 3", "line 2: job: is no key; did you mean 'jobs'?"),
        ("security: false", "line 1: security: is no key"),
        ("cores: 1\n\njobs: 0", "line 3: jobs: input should be greater than or equal to 1"),
        ("walltime: forever", "line 1: walltime: string should match pattern"),
        ("job_extra_directives: [1]", "line 1: job_extra_directives.0: input should be a valid"),
        ("- cores", "is no mapping of keys; write such as 'cores: 4'"),
        ("", "is no mapping of keys"),
        ("cores: !!python/name:os.system", "line 1: tag"),
        ("cores: [", "line 1: not YAML"),
    ],
)
def test_faults(text, says, tmp_path):
    with pytest.raises(RequestError) as caught:
        read_slurm(written(tmp_path, text))
    assert str(caught.value).startswith(f"{tmp_path / 'queue.yaml'}: ")
    assert says in str(caught.value)


def test_all_faults_at_once(tmp_path):
    with pytest.raises(RequestError) as caught:
        read_slurm(written(tmp_path, "cores: 0\nmemory: 3\n"))
    assert len(str(caught.value).splitlines()) == 2


def test_not_text(tmp_path):
    path = tmp_path / "queue.yaml"
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(RequestError, match=r"queue\.yaml: is not UTF-8 text"):
        read_slurm(path)
