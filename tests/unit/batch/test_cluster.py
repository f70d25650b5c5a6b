"""The same work through a Dask cluster gives the same results. Skipped where the extra is absent."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from audit.batch import Cache, Outcome, Packing, cluster_executor, run
from audit.batch.cluster import KILLED, NO_WORKERS
from audit.demo import demo_files
from audit.errors import InputError, UsageError
from tests.unit.batch.tasks import act, findings

distributed: Any = pytest.importorskip("distributed", reason="needs the extra 'cluster'")
dask: Any = pytest.importorskip("dask", reason="needs the extra 'cluster'")

ROOT = Path(__file__).parents[3]

pytestmark = [
    # Of Dask and what it stands on, when a cluster of this machine is closed.
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.slow,
]


@contextmanager
def local_cluster(**options: Any) -> Iterator[str]:
    """Give the address of a cluster of this machine."""
    with (
        pytest.MonkeyPatch.context() as patched,
        # A cluster made in this way gives up a worker that happens to be away 15 s after it died once.
        dask.config.set({"distributed.deploy.lost-worker-timeout": "1 hour"}),
    ):
        # Workers look for the tasks along this path, and other packages bring a folder "tests" along.
        patched.setattr(sys, "path", [str(ROOT), *sys.path])
        with distributed.LocalCluster(processes=True, dashboard_address=":0", **options) as cluster:
            yield cluster.scheduler_address


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with local_cluster(n_workers=2, threads_per_worker=1) as address:
        yield address


def named(outcomes: list[Outcome[Any, Any]]) -> dict[str, str]:
    """Return the items that their processes are said to have died of, and what is said of each."""
    assert {each.status for each in outcomes} <= {"done", "crashed"}
    return {each.item: each.reason for each in outcomes if each.status == "crashed"}


@pytest.fixture
def shots(tmp_path: Path) -> list[str]:
    for name, data in demo_files().items():
        (tmp_path / name).write_bytes(data)
    (tmp_path / "bad.bvh").write_bytes(b"HIERARCHY\nnonsense")
    return [*map(str, sorted(tmp_path.glob("*.bvh"))), str(tmp_path / "none.bvh")]


def test_results_are_byte_identical_with_those_of_the_pool(address: str, shots: list[str]) -> None:
    def text(**where: Any) -> str:
        outcomes = run(findings, shots, **where)
        return json.dumps([(each.item, each.status, each.value, each.reason) for each in outcomes])

    with cluster_executor(address) as executor:
        through_cluster = text(executor=executor)
    assert through_cluster == text(workers=2) == text(workers=1)
    assert through_cluster.count('"done"') == len(shots) - 2


def test_relative_paths_mean_the_same(
    address: str, shots: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(Path(shots[0]).parent)
    names = [Path(shot).name for shot in shots]
    with cluster_executor(address) as executor:
        outcomes = list(run(findings, names, executor=executor))
    assert [each.value for each in outcomes] == [each.value for each in run(findings, names)]
    assert sum(each.status == "done" for each in outcomes) == len(shots) - 2


def test_cache_and_cluster(address: str, shots: list[str], tmp_path: Path) -> None:
    cache: Cache[Any] = Cache(tmp_path / "cache", "d", Packing())
    with cluster_executor(address) as executor:
        first = list(run(findings, shots, executor=executor, cache=cache))
        second = list(run(findings, shots, executor=executor, cache=cache))
    assert [each.value for each in first] == [each.value for each in second]
    assert {each.origin for each in second if each.status == "done"} == {"cache"}


@pytest.mark.skipif(sys.platform == "win32", reason="the task sends a POSIX signal")
def test_a_task_that_kills_workers_is_named_and_the_others_go_on(address: str) -> None:
    words = ["a", "b", "die", *(f"w{number}" for number in range(10))]
    with cluster_executor(address) as executor:
        outcomes = list(run(act, words, executor=executor))
    assert [each.item for each in outcomes] == words
    assert named(outcomes) == {"die": KILLED}


@pytest.mark.skipif(sys.platform == "win32", reason="the task sends a POSIX signal")
def test_who_works_in_the_same_process_as_a_killer_is_not_named() -> None:
    """With a single process Dask gives up all that it has, killer or not: it cannot know better."""
    words = ["sleep 1", "die", "sleep 1.1"]
    with (
        local_cluster(n_workers=1, threads_per_worker=3) as address,
        cluster_executor(address) as executor,
    ):
        outcomes = list(run(act, words, executor=executor))
    assert [each.item for each in outcomes] == words
    assert [each.attempts for each in outcomes] == [2, 2, 2]  # Dask had given up all three
    assert named(outcomes) == {"die": KILLED}


@pytest.mark.skipif(sys.platform == "win32", reason="the task sends a POSIX signal")
def test_a_cluster_that_has_lost_all_its_workers_ends_the_run() -> None:
    """Workers that nobody replaces: whoever is there dies of the killer, and then there is none."""
    words = ["a", "die", "b", *(f"w{number}" for number in range(600))]
    with local_cluster(n_workers=0) as address:
        worker = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_worker", address, "--no-nanny"],
            stderr=subprocess.DEVNULL,
            cwd=ROOT,
        )
        try:
            with distributed.Client(address, set_as_default=False) as client:
                client.wait_for_workers(1, timeout=60.0)
            with cluster_executor(address, patience_s=1.0) as executor:
                outcomes = list(run(act, words, executor=executor))
        finally:
            worker.kill()
            worker.wait()
    assert [each.item for each in outcomes] == words
    lost = named(outcomes)
    assert set(lost.values()) == {NO_WORKERS}
    # It cannot be known of whom it died; the killer is among them, and so is all that came later.
    assert {"die", "w599"} <= set(lost)


def test_nobody_there() -> None:
    nobody = cluster_executor("tcp://127.0.0.1:9", timeout_s=0.5)
    with pytest.raises(InputError, match="no Dask scheduler answers there"), nobody:
        pass


def test_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str, package: str | None = None) -> Any:
        raise ImportError(name)

    monkeypatch.setattr("audit.batch.cluster.import_module", missing)
    hint = r"pip install 'hinge-audit\[cluster\]'"
    with pytest.raises(UsageError, match=hint), cluster_executor("tcp://127.0.0.1:9"):
        pass
