"""Frames on a real scheduler with real workers: what comes out is what comes out here."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import ipaddress
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import clumsy
import pytest
from dasked import dasked
from distributed import Client, Security
from farmed import local_results, made, scene
from farmed import results as all_results
from refusal import RECIPE, exr_plate, refused, write_recipe
from support import run

from gradeprep import sidecar
from gradeprep.pipeline.plan import make_plan
from gradeprep.pipeline.planned import Options
from gradeprep.pipeline.recipefile import read_recipe
from gradeprep.plates import atomic
from gradeprep.plugins.registry import installed
from gradeprep.runners import dispatch, reach, wire
from gradeprep.runners.claim import claimed
from gradeprep.runners.cluster import Cluster
from gradeprep.runners.place import parse_place

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")

FRAMES = 24
PATIENCE = 60.0
"""Seconds after which a machine is taken for hung, however slow it is."""


@pytest.fixture(scope="module")
def plugins(tmp_path_factory):
    """Folder of a plugin package whose stage takes its time, and may die."""
    folder = tmp_path_factory.mktemp("plugins")
    clumsy.environment(folder)
    return folder


@pytest.fixture(scope="module")
def farm(plugins):
    """A scheduler with two workers, which give a chunk up that lost its worker twice."""
    with dasked(env=clumsy.environment(plugins, CLUMSY_PAUSE="0.05"), allowed_failures=1) as made:
        yield made


@pytest.fixture
def slow(plugins, monkeypatch):
    """The stage is here too."""
    monkeypatch.syspath_prepend(str(plugins))
    installed.cache_clear()
    yield
    monkeypatch.undo()
    installed.cache_clear()


def recipe_in(folder: Path, *, crash_at: int = 0) -> Path:
    exr_plate(folder / "plate", FRAMES)
    return write_recipe(
        folder, RECIPE.replace("[{pull", f"[{{clumsy: {{crash_at: {crash_at}}}}}, {{pull")
    )


def results(folder: Path) -> dict[str, bytes]:
    """Everything in the results' folder, hidden files too; the sidecar without its date."""
    found = {path.name: path.read_bytes() for path in (folder / "out" / "quay").iterdir()}
    for name in found:
        if name.endswith(sidecar.SUFFIX):
            told = json.loads(found[name])
            told.pop("dated")
            found[name] = json.dumps(told).encode()
    return found


def until(true) -> None:
    """Wait for something to become true."""
    deadline = time.monotonic() + PATIENCE
    while not true():
        assert time.monotonic() < deadline, "nothing happened"
        time.sleep(0.01)


def frames_there(folder: Path) -> list[Path]:
    return sorted((folder / "out" / "quay").glob("quay.[0-9]*.exr"))


@contextlib.contextmanager
def once(true, act):
    """Do something as soon as something is true, beside what goes on."""
    thread = threading.Thread(target=lambda: (until(true), act()))
    thread.start()
    yield
    thread.join()


@pytest.mark.usefixtures("slow")
def test_a_lost_worker_changes_no_byte(farm, tmp_path, capsys, monkeypatch):
    """Relative paths, as people type them; one worker is killed while it works."""
    for place in ("here", "there"):
        recipe_in(tmp_path / place)
    monkeypatch.chdir(tmp_path / "here")
    assert run(capsys, "run", "recipe.yaml", "--jobs", "1").code == 0
    monkeypatch.chdir(tmp_path / "there")

    def kill():
        os.kill(farm.workers[0], signal.SIGKILL)

    with once(lambda: len(frames_there(tmp_path / "there")) >= 4, kill):
        ran = run(capsys, "run", "recipe.yaml", "--cluster", farm.address)
    assert ran.code == 0, ran
    assert f"quay: {FRAMES} frames by -1 stops" in ran.out
    assert f"quay: {FRAMES}/{FRAMES} frames" in ran.err
    assert results(tmp_path / "there") == results(tmp_path / "here")


