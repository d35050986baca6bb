"""Workers as jobs of a Slurm queue: what a site says about its queue, in YAML.

Every key but ``jobs`` and ``wait`` goes to dask-jobqueue's SLURMCluster as it is.
"""

from __future__ import annotations

import difflib
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from gradeprep.errors import Fault, RecipeError, RequestError
from gradeprep.model.lines import Lines
from gradeprep.model.yamltext import MAX_BYTES, parse_yaml
from gradeprep.plates.regular import content

__all__ = ["Slurm", "read_slurm"]


class Slurm(BaseModel):
    """A queue, and the jobs to start in it.

    Attributes:
        jobs: Jobs to start.
        wait: Seconds that the first of them gets to start.
        cores: Processors a job asks for; as many frames are done at once.
        processes: Processes that share them; one a processor where left out.
        memory: Memory a job asks for, such as ``8GB``.
        queue: Partition.
        account: Account to charge.
        walltime: Longest time a job may take, ``HH:MM:SS``.
        interface: Network interface that nodes reach this machine by.
        host: Address of this machine that nodes reach it by, where no interface is named.
        shared_folder: Folder that nodes see too, for the certificates of the run; the
            configuration's own folder where left out.
        local_directory: Folder on the nodes for what the workers themselves store.
        log_directory: Folder for the jobs' output.
        python: Python on the nodes.
        job_script_prologue: Lines of shell before the worker starts.
        job_extra_directives: Further ``#SBATCH`` options.
        worker_extra_args: Further options of ``dask worker``.
        job_cpu: Processors to ask for, where they are not ``cores``.
        job_mem: Memory to ask for, where it is not ``memory``.
        death_timeout: Seconds after which a worker without a scheduler ends.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    jobs: int = Field(1, ge=1, le=10_000)
    wait: float = Field(300.0, gt=0, le=86_400)
    cores: int = Field(1, ge=1, le=1024)
    processes: int | None = Field(None, ge=1, le=1024)
    memory: str = "4GB"
    queue: str | None = None
    account: str | None = None
    walltime: str | None = Field(None, pattern=r"^([0-9]+-)?[0-9:]+$")
    interface: str | None = None
    host: str | None = None
    shared_folder: Path | None = None
    local_directory: str | None = None
    log_directory: str | None = None
    python: str | None = None
    job_script_prologue: tuple[str, ...] = ()
    job_extra_directives: tuple[str, ...] = ()
    worker_extra_args: tuple[str, ...] = ()
    job_cpu: int | None = Field(None, ge=1, le=1024)
    job_mem: str | None = None
    death_timeout: int = Field(60, ge=5, le=86_400)

    def options(self, folder: Path, *, page: str) -> dict[str, Any]:
        """The keywords of SLURMCluster.

        Args:
            folder: Where the configuration stands.
            page: Address for the scheduler's pages.
        """
        told = self.model_dump(exclude={"jobs", "wait", "host", "shared_folder"}, exclude_none=True)
        told = {key: list(it) if isinstance(it, tuple) else it for key, it in told.items()}
        told.setdefault("processes", self.cores)
        told["worker_extra_args"] = ["--no-dashboard", *self.worker_extra_args]
        told["shared_temp_directory"] = str((folder / (self.shared_folder or "")).resolve())
        told["scheduler_options"] = {"dashboard_address": page, "dashboard": False}
        if self.host is not None:
            told["scheduler_options"]["host"] = self.host
        return told


def read_slurm(path: Path) -> Slurm:
    """Read and check a configuration.

    Raises:
        RequestError: It cannot be read.
        RecipeError: With every fault in it, and its line.
    """
    try:
        text = content(path, MAX_BYTES).decode("utf-8")
    except UnicodeDecodeError as error:
        raise RequestError(f"is not UTF-8 text: {error.reason}", file=path) from error
    except OSError as error:
        raise RequestError(f"cannot be read: {error.strerror}", file=path) from error
    data, lines = parse_yaml(text, file=str(path))
    if not isinstance(data, dict):
        raise RequestError("is no mapping of keys", file=path, remedy="write such as 'cores: 4'")
    try:
        return Slurm.model_validate(data)
    except ValidationError as error:
        raise RecipeError(_faults(error, lines), file=path) from None


def _faults(error: ValidationError, lines: Lines) -> list[Fault]:
    faults = []
    for one in error.errors():
        key = ".".join(map(str, one["loc"]))
        what = one["msg"][0].lower() + one["msg"][1:]
        if one["type"] == "extra_forbidden":
            close = difflib.get_close_matches(key, Slurm.model_fields, n=1)
            what = f"is no key; did you mean '{close[0]}'?" if close else "is no key"
        faults.append(Fault(key, lines.of(tuple(one["loc"])), what))
    return faults
