"""The same work through a Dask cluster gives the same results. Skipped where the extra is absent."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from audit.batch import Cache, Packing, cluster_executor, run
from audit.demo import demo_files
from audit.errors import InputError, UsageError
from tests.unit.batch.tasks import act, findings

distributed: Any = pytest.importorskip("distributed", reason="needs the extra 'cluster'")

pytestmark = [
    # Of Dask and what it stands on, when a cluster of this machine is closed.
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.slow,
]


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0"
    ) as cluster:
        yield cluster.scheduler_address


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
    crashed = [each for each in outcomes if each.status != "done"]
    assert "die" in [each.item for each in crashed]
    # Dask counts a death against what waits at the same worker too, so one that waited there each time may be
    # named as well; it is never left out, and most are done.
    assert len(crashed) <= 3
    for each in crashed:
        assert each.status == "crashed"
        assert each.reason == "the processes of the cluster that worked on it died"


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