@pytest.mark.usefixtures("slow")
def test_a_scheduler_that_dies_ends_the_run_and_it_is_resumed(
    plugins, tmp_path, capsys, monkeypatch
):
    monkeypatch.setattr(dispatch, "PATIENCE", 2.0)
    recipe = recipe_in(tmp_path / "there")
    with dasked(env=clumsy.environment(plugins, CLUMSY_PAUSE="0.1")) as made:

        def kill():
            os.kill(made.process, signal.SIGKILL)

        with once(lambda: len(frames_there(tmp_path / "there")) >= 4, kill):
            ran = run(capsys, "run", recipe, "--cluster", made.address, "--quiet")
    assert ran.code == 1, ran
    (line,) = ran.err.splitlines()
    gone = "no scheduler, or no worker that it knows, for 2 s"
    assert line == f"gradeprep: quay: {gone}; bring it back and run again with --resume"
    assert run(capsys, "run", recipe, "--resume", "--jobs", "1").code == 0
    assert run(capsys, "run", recipe_in(tmp_path / "here"), "--jobs", "1").code == 0
    assert results(tmp_path / "there") == results(tmp_path / "here")


@pytest.mark.usefixtures("slow")
def test_a_worker_that_freezes_costs_its_chunk(plugins, tmp_path, capsys):
    """The scheduler gives it up after its ``worker-ttl``: five minutes, one second here."""
    recipe = recipe_in(tmp_path / "there")
    patience = {"DASK_DISTRIBUTED__SCHEDULER__WORKER_TTL": "1 second"}
    with dasked(env=clumsy.environment(plugins, CLUMSY_PAUSE="0.05", **patience)) as made:

        def freeze():
            os.kill(made.workers[0], signal.SIGSTOP)

        with once(lambda: len(frames_there(tmp_path / "there")) >= 4, freeze):
            ran = run(capsys, "run", recipe, "--cluster", made.address, "--quiet")
    assert ran.code == 0, ran
    assert run(capsys, "run", recipe_in(tmp_path / "here"), "--jobs", "1").code == 0
    assert results(tmp_path / "there") == results(tmp_path / "here")


@pytest.mark.usefixtures("slow")
def test_a_frame_that_kills_its_workers_is_named_and_the_others_are_done(farm, tmp_path, capsys):
    recipe = recipe_in(tmp_path, crash_at=1010)
    ran = run(capsys, "run", recipe, "--cluster", farm.address, "--quiet")
    assert ran.code == 1, ran
    (line,) = ran.err.splitlines()
    assert line.startswith("gradeprep: quay frame 1010: ")
    assert "quay.1010.exr: its worker died every time" in line
    assert len(frames_there(tmp_path)) == FRAMES - 1
    assert not any(atomic.is_temp(name) for name in results(tmp_path))
    record = sidecar.load(tmp_path / "out" / "quay" / "quay.stops.json")
    assert [finding.frame for finding in record.findings if finding.severity == "fail"] == [1010]


def test_a_frame_that_fails_is_told_as_it_is_here(farm, tmp_path, capsys, monkeypatch):
    told = {}
    for place, options in (("here", ("--jobs", "1")), ("there", ("--cluster", farm.address))):
        exr_plate(tmp_path / place / "plate", 6)
        write_recipe(tmp_path / place)
        monkeypatch.chdir(tmp_path / place)
        torn = Path("plate/quay.1003.exr")
        whole = torn.read_bytes()
        # Torn where only decoding sees it.
        torn.write_bytes(whole[:-40] + bytes(40))
        ran = run(capsys, "run", "recipe.yaml", "--quiet", *options)
        assert ran.code == 1, ran
        told[place] = (ran.err, results(tmp_path / place))
    assert told["there"] == told["here"]


def plan_in(folder: Path):
    exr_plate(folder / "plate", FRAMES)
    return make_plan(read_recipe(write_recipe(folder)), folder, Options())


def other_numpy() -> None:
    from gradeprep.runners import remote, versions

    real = versions.versions(["pull"])
    remote._looked.clear()
    versions.versions = lambda stages: real | {"numpy": "0.1"}


def own_numpy() -> None:
    import importlib

    from gradeprep.runners import remote, versions

    importlib.reload(versions)
    remote._looked.clear()


def test_a_worker_that_becomes_another_is_named_and_left_out(farm, tmp_path):
    """As one that joins late: it was not there when the others were looked at."""
    plan = plan_in(tmp_path)
    (shot,) = plan.shots.values()
    warned = []
    with (
        Client(farm.address, set_as_default=False) as client,
        claimed(shot.document),
        Cluster(parse_place(farm.address), warn=warned.append) as engine,
    ):
        client.wait_for_workers(2, timeout=PATIENCE)
        other = sorted(client.nthreads())[0]
        engine.ready([shot.document])
        client.run(by_value(other_numpy), workers=[other])
        try:
            outcomes = list(engine.run(shot.document, stop=threading.Event()))
        finally:
            client.run(by_value(own_numpy), workers=[other])
    assert sorted(outcome.number for outcome in outcomes) == [
        o.number for o in shot.document.frames
    ]
    (line,) = warned
    assert line.startswith(f"worker {other} is left out: it has numpy ")


def by_value(function):
    """A function that workers need not import: they do not see the tests."""
    import cloudpickle

    cloudpickle.register_pickle_by_value(sys.modules[function.__module__])
    return function


def test_other_versions_are_named_worker_by_worker(farm, tmp_path, capsys, monkeypatch):
    exr_plate(tmp_path / "plate", 6)
    recipe = write_recipe(tmp_path)
    real = wire.versions(["pull"])
    monkeypatch.setattr(
        wire, "versions", lambda stages: real | {"OpenEXR": "9.0", "arithmetic": "7"}
    )
    ran = refused(
        capsys,
        tmp_path,
        ("run", recipe, "--cluster", farm.address),
        f"gradeprep: worker {farm.address.rpartition(':')[0]}",
        f": has OpenEXR {real['OpenEXR']} (planned with 9.0)",
        code=2,
    )
    assert len(ran.err.splitlines()) == 4  # two workers, two differences
    assert f"has arithmetic {real['arithmetic']}" in ran.err


def certificate(folder: Path, name: str) -> dict[str, str]:
    """A certificate that signed itself, for this machine, and its key."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    now = datetime.datetime.now(datetime.UTC)
    signed = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]),
            critical=False,
        )
        .sign(key, hashes.SHA256())
    )
    cert, private = folder / f"{name}.pem", folder / f"{name}-key.pem"
    cert.write_bytes(signed.public_bytes(serialization.Encoding.PEM))
    private.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return {"ca": str(cert), "cert": str(cert), "key": str(private)}


@pytest.fixture(scope="module")
def shut(tmp_path_factory):
    """A scheduler with one worker that speaks TLS only, and the certificate it trusts."""
    folder = tmp_path_factory.mktemp("tls")
    ours = certificate(folder, "ours")
    with dasked(1, tls=ours) as made:
        yield made, ours, folder


def keys(told: dict[str, str]) -> tuple[str, ...]:
    return tuple(word for name, file in told.items() for word in (f"--tls-{name}", file))


def test_tls_with_the_right_certificate(shut, tmp_path, capsys):
    made, ours, _ = shut
    exr_plate(tmp_path / "plate", 3)
    recipe = write_recipe(tmp_path)
    assert made.address.startswith("tls://")
    ran = run(capsys, "run", recipe, "--cluster", made.address, *keys(ours), "--quiet")
    assert ran.code == 0, ran
    assert len(frames_there(tmp_path)) == 3


@pytest.mark.parametrize("fault", ["another certificate", "no TLS"])
def test_without_the_right_certificate_nothing_runs(fault, shut, tmp_path, capsys):
    made, _, folder = shut
    exr_plate(tmp_path / "plate", 3)
    recipe = write_recipe(tmp_path)
    if fault == "no TLS":
        where = ("--cluster", made.address.replace("tls://", "tcp://"))
        says = "no scheduler answers"
    else:
        where = ("--cluster", made.address, *keys(certificate(folder, "theirs")))
        says = "no trust: "
    refused(capsys, tmp_path, ("run", recipe, *where), "--cluster", says, code=2)


def forget_ourselves() -> None:
    """As if gradeprep were not installed in this worker."""

    class Absent:
        def find_spec(self, name, path, target=None):
            if name.split(".")[0] == "gradeprep":
                raise ModuleNotFoundError(f"No module named '{name}'", name=name)

    for name in [name for name in sys.modules if name.split(".")[0] == "gradeprep"]:
        del sys.modules[name]
    sys.meta_path.insert(0, Absent())


def test_a_worker_without_gradeprep_is_named(shut, tmp_path, capsys):
    made, ours, _ = shut
    exr_plate(tmp_path / "plate", 3)
    recipe = write_recipe(tmp_path)
    security = Security(
        require_encryption=True,
        tls_ca_file=ours["ca"],
        tls_client_cert=ours["cert"],
        tls_client_key=ours["key"],
    )
    with Client(made.address, security=security, set_as_default=False) as client:
        client.run(by_value(forget_ourselves))
    where = ("--cluster", made.address, *keys(ours))
    refused(
        capsys,
        tmp_path,
        ("run", recipe, *where),
        "gradeprep: worker tls://127.0.0.1:",
        "has no gradeprep",
        code=2,
    )


def test_no_scheduler_there(tmp_path, capsys, monkeypatch):
    """A port that takes the call and says nothing."""
    monkeypatch.setattr(reach, "TIMEOUT", 0.5)
    exr_plate(tmp_path / "plate", 3)
    recipe = write_recipe(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        where = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        refused(
            capsys,
            tmp_path,
            ("run", recipe, "--cluster", where),
            where,
            "no scheduler answers",
            code=2,
        )


def test_a_thread_with_an_event_loop_asks_too(tmp_path, capsys):
    """A notebook's cells run in one."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        nobody = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
    exr_plate(tmp_path / "plate", 3)
    recipe = write_recipe(tmp_path)

    async def cell():
        asked = ("run", recipe, "--cluster", nobody)
        refused(capsys, tmp_path, asked, nobody, "no scheduler answers", code=2)

    asyncio.run(cell())


def test_ctrl_c_leaves_whole_frames_and_is_resumed(plugins, tmp_path):
    """The whole group hears it, as in a terminal: processes of our own leave it to us."""
    recipe = recipe_in(tmp_path)
    command = (sys.executable, "-m", "gradeprep", "run", str(recipe), "--cluster", "processes:2")
    ran = subprocess.Popen(
        command,
        env=clumsy.environment(plugins, CLUMSY_PAUSE="0.2"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    until(lambda: len(frames_there(tmp_path)) >= 2)
    os.killpg(ran.pid, signal.SIGINT)
    out, err = ran.communicate(timeout=PATIENCE)
    assert ran.returncode == 130, (out, err)
    assert out == ""
    assert err.splitlines()[-1] == "gradeprep: interrupted; run again with --resume to go on"
    assert "Traceback" not in err
    there = results(tmp_path)
    assert not any(atomic.is_temp(name) for name in there)
    told = there[".quay.stops.journal"].decode().splitlines()
    done = sorted(json.loads(line)["frame"]["number"] for line in told)
    assert done == [int(path.name.split(".")[1]) for path in frames_there(tmp_path)]
    assert 2 <= len(done) < FRAMES


def test_a_run_a_cluster_and_a_farm_leave_the_same_bytes(tmp_path, capsys):
    """Results and sidecars: three ways to run, one document."""
    recipe = scene(tmp_path)
    here = local_results(capsys, recipe)
    assert run(capsys, "run", recipe, "--cluster", "processes:2", "--quiet").code == 0
    elsewhere = all_results(tmp_path / "out")
    shutil.rmtree(tmp_path / "out")
    bundle = made(capsys, recipe, tmp_path / "bundle", "--chunk", "2")
    for number in (1, 2, 3):
        assert run(capsys, "chunk", bundle, "--number", number, "--jobs", "1").code == 0
    assert run(capsys, "collect", bundle).code == 0
    farmed = all_results(tmp_path / "out")
    assert sorted(here) == [
        *(f"quay/quay.100{number}.exr" for number in range(1, 6)),
        "quay/quay.stops.json",
    ]
    assert here == elsewhere == farmed
